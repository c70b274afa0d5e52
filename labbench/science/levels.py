"""What one level of a factor shows by itself: failures, survival over the rounds, strength."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from labbench.science.against_margin import (
    Demonstration,
    MarginComparison,
    demonstration,
    shares_against,
    strengths_against,
)
from labbench.science.findings import Floats
from labbench.science.intervals import Interval, clopper_pearson, wilson
from labbench.science.proportions import score_difference, score_statistic
from labbench.science.restricted_mean import RestrictedMean, restricted_mean_of
from labbench.science.sheet import CouponSheet, FactorColumn, Level
from labbench.science.strength import StrengthSummary, is_broken, strength_summary
from labbench.science.survival import SurvivalStep, risk_table, survival_steps
from labbench.science.turnbull import TurnbullEstimate, turnbull

DIFFERENCE_METHOD = "difference of shares, Miettinen-Nurminen score limits"
# Beyond as many rounds only those in which something happened are listed.
ROUNDS_LISTED = 500


@dataclass(frozen=True, slots=True)
class DifferenceToRest:
    """Failure share of a level minus that of all other levels together.

    `equivalence_p_value` is the larger p-value of the two one-sided score tests against -margin and +margin: small where
    the level makes no relevant difference.
    """

    difference: float
    interval: Interval
    margin: float
    equivalence_p_value: float
    method: str = DIFFERENCE_METHOD


@dataclass(frozen=True, slots=True)
class LevelEvaluation:
    """One level; shares are fractions of one."""

    level: Level
    coupons: int
    failed: int
    failure_share: float
    clopper_pearson: Interval
    wilson: Interval
    difference_to_rest: DifferenceToRest | None
    survival: tuple[SurvivalStep, ...]
    restricted_mean: RestrictedMean
    turnbull: TurnbullEstimate | None
    strength: StrengthSummary | None
    against_margin: tuple[MarginComparison, ...]
    demonstration: Demonstration


def evaluate_levels(
    sheet: CouponSheet,
    factor: FactorColumn,
    used: NDArray[np.bool_],
    *,
    confidence: float,
    margins: tuple[float, float],
) -> tuple[LevelEvaluation, ...]:
    """The levels that have a coupon among the used ones, in the factor's order; margins of failure share and of strength."""
    margin = margins[0]
    codes, is_failed = factor.codes[used], sheet.is_failed[used]
    last_seen = event_rounds(sheet)[used]
    all_coupons = np.bincount(codes, minlength=len(factor.levels))
    present = np.flatnonzero(all_coupons)
    if not len(present):
        return ()
    coupons = all_coupons[present]
    failed = np.bincount(codes[is_failed], minlength=len(factor.levels))[present]
    exact = clopper_pearson(failed, coupons, confidence=confidence)
    score = wilson(failed, coupons, confidence=confidence)
    differences = differences_to_rest(failed, coupons, confidence=confidence, margin=margin)
    table = risk_table(last_seen, is_failed, codes, len(factor.levels))
    pristine = sheet.strength_mpa[sheet.roles == "pristine"]
    strength, held = sheet.strength_mpa[used], sheet.rounds_survived[used]
    is_bound = sheet.is_strength_censored[used]
    is_finished = held >= sheet.rounds_planned[used]
    rows = np.split(np.argsort(codes, kind="stable"), np.cumsum(all_coupons)[:-1])
    return tuple(
        LevelEvaluation(
            level=factor.levels[code],
            coupons=int(coupons[i]),
            failed=int(failed[i]),
            failure_share=float(failed[i] / coupons[i]),
            clopper_pearson=Interval(float(exact[0][i]), float(exact[1][i])),
            wilson=Interval(float(score[0][i]), float(score[1][i])),
            difference_to_rest=differences[i],
            survival=survival_steps(table, int(code), at=_rounds(last_seen[rows[code]]), confidence=confidence),
            restricted_mean=restricted_mean_of(table, int(code), up_to=float(sheet.rounds), confidence=confidence),
            turnbull=_turnbull(held[rows[code]], last_seen[rows[code]], is_failed[rows[code]]),
            strength=strength_summary(
                strength[rows[code]], pristine, is_censored=is_bound[rows[code]], confidence=confidence
            ),
            against_margin=_against_margin(sheet, used, codes == code, margins=margins, alpha=1 - confidence),
            demonstration=demonstration(
                is_failed[rows[code]], is_finished[rows[code]], wanted=1 - margin, confidence=confidence
            ),
        )
        for i, code in enumerate(present)
    )


