"""Confidence intervals for one share of coupons."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from labbench.science.findings import Counts, Floats

# Closer to 0 or 1 the exact limits of few strengths leave what their numeric integration resolves.
LEAST_CONFIDENCE, MOST_CONFIDENCE = 0.01, 0.9999


@dataclass(frozen=True, slots=True)
class Interval:
    """Two-sided limits; None where a limit does not exist."""

    low: float | None
    high: float | None


def confidence_fault(confidence: float) -> str | None:
    """What is wrong with a coverage of intervals, in words that follow it; None for one that can be asked for."""
    if not 0 < confidence < 1:
        return "is not between 0 and 1"
    if not LEAST_CONFIDENCE <= confidence <= MOST_CONFIDENCE:
        return f"is not from {LEAST_CONFIDENCE} to {MOST_CONFIDENCE}: limits are not computed closer to 0 or 1"
    return None


def normal_quantile(confidence: float) -> float:
    """Two-sided standard normal quantile: 1.959963985 for 0.95."""
    return float(special.ndtri(0.5 + confidence / 2))


def clopper_pearson(failed: Counts, coupons: Counts, *, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Exact limits of binomial shares.

    Parameters
    ----------
    failed, coupons : ndarray of int, shape (levels,)
        0 <= failed <= coupons and coupons >= 1.
    confidence : float
        Two-sided coverage; (1 - confidence) / 2 in each tail, also at 0 and at all failed.

    Returns
    -------
    low, high : ndarray, shape (levels,)

    References
    ----------
    C. J. Clopper and E. S. Pearson, "The use of confidence or fiducial limits illustrated in the case of the binomial",
    Biometrika 26 (1934), 404-413.
    """
    x, n = checked_counts(failed, coupons)
    tail = (1 - confidence) / 2
    low = np.where(x > 0, special.betaincinv(np.maximum(x, 1), n - x + 1, tail), 0.0)
    high = np.where(x < n, special.betaincinv(x + 1, np.maximum(n - x, 1), 1 - tail), 1.0)
    return low, high


def wilson(failed: Counts, coupons: Counts, *, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Score limits of binomial shares, without continuity correction; input and output as `clopper_pearson`.

    References
    ----------
    E. B. Wilson, "Probable inference, the law of succession, and statistical inference", J. Am. Stat. Assoc. 22 (1927),
    209-212.
    """
    x, n = checked_counts(failed, coupons)
    z = normal_quantile(confidence)
    share = x / n
    centre = (x + z * z / 2) / (n + z * z)
    half = z / (n + z * z) * np.sqrt(n * share * (1 - share) + z * z / 4)
    # At 0 and at all failed the limit is 0 or 1 in exact arithmetic.
    low = np.where(x == 0, 0.0, centre - half)
    high = np.where(x == n, 1.0, centre + half)
    return low, high


def checked_counts(failed: Counts, coupons: Counts) -> tuple[Floats, Floats]:
    """The counts as floats; ValueError where they contradict each other."""
    x, n = np.atleast_1d(np.asarray(failed, dtype=float)), np.atleast_1d(np.asarray(coupons, dtype=float))
    for failed_here, coupons_here in zip(x, n, strict=True):
        if coupons_here < 1 or not 0 <= failed_here <= coupons_here:
            raise ValueError(f"{failed_here:g} failed of {coupons_here:g} coupons is not possible")
    return x, n
