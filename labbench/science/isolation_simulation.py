"""Play studies with a known cause to their end: how often the cause is found, and with how many coupons.

Every study starts from a complaint: two coupons of the baseline combination cracked out. Strategies:

- *sequential*: loads chosen by expected information until a cause has a probability of 0.95 or every factor is cleared
  (`next_load`, `verdicts`);
- *one at a time*: the baseline and, per factor, one arm with that factor changed; a factor is accused where its arm
  fails less than the other arms together (Fisher's exact test, one-sided, Holm over the factors, 0.05);
- *against baseline*: the same arms, each compared with the baseline arm only;
- *by eye*: the same arms; a factor is accused where no coupon of its arm failed, without a test;
- *factorial*: every combination of the baseline level and one other level of each factor, once; a factor is accused
  where its two levels differ (Fisher, two-sided, Holm, 0.05);
- *array*: so many combinations fixed in advance, every level equally often, judged like the sequential loads;
- *one-cause array*: 16 combinations of the baseline level and one other level of each factor, orthogonal, judged like the
  sequential loads but by somebody who knows that exactly one level is guilty.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, stats

from labbench.science.candidates import candidates, impossible_codes
from labbench.science.confirmation import ISOLATED, cause_of, confirmation, confirmation_load, fisher_one_sided
from labbench.science.confounding import confounded_pairs
from labbench.science.evidence import Posterior, Runs, posterior
from labbench.science.findings import Floats
from labbench.science.hypotheses import NONE_ANY, ClassWeights, Hypotheses, Integers, Suspect, hypotheses
from labbench.science.isolation import filled_load
from labbench.science.load_limits import load_limits
from labbench.science.multiplicity import holm
from labbench.science.next_load import groups, informative_load
from labbench.science.outlook import Outlook
from labbench.science.second_cause import second_cause_chances
from labbench.science.verdicts import Findings, coupons_without, effect_probabilities, verdict

Truth = Literal["single", "both", "either", "graded", "none"]
Strategy = Literal["sequential", "one at a time", "against baseline", "by eye", "factorial", "array", "one-cause array"]
TRUTHS: tuple[Truth, ...] = ("single", "both", "either", "graded", "none")
COMPLAINT_COUPONS = 2
LEVEL_OF_SIGNIFICANCE = 0.05
TWO_LEVEL_RUNS = 16
# Who knows that exactly one level is guilty gives everything else next to no weight.
ONLY_SINGLE = ClassWeights(1e-9, 1e-9, 1.0, 1e-9, 1e-9, 1e-9)

# Six factors of two to four levels, two of them numeric.
FACTORS = (
    Suspect("resin", "categorical", ("R1", "R2", "R3")),
    Suspect("lamp", "categorical", ("L1", "L2", "L3", "L4")),
    Suspect("cover", "categorical", ("on", "off")),
    Suspect("cure_time_s", "numeric", (60.0, 120.0, 240.0, 480.0)),
    Suspect("technician", "categorical", ("T1", "T2")),
    Suspect("glass_c", "numeric", (10.0, 20.0, 30.0)),
)


@dataclass(frozen=True, slots=True)
class Scenario:
    """What a simulated study is like.

    Attributes
    ----------
    truth : {"single", "both", "either", "graded", "none"}
        A level of one factor; levels of two factors, both needed or one enough; a numeric factor whose failure
        probability falls from level to level; nothing on the list, all combinations failing alike.
    failing, holding : float
        Failure probability with and without the cause. With the truth "none" all combinations fail with `failing`.
    load_coupons, most_loads : int
        Places of a load; loads after which the study ends in any case.
    to_confirmation : bool
        Whether the sequential strategy goes on until a load of its own confirms the cause.
    """

    truth: Truth
    failing: float = 0.8
    holding: float = 0.05
    load_coupons: int = 12
    most_loads: int = 5
    to_confirmation: bool = False


@dataclass(frozen=True, slots=True)
class Played:
    """One study.

    Attributes
    ----------
    accused, guilty : tuple of int
        Factor numbers.
    coupons, loads : int
        Run until the strategy ended; the complaint's coupons are not counted.
    ended : bool
        Whether the strategy came to a conclusion.
    guilty_cleared : bool
        Whether a verdict cleared a guilty factor; False where the strategy gives no such verdict.
    """

    accused: tuple[int, ...]
    guilty: tuple[int, ...]
    coupons: int
    ended: bool
    guilty_cleared: bool
    loads: int = 1

    @property
    def is_false(self) -> bool:
        """Whether an innocent factor was accused."""
        return bool(set(self.accused) - set(self.guilty))

    @property
    def is_missed(self) -> bool:
        """Whether a guilty factor was not named, be it that the study came to no conclusion."""
        return bool(set(self.guilty) - set(self.accused))


def play(
    scenario: Scenario,
    *,
    strategy: Strategy = "sequential",
    per_arm: int = 6,
    array_coupons: int = 20,
    factors: tuple[Suspect, ...] = FACTORS,
    rng: np.random.Generator,
) -> Played:
    """One study with a cause drawn at random, played by a strategy.

    `per_arm` counts for the plans of one arm per factor, `array_coupons` for "array".
    """
    truth = draw_truth(scenario, factors, rng)
    if strategy in ("one at a time", "against baseline", "by eye"):
        return _one_at_a_time(truth, factors, per_arm, strategy, rng)
    if strategy == "factorial":
        return _factorial(truth, factors, rng)
    if strategy == "one-cause array":
        return _one_cause_array(truth, factors, rng)
    return _by_probability(truth, scenario, strategy, array_coupons, factors, rng)


@dataclass(frozen=True, slots=True)
class KnownTruth:
    """A cause: failure probability per combination, from the levels of the guilty factors.

    `shares` has an axis per guilty factor.
    """

    baseline: Integers
    guilty: tuple[int, ...]
    shares: Floats

    def failing(self, codes: Integers) -> Floats:
        """Failure probability of combinations, shape (combinations, factors)."""
        if not self.guilty:
            return np.full(len(codes), float(self.shares))
        return np.asarray(self.shares[tuple(codes[:, factor] for factor in self.guilty)])

    def outcomes(self, codes: Integers, rng: np.random.Generator) -> NDArray[np.bool_]:
        """Which coupons fail."""
        failed: NDArray[np.bool_] = rng.random(len(codes)) < self.failing(codes)
        return failed


def draw_truth(scenario: Scenario, factors: tuple[Suspect, ...], rng: np.random.Generator) -> KnownTruth:
    """A cause that the baseline has, at random among the factors."""
    baseline = np.array([rng.integers(len(factor.levels)) for factor in factors], dtype=np.int64)
    p, q = scenario.failing, scenario.holding
    if scenario.truth == "none":
        return KnownTruth(baseline, (), np.array(p))
    if scenario.truth == "graded":
        numeric = [number for number, factor in enumerate(factors) if factor.kind == "numeric"]
        guilty = int(rng.choice(numeric))
        size = len(factors[guilty].levels)
        # The baseline lies at the failing end; from there the failures fall to the holding end in equal steps.
        shares = np.linspace(p, q, size)
        baseline[guilty] = 0
        if rng.random() < 0.5:
            shares, baseline[guilty] = shares[::-1].copy(), size - 1
        return KnownTruth(baseline, (guilty,), shares)
    count = 1 if scenario.truth == "single" else 2
    accused = tuple(int(f) for f in np.sort(rng.choice(len(factors), count, replace=False)))
    has = np.stack(
        np.meshgrid(*(np.arange(len(factors[f].levels)) == baseline[f] for f in accused), indexing="ij"), axis=-1
    )
    is_exposed = has.any(axis=-1) if scenario.truth == "either" else has.all(axis=-1)
    return KnownTruth(baseline, accused, np.where(is_exposed, p, q))


def _by_probability(
    truth: KnownTruth,
    scenario: Scenario,
    strategy: Strategy,
    array_coupons: int,
    factors: tuple[Suspect, ...],
    rng: np.random.Generator,
) -> Played:
    space = hypotheses(factors)
    codes = np.tile(truth.baseline, (COMPLAINT_COUPONS, 1))
    failed = np.ones(COMPLAINT_COUPONS, dtype=np.bool_)
    loads = np.zeros(COMPLAINT_COUPONS, dtype=np.int64)
    found = posterior(space, _runs(codes, failed, loads))
    row, is_isolated, is_done = 0, False, False
    for number in range(1, 2 if strategy == "array" else scenario.most_loads + 1):
        if strategy == "array":
            load = _array(factors, array_coupons, rng)
        elif is_isolated and space.kinds[row] > NONE_ANY:
            load = _confirming(found, row, codes, scenario.load_coupons, truth.baseline, rng)
        else:
            load = _next(found, codes, factors, scenario.load_coupons, rng)
        codes = np.concatenate((codes, load))
        failed = np.concatenate((failed, truth.outcomes(load, rng)))
        loads = np.concatenate((loads, np.full(len(load), number)))
        data = _runs(codes, failed, loads)
        found = posterior(space, data)
        row, probability = cause_of(found)
        is_isolated = is_done = probability >= ISOLATED
        if scenario.to_confirmation and is_isolated:
            confirming = confirmation(found, data, row)
            is_done = confirming is not None and confirming.confirmed
        cleared = _cleared(found, row, probability if is_isolated else None, data, truth.baseline)
        if is_done or len(cleared) == len(factors):
            break
    return Played(
        _factors_of(space, row) if is_done else (),
        truth.guilty,
        len(codes) - COMPLAINT_COUPONS,
        is_done or len(cleared) == len(factors),
        bool(set(cleared) & set(truth.guilty)),
        number,
    )


def _array(factors: tuple[Suspect, ...], count: int, rng: np.random.Generator) -> Integers:
    """Combinations fixed in advance, every level equally often."""
    return np.column_stack([rng.permutation(np.resize(np.arange(len(f.levels)), count)) for f in factors])


def _next(
    found: Posterior, codes: Integers, factors: tuple[Suspect, ...], count: int, rng: np.random.Generator
) -> Integers:
    could_run = candidates(factors, codes, impossible_codes(factors, ()), rng=rng)
    coupons = tuple(
        np.bincount(codes[:, f], minlength=len(factor.levels)).astype(np.int64) for f, factor in enumerate(factors)
    )
    load = informative_load(groups(found, could_run), could_run, count, rng=rng, level_coupons=coupons)
    return np.asarray(could_run[np.array(load.picks)])


def _confirming(
    found: Posterior, row: int, codes: Integers, count: int, baseline: Integers, rng: np.random.Generator
) -> Integers:
    suspects = found.hypotheses.suspects
    nothing_impossible = impossible_codes(suspects, ())
    load = confirmation_load(found, row, codes, nothing_impossible, count=count, baseline=baseline, rng=rng)
    limits = load_limits(suspects, None)
    return filled_load(found, row, load, codes, nothing_impossible, limits=limits, count=count, rng=rng)


def _runs(codes: Integers, failed: NDArray[np.bool_], loads: Integers) -> Runs:
    blocks = np.array([f"load {number}" for number in loads], dtype=object)
    return Runs(codes, failed.astype(float), (~failed).astype(float), failed, blocks, "binary", 3)


def _factors_of(space: Hypotheses, row: int) -> tuple[int, ...]:
    return tuple(int(factor[row]) for factor in (space.first, space.second) if factor[row] >= 0)


def _cleared(found: Posterior, row: int, isolated: float | None, data: Runs, baseline: Integers) -> tuple[int, ...]:
    """The factors with the verdict "cleared"."""
    suspects = found.hypotheses.suspects
    findings = Findings(
        found,
        row,
        isolated,
        effect_probabilities(found, margin=0.15),
        confounded_pairs(found, data, impossible_codes(suspects, ())),
        tuple(np.bincount(data.codes[:, f], minlength=len(s.levels)).astype(np.int64) for f, s in enumerate(suspects)),
        coupons_without(found, row, data),
        second_cause_chances(found, row, data, baseline=baseline),
        baseline,
        Outlook(None, (None,) * len(suspects)),
        0.15,
    )
    return tuple(factor for factor in range(len(suspects)) if verdict(findings, factor).state == "cleared")


def _other_levels(truth: KnownTruth, factors: tuple[Suspect, ...], rng: np.random.Generator) -> Integers:
    """Per factor a level that is not the baseline's."""
    steps = [int(rng.integers(1, len(factor.levels))) for factor in factors]
    sizes = [len(factor.levels) for factor in factors]
    return np.asarray((truth.baseline + np.array(steps)) % np.array(sizes))


