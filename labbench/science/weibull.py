"""Two-parameter Weibull strength by maximum likelihood, with right-censored values.

F(x) = 1 - exp(-(x / s)^m); m is the Weibull modulus, s the characteristic strength (63.2 % fail below it).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from labbench.science.findings import Floats


@dataclass(frozen=True, slots=True)
class WeibullFit:
    """Maximum-likelihood estimates; both None with a `reason` where they do not exist."""

    modulus: float | None
    characteristic_strength: float | None
    n: int
    broken: int
    log_likelihood: float | None = None
    # Observed information inverted, order (log characteristic strength, log modulus).
    covariance: tuple[tuple[float, float], tuple[float, float]] | None = None
    reason: str | None = None


def weibull_fit(values: Floats, *, is_censored: NDArray[np.bool_] | None = None) -> WeibullFit:
    """Fit values (MPa, or any positive quantity); censored ones did not break (for this reason) up to their value.

    The modulus solves sum x^m log x / sum x^m - 1/m = mean of log x over the broken, found to rounding; the scale
    follows.

    References
    ----------
    J. F. Lawless, Statistical Models and Methods for Lifetime Data, 2nd ed. (Wiley, 2003), sec. 5.2. ASTM C1239 and ISO
    20501 use the same estimates for ceramics.
    """
    x = np.asarray(values, dtype=float)
    broken = np.ones(len(x), dtype=bool) if is_censored is None else ~is_censored
    count = int(broken.sum())

    def none(reason: str) -> WeibullFit:
        return WeibullFit(None, None, len(x), count, reason=reason)

    if not np.isfinite(x).all() or (x <= 0).any():
        return none("a strength is not a number above zero")
    if x.min(initial=np.inf) < 1e-12 * x.max(initial=0.0):
        return none("the strengths span more than twelve orders of magnitude")
    if count < 2:
        return none(
            "fewer than two broken coupons" if broken.all() else "fewer than two stresses that are not lower bounds"
        )
    if np.ptp(np.log(x[broken])) == 0 and x.max() <= x[broken].max():
        return none("all strengths are equal")
    # Scaled by the largest value: powers up to the modulus stay below one.
    log_x = np.log(x / x.max())
    mean_log = float(log_x[broken].mean())

    def slope(m: float) -> float:
        weight = np.exp(m * log_x)
        return float((weight * log_x).sum() / weight.sum() - 1 / m - mean_log)

    low = high = 1.2 / max(float(np.std(log_x)), 1e-12)
    while slope(low) > 0:
        low /= 2
    while slope(high) < 0 and high < 1e15:
        high *= 2
    if slope(high) < 0:
        return none("the strengths are too alike for a Weibull modulus")
    m = float(optimize.brentq(slope, low, high, xtol=1e-300, rtol=8.9e-16, maxiter=200))
    weight = np.exp(m * log_x)
    log_scale = float(np.log(weight.sum() / count)) / m
    z = m * (log_x - log_scale)
    log_likelihood = float((np.log(m) + z[broken] - np.log(x[broken])).sum() - np.exp(z).sum())
    # Information in (log s, log m): second derivatives of the log likelihood, with sum e^z = broken at the maximum.
    e = np.exp(z)
    ss, sm = m * m * float(e.sum()), -m * float((z * e).sum() + e.sum() - count)
    mm = float((z * z * e + z * e).sum() - z[broken].sum())
    inverse = np.linalg.inv(np.array([[ss, sm], [sm, mm]]))
    covariance = ((float(inverse[0, 0]), float(inverse[0, 1])), (float(inverse[1, 0]), float(inverse[1, 1])))
    return WeibullFit(m, float(x.max() * np.exp(log_scale)), len(x), count, log_likelihood, covariance)
