"""What the coupons say about the hypotheses: counts per group, beta-binomial evidence, posterior probabilities.

In a group, coupons fail independently with the same probability p ~ Beta(a, b). With F failed and S held, the evidence
is B(a + F, b + S) / B(a, b), multiplied over the groups. Where coupons left before the last round, p is a hazard per
round instead: a coupon that failed in round r adds one failure and r - 1 survivals, one that held r rounds adds r
survivals.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

from labbench.science.beta_differences import chance_above
from labbench.science.findings import Floats
from labbench.science.hypotheses import NONE_ANY, NONE_LOW, SHAPE_FREE, SINGLE, Hypotheses, Integers
from labbench.science.sheet import CouponSheet

ModelForm = Literal["binary", "rounds"]
# Beta priors of a group that is exposed to the cause, not exposed, or of which nothing is said.
EXPOSED = {"binary": (3.0, 1.0), "rounds": (3.0, 4.0)}
UNEXPOSED = {"binary": (1.0, 9.0), "rounds": (1.0, 30.0)}
ANY = {"binary": (1.0, 1.0), "rounds": (1.0, 2.0)}
# Hypotheses whose probability together is smaller than this keep their evidence without the ordering factor.
NEGLIGIBLE = 1e-13


@dataclass(frozen=True, slots=True)
class Runs:
    """The coupons that enter the comparison.

    Attributes
    ----------
    codes : ndarray of int, shape (n, factors)
        Level number per suspect.
    failures, survivals : ndarray of float, shape (n,)
        What each coupon adds to its group.
    is_failed : ndarray of bool, shape (n,)
    blocks : ndarray of object, shape (n,)
    form : {"binary", "rounds"}
    rounds : int
        Rounds of the study; chances to fail are chances within that many.
    """

    codes: Integers
    failures: Floats
    survivals: Floats
    is_failed: NDArray[np.bool_]
    blocks: NDArray[np.object_]
    form: ModelForm
    rounds: int

    def __len__(self) -> int:
        return len(self.codes)

    def only(self, which: NDArray[np.bool_]) -> Runs:
        """Some of the coupons, in the same form."""
        return Runs(
            self.codes[which],
            self.failures[which],
            self.survivals[which],
            self.is_failed[which],
            self.blocks[which],
            self.form,
            self.rounds,
        )


def has_run(sheet: CouponSheet) -> NDArray[np.bool_]:
    """Test coupons of which something is known: failed, or seen to hold at least one round."""
    return sheet.is_test & (sheet.is_failed | (sheet.rounds_survived > 0))


def runs(sheet: CouponSheet, codes: Integers, used: NDArray[np.bool_]) -> Runs:
    """The used coupons with their outcomes.

    Binary where every coupon failed or held to the last round, else by rounds, with a hazard that stays the same. A
    failure between looks more than one round apart counts as in the middle of the interval.
    """
    failed = sheet.is_failed[used]
    held_rounds, failed_round = sheet.rounds_survived[used], sheet.failed_round[used]
    rounds = max(int(sheet.rounds_planned[used].max(initial=0)), 1)
    form: ModelForm = "rounds" if (~failed & (held_rounds < rounds)).any() else "binary"
    if form == "binary":
        survivals = (~failed).astype(float)
    else:
        survivals = np.where(failed, (held_rounds + failed_round - 1) / 2, held_rounds).astype(float)
    return Runs(codes[used], failed.astype(float), survivals, failed, sheet.blocks[used], form, rounds)


@dataclass(frozen=True, slots=True)
class LevelCounts:
    """Failures and survivals per level of one factor, shape (levels,)."""

    failures: Floats
    survivals: Floats


@dataclass(frozen=True, slots=True)
class Posterior:
    """Hypotheses weighed by the data; arrays of shape (hypotheses,).

    Attributes
    ----------
    hypotheses : Hypotheses
    form : {"binary", "rounds"}
    rounds : int
    failures, survivals : ndarray of float, shape (hypotheses, 2)
        Counts of the exposed and the unexposed group. One-group hypotheses have all in the second column; shape-free
        ones have both 0, see `levels`.
    levels : tuple of LevelCounts
        Per factor.
    log_evidence : ndarray of float
        Without the ordering factor.
    log_ordering : ndarray of float
        Log of P(exposed fails more | data) / P(exposed fails more); 0 where a hypothesis has no two sides.
    probability : ndarray of float
        Sums to 1.
    """

    hypotheses: Hypotheses
    form: ModelForm
    rounds: int
    failures: Floats
    survivals: Floats
    levels: tuple[LevelCounts, ...]
    log_evidence: Floats
    log_ordering: Floats
    probability: Floats

    def guilt(self, factor: int) -> float:
        """Probability that the factor takes part in the cause."""
        return min(float(self.probability[self.hypotheses.uses(factor)].sum()), 1.0)

    def betas(self) -> tuple[Floats, Floats]:
        """Updated Beta parameters of the two groups, each of shape (hypotheses, 2)."""
        prior_a, prior_b = group_priors(self.hypotheses, self.form)
        return prior_a + self.failures, prior_b + self.survivals


def posterior(hypotheses: Hypotheses, data: Runs, *, ordered: bool = True) -> Posterior:
    """Probability of every hypothesis given the coupons.

    Parameters
    ----------
    hypotheses : Hypotheses
    data : Runs
    ordered : bool
        Whether an exposed group must fail more than the unexposed one: the evidence is multiplied by P(exposed fails
        more | data) / P(exposed fails more). Without it flat priors can't tell "R1 fails" from "R2 holds".

    References
    ----------
    R. E. Kass and A. E. Raftery, "Bayes factors", J. Am. Stat. Assoc. 90 (1995), 773-795 (evidence); I. Klugkist, B.
    Kato and H. Hoijtink, "Bayesian model selection using encompassing priors", Statistica Neerlandica 59 (2005), 57-69
    (ordering). Both from memory.
    """
    failures, survivals, levels = _group_counts(hypotheses, data)
    prior_a, prior_b = group_priors(hypotheses, data.form)
    log_evidence = (special.betaln(prior_a + failures, prior_b + survivals) - special.betaln(prior_a, prior_b)).sum(
        axis=1
    )
    a, b = ANY[data.form]
    for row in np.flatnonzero(hypotheses.kinds == SHAPE_FREE):
        counts = levels[int(hypotheses.first[row])]
        log_evidence[row] = (special.betaln(a + counts.failures, b + counts.survivals) - special.betaln(a, b)).sum()
    weight = np.log(hypotheses.prior) + log_evidence
    log_ordering = np.zeros(len(hypotheses))
    if ordered:
        log_ordering = _log_ordering(hypotheses, data.form, failures, survivals, weight)
    weight = weight + log_ordering
    probability = np.exp(weight - weight.max())
    return Posterior(
        hypotheses,
        data.form,
        data.rounds,
        failures,
        survivals,
        levels,
        log_evidence,
        log_ordering,
        probability / probability.sum(),
    )


def group_priors(hypotheses: Hypotheses, form: ModelForm) -> tuple[Floats, Floats]:
    """Beta parameters before any coupon of the exposed and the unexposed group, each of shape (hypotheses, 2)."""
    a = np.empty((len(hypotheses), 2))
    b = np.empty((len(hypotheses), 2))
    a[:, 0], b[:, 0] = EXPOSED[form]
    a[:, 1], b[:, 1] = UNEXPOSED[form]
    a[hypotheses.kinds == NONE_ANY, 1], b[hypotheses.kinds == NONE_ANY, 1] = ANY[form]
    return a, b


def has_two_sides(hypotheses: Hypotheses) -> NDArray[np.bool_]:
    """Whether a hypothesis splits the coupons into exposed and unexposed ones."""
    kinds = hypotheses.kinds
    two: NDArray[np.bool_] = (kinds >= SINGLE) & (kinds != SHAPE_FREE)
    return two


def _group_counts(hypotheses: Hypotheses, data: Runs) -> tuple[Floats, Floats, tuple[LevelCounts, ...]]:
    """Failures and survivals of the exposed and unexposed groups, from the tables of one and of two factors."""
    columns = []
    per_level = []
    for weights in (data.failures, data.survivals):
        tables = [
            np.bincount(data.codes[:, number], weights=weights, minlength=len(suspect.levels)).astype(np.float64)
            for number, suspect in enumerate(hypotheses.suspects)
        ]
        per_level.append(tables)
        columns.append(_exposed_counts(hypotheses, data, weights, tables))
    two_sides = has_two_sides(hypotheses)
    has_none = (hypotheses.kinds == NONE_LOW) | (hypotheses.kinds == NONE_ANY)
    counts = []
    for exposed, weights in zip(columns, (data.failures, data.survivals), strict=True):
        rest = np.where(two_sides | has_none, weights.sum() - exposed, 0.0)
        counts.append(np.column_stack((exposed, rest)))
    levels = tuple(LevelCounts(failures, survivals) for failures, survivals in zip(*per_level, strict=True))
    return counts[0], counts[1], levels


def _exposed_counts(hypotheses: Hypotheses, data: Runs, weights: Floats, tables: list[Floats]) -> Floats:
    exposed = np.zeros(len(hypotheses))
    for number, table in enumerate(tables):
        rows = np.flatnonzero((hypotheses.kinds == SINGLE) & (hypotheses.first == number))
        sums = np.concatenate(([0.0], np.cumsum(table)))
        exposed[rows] = sums[hypotheses.high[rows, 0] + 1] - sums[hypotheses.low[rows, 0]]
    for block in hypotheses.pairs:
        first, second = len(block.first_levels), len(block.second_levels)
        # Levels that are not in pairs fall into a last row or column that is cut off.
        place_first = _places(len(tables[block.first]), block.first_levels)[data.codes[:, block.first]]
        place_second = _places(len(tables[block.second]), block.second_levels)[data.codes[:, block.second]]
        cells = np.bincount(
            place_first * (second + 1) + place_second, weights=weights, minlength=(first + 1) * (second + 1)
        ).reshape(first + 1, second + 1)[:-1, :-1]
        size = first * second
        exposed[block.both : block.both + size] = cells.ravel()
        union = tables[block.first][block.first_levels][:, None] + tables[block.second][block.second_levels] - cells
        exposed[block.either : block.either + size] = union.ravel()
    return exposed


def _places(levels: int, kept: Integers) -> Integers:
    places = np.full(levels, len(kept))
    places[kept] = np.arange(len(kept))
    return places


def _log_ordering(
    hypotheses: Hypotheses, form: ModelForm, failures: Floats, survivals: Floats, weight: Floats
) -> Floats:
    """Ordering factors, likeliest hypotheses first, until the rest is negligible (a factor is at most 1 / prior)."""
    rows = np.flatnonzero(has_two_sides(hypotheses))
    log_ordering = np.zeros(len(hypotheses))
    if not len(rows):
        return log_ordering
    (a, b), (c, d) = EXPOSED[form], UNEXPOSED[form]
    prior_chance = float(chance_above(*(np.array([value]) for value in (a, b, c, d)))[0])
    rows = rows[np.argsort(-weight[rows], kind="stable")]
    scale = weight.max()
    mass = np.exp(weight - scale)
    settled = float(mass.sum() - mass[rows].sum())
    rest = np.concatenate((np.cumsum(mass[rows][::-1])[::-1], [0.0]))
    step = 512
    for start in range(0, len(rows), step):
        if rest[start] < NEGLIGIBLE * settled:
            break
        part = rows[start : start + step]
        chances = chance_above(
            a + failures[part, 0], b + survivals[part, 0], c + failures[part, 1], d + survivals[part, 1]
        )
        log_ordering[part] = np.log(np.maximum(chances, 1e-300) / prior_chance)
        settled += float(np.exp(weight[part] - scale + log_ordering[part]).sum())
    return log_ordering
