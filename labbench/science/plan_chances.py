"""The chance that a plan isolates the cause, by playing studies with a known one.

Study n of a kind of cause draws from ``default_rng([seed, kind, n])``, so that every plan meets the same causes. All plans
are judged alike, by the probability of the causes (`evidence`, `confirmation`): isolated from 0.95 on.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from labbench.science.candidates import Impossible, candidates
from labbench.science.confirmation import ISOLATED, cause_of
from labbench.science.evidence import Runs, posterior
from labbench.science.findings import Floats
from labbench.science.hypotheses import NONE_ANY, Hypotheses, Integers, Suspect, hypotheses, is_graded
from labbench.science.load_limits import LoadLimits, load_limits
from labbench.science.next_load import groups, informative_load

CauseKind = Literal["single", "both", "either", "graded"]
CAUSE_KINDS: tuple[CauseKind, ...] = ("single", "both", "either", "graded")
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class SimulatedShare:
    """A share of simulated studies with its standard error."""

    share: float
    standard_error: float


@dataclass(frozen=True, slots=True)
class PlanChance:
    """How studies with a known cause ended under a plan; simulated.

    Attributes
    ----------
    cause : {"single", "both", "either", "graded"}
        The baseline's level of one factor; its levels of two factors, both needed or one enough; a numeric factor of
        which the baseline has too much or too little, the failures falling from level to level.
    studies : int
    found : SimulatedShare
        The cause was isolated, and it was the right one.
    wrong : SimulatedShare
        Something else was isolated.
    mean_coupons, mean_loads : float
        Run until the cause was isolated or the plan was at its end.
    """

    cause: CauseKind
    studies: int
    found: SimulatedShare
    wrong: SimulatedShare
    mean_coupons: float
    mean_loads: float


@dataclass(frozen=True, slots=True)
class Assumed:
    """What a lab assumes: shares that fail with and without the cause, and the repair that failed."""

    baseline: Integers
    failing: float
    holding: float


def fixed_plan_chance(
    suspects: tuple[Suspect, ...],
    codes: Integers,
    loads: Integers,
    *,
    assumed: Assumed,
    cause: CauseKind,
    studies: int,
    seed: int,
    progress: Progress | None = None,
) -> PlanChance | None:
    """The chance of combinations fixed in advance, all of them run.

    Parameters
    ----------
    suspects : tuple of Suspect
    codes : ndarray of int, shape (coupons, factors)
    loads : ndarray of int, shape (coupons,)
        The load of each coupon.
    assumed : Assumed
    cause : {"single", "both", "either", "graded"}
    studies : int
    seed : int
    progress : callable, optional
        Called as ``progress(done, total)`` after each study; what it raises is passed on.

    Returns
    -------
    PlanChance or None
        None where the factors do not allow such a cause.
    """
    if not is_thinkable(suspects, cause):
        return None
    space = hypotheses(suspects)
    ended = []
    for number in range(studies):
        truth, rng = drawn_truth(suspects, cause, assumed, number, seed)
        failed = rng.random(len(codes)) < truth.failing(codes)
        accused, is_isolated = _judged(space, _runs(codes, failed, loads))
        ended.append((is_isolated, accused == truth.guilty, len(codes), len(np.unique(loads))))
        if progress is not None:
            progress(number + 1, studies)
    return _summed(cause, ended)


def sequential_plan_chance(
    suspects: tuple[Suspect, ...],
    *,
    places: int,
    most_loads: int,
    impossible: Impossible,
    assumed: Assumed,
    cause: CauseKind,
    studies: int,
    seed: int,
    limits: LoadLimits | None = None,
    progress: Progress | None = None,
) -> PlanChance | None:
    """The chance of loads chosen one after the other by expected information, until a cause is isolated.

    `places` are coupons of a load, `most_loads` the loads after which the study ends in any case. It also ends once
    `limits` (stock, levels that one load can have) leave no coupon that could be run. The rest as `fixed_plan_chance`.
    """
    if not is_thinkable(suspects, cause):
        return None
    space = hypotheses(suspects)
    nothing = np.empty((0, len(suspects)), dtype=np.int64)
    first = next_codes(space, nothing, None, places, impossible, seed, limits=limits)
    if not len(first):
        return None
    ended = []
    for number in range(studies):
        truth, rng = drawn_truth(suspects, cause, assumed, number, seed)
        codes, failed, loads = nothing, np.empty(0, dtype=np.bool_), np.empty(0, dtype=np.int64)
        accused: tuple[int, ...] = ()
        is_isolated, ran = False, 0
        while ran < most_loads and not is_isolated:
            new = first if not ran else next_codes(space, codes, failed, places, impossible, seed, limits=limits)
            if not len(new):
                break
            ran += 1
            codes = np.concatenate((codes, new))
            failed = np.concatenate((failed, rng.random(len(new)) < truth.failing(new)))
            loads = np.concatenate((loads, np.full(len(new), ran)))
            accused, is_isolated = _judged(space, _runs(codes, failed, loads))
        ended.append((is_isolated, accused == truth.guilty, len(codes), ran))
        if progress is not None:
            progress(number + 1, studies)
    return _summed(cause, ended)


def next_codes(
    space: Hypotheses,
    codes: Integers,
    failed: NDArray[np.bool_] | None,
    places: int,
    impossible: Impossible,
    seed: int,
    *,
    limits: LoadLimits | None = None,
) -> Integers:
    """The load that is expected to tell most after these coupons, shape (coupons, factors).

    `limits` are those before any of `codes` ran. At most `places` coupons, fewer where the limits allow no more, none
    where none can be made.
    """
    rng = np.random.default_rng(seed)
    outcomes = np.empty(0, dtype=np.bool_) if failed is None else failed
    found = posterior(space, _runs(codes, outcomes, np.zeros(len(codes), dtype=np.int64)))
    now = (limits or load_limits(space.suspects, None)).after(codes)
    pool = candidates(space.suspects, codes, np.concatenate((impossible, now.used_up())), rng=rng)
    if not len(pool):
        return pool
    have = tuple(
        np.bincount(codes[:, f], minlength=len(suspect.levels)).astype(np.int64)
        for f, suspect in enumerate(space.suspects)
    )
    load = informative_load(groups(found, pool), pool, places, rng=rng, level_coupons=have, limits=now)
    return np.asarray(pool[np.array(load.picks, dtype=np.int64)])


def is_thinkable(suspects: tuple[Suspect, ...], cause: CauseKind) -> bool:
    """Whether there are the factors that such a cause takes: one or two with two levels, a numeric one with three."""
    if cause == "graded":
        return any(is_graded(suspect) for suspect in suspects)
    return sum(len(suspect.levels) > 1 for suspect in suspects) >= (1 if cause == "single" else 2)


@dataclass(frozen=True, slots=True)
class PlayedTruth:
    """The guilty factors, and the failing share for each combination of their levels (an axis a factor)."""

    guilty: tuple[int, ...]
    shares: Floats

    def failing(self, codes: Integers) -> Floats:
        return np.asarray(self.shares[tuple(codes[:, factor] for factor in self.guilty)])


def drawn_truth(
    suspects: tuple[Suspect, ...], cause: CauseKind, assumed: Assumed, number: int, seed: int
) -> tuple[PlayedTruth, np.random.Generator]:
    """The cause of a study, and its random numbers."""
    rng = np.random.default_rng([seed, CAUSE_KINDS.index(cause), number])
    if cause == "graded":
        factor = int(rng.choice([f for f, suspect in enumerate(suspects) if is_graded(suspect)]))
        return PlayedTruth(
            (factor,), _falling(len(suspects[factor].levels), int(assumed.baseline[factor]), assumed)
        ), rng
    varied = [factor for factor, suspect in enumerate(suspects) if len(suspect.levels) > 1]
    drawn = rng.choice(varied, 1 if cause == "single" else 2, replace=False)
    guilty = tuple(sorted(int(factor) for factor in drawn))
    has = np.meshgrid(*(np.arange(len(suspects[f].levels)) == assumed.baseline[f] for f in guilty), indexing="ij")
    exposed = np.any(has, axis=0) if cause == "either" else np.all(has, axis=0)
    return PlayedTruth(guilty, np.where(exposed, assumed.failing, assumed.holding)), rng


def _falling(levels: int, baseline: int, assumed: Assumed) -> Floats:
    """Failing shares that fall in equal steps from the baseline's level to the end that lies farther from it."""
    end = levels - 1 if baseline <= (levels - 1) / 2 else 0
    way = np.clip((np.arange(levels) - baseline) / (end - baseline), 0.0, 1.0)
    return np.asarray(assumed.failing + way * (assumed.holding - assumed.failing))