def _one_at_a_time(
    truth: KnownTruth, factors: tuple[Suspect, ...], per_arm: int, strategy: Strategy, rng: np.random.Generator
) -> Played:
    others = _other_levels(truth, factors, rng)
    arms = np.tile(truth.baseline, (len(factors) + 1, 1))
    for factor in range(len(factors)):
        arms[factor + 1, factor] = others[factor]
    failed = truth.outcomes(np.repeat(arms, per_arm, axis=0), rng).reshape(len(arms), per_arm).sum(axis=1)
    coupons = per_arm * len(arms)
    if strategy == "by eye":
        held = tuple(int(f) for f in np.flatnonzero(failed[1:] == 0))
        return Played(held, truth.guilty, coupons, True, False)
    rest, rest_coupons = int(failed.sum()) - failed, coupons - per_arm
    if strategy == "against baseline":
        rest, rest_coupons = np.full(len(arms), failed[0]), per_arm
    p_values = [
        fisher_one_sided(int(rest[arm]), rest_coupons, int(failed[arm]), per_arm) for arm in range(1, len(arms))
    ]
    return _by_test(truth, p_values, coupons)


def _factorial(truth: KnownTruth, factors: tuple[Suspect, ...], rng: np.random.Generator) -> Played:
    others = _other_levels(truth, factors, rng)
    changed = np.array(list(product((0, 1), repeat=len(factors))), dtype=np.bool_)
    codes = np.where(changed, others, truth.baseline)
    failed = truth.outcomes(codes, rng)
    p_values = []
    for factor in range(len(factors)):
        one, two = failed[~changed[:, factor]], failed[changed[:, factor]]
        table = np.array([[one.sum(), (~one).sum()], [two.sum(), (~two).sum()]], dtype=np.int64)
        p_values.append(float(stats.fisher_exact(table).pvalue))
    return _by_test(truth, p_values, len(codes))