def event_rounds(sheet: CouponSheet) -> Floats:
    """Round of crack-out, or the last round after which the coupon was seen to hold."""
    return np.where(sheet.is_failed, sheet.failed_round, sheet.rounds_survived).astype(float)


def differences_to_rest(
    failed: NDArray[np.int64], coupons: NDArray[np.int64], *, confidence: float, margin: float
) -> tuple[DifferenceToRest | None, ...]:
    """Each level against all others together; None where there are no others."""
    x, n = failed.astype(float), coupons.astype(float)
    rest_x, rest_n = x.sum() - x, n.sum() - n
    if len(n) < 2:
        return (None,) * len(n)
    low, high = score_difference(x, n, rest_x, rest_n, confidence=confidence)
    gaps = x / n - rest_x / rest_n
    above = special.ndtr(-score_statistic(x, n, rest_x, rest_n, np.full_like(x, -margin)))
    below = special.ndtr(score_statistic(x, n, rest_x, rest_n, np.full_like(x, margin)))
    return tuple(
        DifferenceToRest(float(gap), Interval(float(a), float(b)), margin, float(p_value))
        for gap, a, b, p_value in zip(gaps, low, high, np.maximum(above, below), strict=True)
    )


def _against_margin(
    sheet: CouponSheet, used: NDArray[np.bool_], here: NDArray[np.bool_], *, margins: tuple[float, float], alpha: float
) -> tuple[MarginComparison, ...]:
    """Strength against that of the other levels, then failures and strength against the reference repairs, where any.

    Empty where the confidence is 50 % or less: two one-sided tests have no interval then.
    """
    found: list[MarginComparison] = []
    margin, of_strength = margins
    if alpha >= 0.5:
        return ()
    strength, reference = sheet.strength_mpa[used], sheet.roles == "reference"
    own, other = strength[here], strength[~here]
    if is_broken(own).any() and is_broken(other).any():
        found.append(strengths_against(own, other, "other levels", margin=of_strength, alpha=alpha))
    if not reference.any():
        return tuple(found)
    failed = (int(sheet.is_failed[used][here].sum()), int((sheet.is_failed & reference).sum()))
    coupons = (int(here.sum()), int(reference.sum()))
    found.append(shares_against(failed, coupons, "reference repairs", margin=margin, alpha=alpha))
    known = sheet.strength_mpa[reference]
    if is_broken(own).any() and is_broken(known).any():
        found.append(strengths_against(own, known, "reference repairs", margin=of_strength, alpha=alpha))
    return tuple(found)


def _rounds(last_seen: Floats) -> Floats:
    """Every round up to the last one seen, or the distinct ones where there are very many."""
    last = int(last_seen.max())
    if last <= ROUNDS_LISTED:
        return np.arange(1, last + 1, dtype=float)
    distinct = np.unique(last_seen)
    return distinct[distinct > 0]


def _turnbull(held: NDArray[np.int64], last_seen: Floats, is_failed: NDArray[np.bool_]) -> TurnbullEstimate | None:
    """Turnbull's estimate where a crack-out happened between looks more than one round apart, else None."""
    if not (is_failed & (last_seen - held > 1)).any():
        return None
    return turnbull(held.astype(float), np.where(is_failed, last_seen, np.inf))