def _runs(codes: Integers, failed: NDArray[np.bool_], loads: Integers) -> Runs:
    blocks = np.array([f"load {number}" for number in loads], dtype=object)
    return Runs(codes, failed.astype(float), (~failed).astype(float), failed, blocks, "binary", 3)


def _judged(space: Hypotheses, data: Runs) -> tuple[tuple[int, ...], bool]:
    """The factors of the likeliest cause, and whether it is isolated."""
    found = posterior(space, data)
    row, probability = cause_of(found)
    if space.kinds[row] <= NONE_ANY:
        return (), probability >= ISOLATED
    accused = tuple(sorted(int(factor[row]) for factor in (space.first, space.second) if factor[row] >= 0))
    return accused, probability >= ISOLATED


def _summed(cause: CauseKind, ended: list[tuple[bool, bool, int, int]]) -> PlanChance:
    is_isolated, is_right, coupons, loads = (np.array(column) for column in zip(*ended, strict=True))
    return PlanChance(
        cause,
        len(ended),
        _share(is_isolated & is_right),
        _share(is_isolated & ~is_right),
        float(coupons.mean()),
        float(loads.mean()),
    )


def _share(flags: NDArray[np.bool_]) -> SimulatedShare:
    """The share, with a standard error that is not 0 where all or none of the studies ended so.

    The error is that of (k + 1) / (n + 2), the mean of the Beta distribution after k of n from a flat prior.
    """
    count, n = int(flags.sum()), len(flags)
    near = (count + 1) / (n + 2)
    return SimulatedShare(count / n, float(np.sqrt(near * (1 - near) / n)))
