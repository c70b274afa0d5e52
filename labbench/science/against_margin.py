"""What a level shows against margins set beforehand: no relevant difference, not worse than a reference, a reliability.

Failure shares differ by the margin as it stands; strengths by theirs as a share, tested on their logarithms, so that a
margin of 0.15 means a ratio of geometric means between 0.85 and 1 / 0.85.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from labbench.science.demonstration import demonstrated_reliability, demonstration_coupons
from labbench.science.equivalence import EquivalenceFinding, equivalent_means, equivalent_shares
from labbench.science.findings import Floats
from labbench.science.intervals import Interval
from labbench.science.strength import is_broken

Measure = Literal["failure share", "strength"]
Opponent = Literal["other levels", "reference repairs"]
STRENGTH_METHOD = "two one-sided Welch t tests on the logarithm of strength (ratio of geometric means)"
SHARE_METHOD = "two one-sided score tests against the margin (Miettinen-Nurminen variance)"
DEMONSTRATION_METHOD = "one-sided Clopper-Pearson bound of the share that holds (success run where none failed)"


@dataclass(frozen=True, slots=True)
class MarginComparison:
    """A level against the other levels, or against the reference repairs.

    `estimate` and `interval` (confidence 1 - 2 alpha) are a difference of failure shares, or a ratio of strengths.
    `equivalence_p_value` is small where the two differ by less than the margin, `non_inferiority_p_value` where the level
    is not worse by the margin or more. Numbers None with a `reason`.
    """

    measure: Measure
    against: Opponent
    n_used: int
    n_against: int
    estimate: float | None
    interval: Interval
    margin: float
    alpha: float
    equivalence_p_value: float | None
    non_inferiority_p_value: float | None
    method: str
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Demonstration:
    """The reliability a level has shown: at least so large a share holds all planned rounds, at one-sided confidence.

    Coupons that held so far but have rounds to go count for neither side: `unfinished`. `coupons_needed` is for the
    `wanted` reliability with as many failures as were seen.
    """

    coupons: int
    failed: int
    unfinished: int
    reliability: float | None
    confidence: float
    wanted: float
    coupons_needed: int | None
    reason: str | None = None


def shares_against(
    failed: tuple[int, int], coupons: tuple[int, int], against: Opponent, *, margin: float, alpha: float
) -> MarginComparison:
    """Failure share of the first group minus that of the second; fewer failures are better."""
    found = equivalent_shares(failed[0], coupons[0], failed[1], coupons[1], margin=margin, alpha=alpha)
    return MarginComparison(
        measure="failure share",
        against=against,
        n_used=coupons[0],
        n_against=coupons[1],
        estimate=found.difference,
        interval=found.interval,
        margin=margin,
        alpha=alpha,
        equivalence_p_value=found.p_value,
        non_inferiority_p_value=found.below.p_value,
        method=SHARE_METHOD,
        reason=found.reason,
    )


def strengths_against(
    strength_mpa: Floats, other_mpa: Floats, against: Opponent, *, margin: float, alpha: float
) -> MarginComparison:
    """Ratio of the geometric mean strengths of the coupons that were broken; more is better."""
    x, y = strength_mpa[is_broken(strength_mpa)], other_mpa[is_broken(other_mpa)]
    if (x <= 0).any() or (y <= 0).any():
        return _no_ratio(len(x), len(y), against, margin, alpha, "a strength is not above zero")
    found = equivalent_means(np.log(x), np.log(y), margin=-float(np.log1p(-margin)), alpha=alpha)
    if found.p_value is None:
        return _no_ratio(len(x), len(y), against, margin, alpha, found.reason or "", found.difference)
    return MarginComparison(
        measure="strength",
        against=against,
        n_used=len(x),
        n_against=len(y),
        estimate=_exp(found.difference),
        interval=_ratio_limits(found),
        margin=margin,
        alpha=alpha,
        equivalence_p_value=found.p_value,
        non_inferiority_p_value=found.above.p_value,
        method=STRENGTH_METHOD,
    )


def demonstration(
    is_failed: NDArray[np.bool_], is_finished: NDArray[np.bool_], *, wanted: float, confidence: float
) -> Demonstration:
    """What the coupons of a level demonstrate; `is_finished` tells which went through all their rounds."""
    failed = int(is_failed.sum())
    unfinished = int((~is_failed & ~is_finished).sum())
    coupons = len(is_failed) - unfinished
    try:
        needed = demonstration_coupons(wanted, confidence, failures=failed)
    except ValueError:
        needed = None
    if not coupons:
        reason = "no coupon failed or went through all its rounds"
        return Demonstration(0, 0, unfinished, None, confidence, wanted, needed, reason)
    reliability = demonstrated_reliability(coupons, confidence, failures=failed)
    return Demonstration(coupons, failed, unfinished, reliability, confidence, wanted, needed)


def _no_ratio(
    n: int, other: int, against: Opponent, margin: float, alpha: float, reason: str, difference: float | None = None
) -> MarginComparison:
    ratio, nothing = _exp(difference), Interval(None, None)
    return MarginComparison(
        "strength", against, n, other, ratio, nothing, margin, alpha, None, None, STRENGTH_METHOD, reason
    )


def _ratio_limits(found: EquivalenceFinding) -> Interval:
    return Interval(_exp(found.interval.low), _exp(found.interval.high))


def _exp(value: float | None) -> float | None:
    """None beyond what a float can hold."""
    return None if value is None or abs(value) > 700 else float(np.exp(value))
