"""Strength of the coupons that were broken, and its share of new glass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from labbench.science.findings import Floats
from labbench.science.intervals import Interval
from labbench.science.weibull import WeibullFit, weibull_fit
from labbench.science.weibull_limits import (
    LARGEST_EXACT,
    Pattern,
    PercentileBound,
    WeibullLimits,
    percentile_bound,
    times_exp,
    unbiasing_factor,
    weibull_limits,
)

# No solid is as strong; a larger number is a slip of the pen, and its square would leave the range of a float.
LARGEST_STRENGTH_MPA = 1e9
# So is one that is above zero but below what any balance could tell from it.
SMALLEST_STRENGTH_MPA = 1e-6
RATIO_METHOD = "ratio of means, limits from its logarithm (delta method, t with Welch-Satterthwaite degrees of freedom)"


@dataclass(frozen=True, slots=True)
class StrengthRatio:
    """Mean strength over mean strength of new glass, as a fraction of one; numbers None with a `reason`."""

    ratio: float | None
    interval: Interval
    pristine: int
    method: str = RATIO_METHOD
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class StrengthSummary:
    """Describes the broken coupons of one level; coupons that cracked out before are not in it.

    `censored` of the `n` stresses are lower bounds; mean, median and ratio take them as they stand, the Weibull fit as
    censored.
    """

    n: int
    censored: int
    mean_mpa: float
    sd_mpa: float | None
    median_mpa: float
    weibull: WeibullFit
    weibull_limits: WeibullLimits
    unbiasing_factor: float | None
    b10: PercentileBound | None
    b1: PercentileBound | None
    percent_of_pristine: StrengthRatio | None


def is_broken(strength_mpa: Floats) -> NDArray[np.bool_]:
    """Which coupons have a usable strength."""
    size = np.abs(strength_mpa)
    is_plausible = (size <= LARGEST_STRENGTH_MPA) & ((size >= SMALLEST_STRENGTH_MPA) | (size == 0))
    return np.asarray(np.isfinite(strength_mpa) & is_plausible)


def strength_summary(
    strength_mpa: Floats,
    pristine_mpa: Floats,
    *,
    is_censored: NDArray[np.bool_] | None = None,
    confidence: float = 0.95,
) -> StrengthSummary | None:
    """Summary of usable strengths; None without any. `percent_of_pristine` is None without broken pristine controls.

    `is_censored` tells whose stress is a lower bound: fractured away from the repair, or not at all.
    """
    broken = is_broken(strength_mpa)
    x, new = strength_mpa[broken], pristine_mpa[is_broken(pristine_mpa)]
    if not len(x):
        return None
    ratio = strength_ratio(x, new, confidence=confidence) if len(new) else None
    sd = float(x.std(ddof=1)) if len(x) > 1 else None
    censored = np.zeros(len(x), dtype=bool) if is_censored is None else is_censored[broken]
    is_complete = not censored.any()
    fit = weibull_fit(x, is_censored=censored)
    has_pattern = fit.modulus is not None and len(x) <= LARGEST_EXACT
    pattern = Pattern.of(x, fit, is_censored=censored) if has_pattern else None
    return StrengthSummary(
        n=len(x),
        censored=int(censored.sum()),
        mean_mpa=float(x.mean()),
        sd_mpa=sd,
        median_mpa=float(np.median(x)),
        weibull=fit,
        weibull_limits=weibull_limits(x, fit, is_censored=censored, confidence=confidence, pattern=pattern),
        unbiasing_factor=unbiasing_factor(len(x)) if fit.modulus is not None and is_complete else None,
        b10=percentile_bound(x, fit, 0.90, is_censored=censored, confidence=confidence, pattern=pattern),
        b1=percentile_bound(x, fit, 0.99, is_censored=censored, confidence=confidence, pattern=pattern),
        percent_of_pristine=ratio,
    )


def strength_ratio(strength_mpa: Floats, pristine_mpa: Floats, *, confidence: float = 0.95) -> StrengthRatio:
    """Ratio of mean strengths; var log(x̄/ȳ) = s_x²/(n_x x̄²) + s_y²/(n_y ȳ²).

    Source of the parts: delta method, and F. E. Satterthwaite, Biometrics Bulletin 2 (1946), 110-114; the combination
    is *common practice, no source*.
    """
    x, y = strength_mpa, pristine_mpa
    nothing, n = Interval(None, None), len(pristine_mpa)
    if y.mean() <= 0 or x.mean() < 0:
        return StrengthRatio(None, nothing, n, reason="a mean strength is not above zero")
    ratio = float(x.mean() / y.mean())
    if len(x) < 2 or len(y) < 2:
        return StrengthRatio(ratio, nothing, n, reason="limits need at least two broken coupons in each group")
    if ratio == 0:
        return StrengthRatio(ratio, nothing, n, reason="the mean strength is zero")
    parts = np.array([x.var(ddof=1) / len(x) / x.mean() ** 2, y.var(ddof=1) / len(y) / y.mean() ** 2])
    if parts.sum() == 0:
        return StrengthRatio(ratio, nothing, n, reason="the strengths do not vary")
    df = parts.sum() ** 2 / (parts**2 / np.array([len(x) - 1, len(y) - 1])).sum()
    half = float(special.stdtrit(df, 0.5 + confidence / 2)) * float(np.sqrt(parts.sum()))
    interval = Interval(times_exp(ratio, -half), times_exp(ratio, half))
    beyond = "a limit is beyond what a float can hold" if None in (interval.low, interval.high) else None
    return StrengthRatio(ratio, interval, n, reason=beyond)