def _one_cause_array(truth: KnownTruth, factors: tuple[Suspect, ...], rng: np.random.Generator) -> Played:
    others = _other_levels(truth, factors, rng)
    columns = 1 + rng.permutation(TWO_LEVEL_RUNS - 1)[: len(factors)]
    changed = linalg.hadamard(TWO_LEVEL_RUNS)[:, columns] < 0
    codes = np.concatenate((np.tile(truth.baseline, (COMPLAINT_COUPONS, 1)), np.where(changed, others, truth.baseline)))
    failed = np.concatenate(
        (np.ones(COMPLAINT_COUPONS, dtype=np.bool_), truth.outcomes(codes[COMPLAINT_COUPONS:], rng))
    )
    space = hypotheses(factors, weights=ONLY_SINGLE)
    row, probability = cause_of(posterior(space, _runs(codes, failed, np.zeros(len(codes), dtype=np.int64))))
    is_isolated = probability >= ISOLATED
    return Played(_factors_of(space, row) if is_isolated else (), truth.guilty, TWO_LEVEL_RUNS, is_isolated, False)


def _by_test(truth: KnownTruth, p_values: list[float], coupons: int) -> Played:
    adjusted = holm(p_values)
    accused = tuple(f for f, p in enumerate(adjusted) if p is not None and p <= LEVEL_OF_SIGNIFICANCE)
    return Played(accused, truth.guilty, coupons, True, False)
