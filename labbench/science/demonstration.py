"""Coupons that demonstrate a reliability: so many tested, at most so many failed."""

from __future__ import annotations

import numpy as np
from scipy import special

LARGEST_SAMPLE = 100_000_000


def demonstration_coupons(reliability: float, confidence: float, *, failures: int = 0) -> int:
    """Smallest n such that at most `failures` failed of n shows the reliability with the confidence.

    n is the smallest with P(X <= failures | n, 1 - reliability) <= 1 - confidence; without failures it is the success
    run, log(1 - confidence) / log(reliability), rounded up.

    Raises
    ------
    ValueError
        If reliability or confidence is not between 0 and 1, failures is negative, or n is beyond any laboratory.

    References
    ----------
    W. Q. Meeker, G. J. Hahn and L. A. Escobar, Statistical Intervals, 2nd ed. (Wiley, 2017), ch. 9.
    """
    if not 0 < reliability < 1:
        raise ValueError(f"reliability {reliability:g} is not between 0 and 1")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence {confidence:g} is not between 0 and 1")
    if failures < 0:
        raise ValueError(f"{failures} failures are not possible")
    low, high = failures, failures + 1
    while _shown_confidence(high, failures, reliability) < confidence:
        low, high = high, high * 2
        if high > LARGEST_SAMPLE:
            raise ValueError(f"reliability {reliability} is too near 1 to be demonstrated by testing coupons")
    while high - low > 1:
        middle = (low + high) // 2
        if _shown_confidence(middle, failures, reliability) < confidence:
            low = middle
        else:
            high = middle
    return high


def demonstrated_reliability(coupons: int, confidence: float, *, failures: int = 0) -> float:
    """One-sided lower (Clopper-Pearson) bound of the reliability that such a test has shown."""
    if not 0 <= failures <= coupons or coupons < 1:
        raise ValueError(f"{failures} failed of {coupons} coupons is not possible")
    return 0.0 if failures == coupons else float(special.betaincinv(coupons - failures, failures + 1, 1 - confidence))


def _shown_confidence(coupons: int, failures: int, reliability: float) -> float:
    """1 - P(X <= failures): with a slack of a few units in the last place, so that exact cases are not lost."""
    return float(1 - special.bdtr(failures, coupons, 1 - reliability) + 4 * np.finfo(float).eps)
