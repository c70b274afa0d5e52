"""Limits for the Weibull modulus, characteristic strength and low percentiles, and the modulus' unbiasing factor."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import interpolate, optimize, special

from labbench.science.findings import Floats
from labbench.science.intervals import Interval, normal_quantile
from labbench.science.weibull import WeibullFit

# 1 / E[m / true m] for n complete strengths: simulated with 0.5 to 2 million samples each (standard error at most 0.0003).
# The three-digit factors that ASTM C1239 and ISO 20501 took over from Thoman, Bain and Antle, Technometrics 11 (1969),
# 445-460, are (as recalled) 0.002 to 0.004 larger for n = 8 to 20.
UNBIASING_FACTORS = {
    5: 0.69337,
    8: 0.81613,
    10: 0.85487,
    12: 0.88000,
    15: 0.90488,
    20: 0.92957,
    25: 0.94375,
    30: 0.95358,
    40: 0.96518,
    50: 0.97249,
}
# With more strengths the asymptotic limits agree with the exact and profile ones to about a part in a thousand.
LARGEST_EXACT = 500
CONDITIONAL = "conditional on the ancillaries (exact)"
CONDITIONAL_CENSORED = "conditional on the ancillaries (exact where just the weakest broke, else near it)"
# e^x of more leaves the range of a float; a likelihood there is as good as zero.
LARGEST_POWER = 700.0


@dataclass(frozen=True, slots=True)
class WeibullLimits:
    """Limits by `method`; None with a `reason` where there is no fit."""

    modulus: Interval
    characteristic_strength: Interval
    method: str = "profile likelihood"
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class PercentileBound:
    """Strength that a share of the population exceeds: estimate and one-sided lower bound."""

    share_above: float
    estimate: float
    lower_bound: float
    method: str


def unbiasing_factor(n: int) -> float | None:
    """Factor that removes the bias of the ML modulus of n complete strengths; None below the table.

    Linear in 1 / n between the tabled sizes, and towards 1 beyond them.
    """
    sizes = np.array(sorted(UNBIASING_FACTORS))
    if n < sizes[0]:
        return None
    x = np.concatenate([[0.0], 1 / sizes[::-1]])
    y = np.concatenate([[1.0], [UNBIASING_FACTORS[int(size)] for size in sizes[::-1]]])
    return float(np.interp(1 / n, x, y))


def weibull_limits(
    values: Floats,
    fit: WeibullFit,
    *,
    is_censored: NDArray[np.bool_] | None = None,
    confidence: float = 0.95,
    pattern: Pattern | None = None,
) -> WeibullLimits:
    """Limits of modulus and characteristic strength.

    Complete samples: exact, conditional on the ancillary pattern of the strengths, as the profile likelihood covers 83 %
    instead of 95 % at three coupons. With censoring: profile likelihood. Very many strengths: Wald on the logarithm.

    References
    ----------
    J. F. Lawless, Statistical Models and Methods for Lifetime Data, 2nd ed. (Wiley, 2003), sec. 5.2.2 and app. E.
    """
    m, s = fit.modulus, fit.characteristic_strength
    if m is None or s is None:
        return WeibullLimits(Interval(None, None), Interval(None, None), reason=fit.reason)
    if len(values) > LARGEST_EXACT or (is_censored is not None and is_censored.any()):
        return profile_weibull_limits(values, fit, is_censored=is_censored, confidence=confidence)
    pattern = pattern or Pattern.of(values, fit)
    tails = ((1 - confidence) / 2, (1 + confidence) / 2)
    low_z, high_z = (pattern.spread_quantile(tail) for tail in tails)
    low_t, high_t = (pattern.place_quantile(0.0, tail) for tail in tails)
    # z = m / m_hat; t = m_hat log(s_hat / s).
    scale = Interval(times_exp(s, -high_t / m), times_exp(s, -low_t / m))
    return WeibullLimits(Interval(m * low_z, m * high_z), scale, CONDITIONAL)


def profile_weibull_limits(
    values: Floats, fit: WeibullFit, *, is_censored: NDArray[np.bool_] | None = None, confidence: float = 0.95
) -> WeibullLimits:
    """Profile-likelihood limits; for very many strengths Wald limits on the logarithm, which then agree with them.

    References
    ----------
    W. Q. Meeker and L. A. Escobar, Statistical Methods for Reliability Data (Wiley, 1998), sec. 8.3.
    """
    if fit.modulus is None or fit.characteristic_strength is None:
        return WeibullLimits(Interval(None, None), Interval(None, None), reason=fit.reason)
    if len(values) > LARGEST_EXACT and fit.covariance is not None:
        half = normal_quantile(confidence) * np.sqrt(np.diag(np.array(fit.covariance)))
        scale, modulus = (
            Interval(times_exp(estimate, -width), times_exp(estimate, width))
            for estimate, width in ((fit.characteristic_strength, half[0]), (fit.modulus, half[1]))
        )
        return WeibullLimits(modulus, scale, "normal approximation on the logarithm (Wald)")
    scaled = np.log(values / fit.characteristic_strength)
    broken = np.ones(len(values), dtype=bool) if is_censored is None else ~is_censored
    count, sum_log = int(broken.sum()), float(scaled[broken].sum())
    drop = float(special.chdtri(1, 1 - confidence)) / 2

    def log_likelihood(log_m: float, log_s: float) -> float:
        m = np.exp(log_m)
        return float(
            count * (log_m - m * log_s) + m * sum_log - np.exp(np.minimum(m * (scaled - log_s), LARGEST_POWER)).sum()
        )

    def over_modulus(log_m: float) -> float:
        m = np.exp(log_m)
        return log_likelihood(log_m, (_log_sum_exp(m * scaled) - np.log(count)) / m)

    def over_scale(log_s: float) -> float:
        # The best modulus for this scale: zero of the derivative, which falls in m.
        shifted = scaled - log_s

        def slope(log_m: float) -> tuple[float, float]:
            powers = np.minimum(np.exp(log_m) * shifted, LARGEST_POWER)
            grown = powers * np.exp(powers)
            linear = float(powers[broken].sum())
            return count + linear - float(grown.sum()), linear - float((grown * (1 + powers)).sum())

        return log_likelihood(_falling_root(slope, log_best), log_s)

    log_best = float(np.log(fit.modulus))
    best = log_likelihood(log_best, 0.0)
    low_m, high_m = (_drop_at(over_modulus, log_best, best - drop, side * 0.3) for side in (-1, 1))
    low_s, high_s = (_drop_at(over_scale, 0.0, best - drop, side * 0.3 / fit.modulus) for side in (-1, 1))
    s = fit.characteristic_strength
    return WeibullLimits(
        Interval(times_exp(1.0, low_m), times_exp(1.0, high_m)),
        Interval(times_exp(s, low_s), times_exp(s, high_s)),
    )


def times_exp(factor: float, exponent: float) -> float | None:
    """factor e^exponent; None beyond what a float can hold."""
    return None if abs(exponent) > LARGEST_POWER - 30 else float(factor * np.exp(exponent))


def _falling_root(function: Callable[[float], tuple[float, float]], start: float) -> float:
    """Root of a falling function by Newton's method; it gives its value and slope."""
    x = start
    for _ in range(100):
        value, slope = function(x)
        step = min(max(-value / slope, -1.0), 1.0) if slope < 0 else (1.0 if value > 0 else -1.0)
        x += step
        # The likelihood is flat there: an error e of the root changes it by e².
        if abs(step) < 1e-8:
            break
    return x


def _log_sum_exp(x: Floats) -> float:
    largest = float(x.max())
    return largest + float(np.log(np.exp(x - largest).sum()))


def _drop_at(profile: Callable[[float], float], start: float, target: float, step: float) -> float:
    end = start + step
    while profile(end) > target:
        step *= 2
        end = start + step
    return float(optimize.brentq(lambda at: profile(at) - target, start, end, xtol=1e-11, rtol=1e-11))


def percentile(fit: WeibullFit, share_above: float) -> float | None:
    """Strength exceeded by a share of the population: s (-log share)^(1/m)."""
    if fit.modulus is None or fit.characteristic_strength is None:
        return None
    return float(fit.characteristic_strength * (-np.log(share_above)) ** (1 / fit.modulus))


def percentile_bound(
    values: Floats,
    fit: WeibullFit,
    share_above: float,
    *,
    is_censored: NDArray[np.bool_] | None = None,
    confidence: float = 0.95,
    pattern: Pattern | None = None,
) -> PercentileBound | None:
    """One-sided lower bound of a low percentile (B10: share above 0.90, B1: 0.99).

    Conditional on the ancillary pattern of the strengths (Lawless): exact for complete samples and where just the weakest
    broke (type II censoring). For other censoring near it: the delta method, which a textbook offers there, covers 81 to
    90 % instead of 95. Very many strengths: delta method on the logarithm. None where there is no fit. `pattern` is that
    of the strengths, where the caller has it.

    References
    ----------
    J. F. Lawless, Statistical Models and Methods for Lifetime Data, 2nd ed. (Wiley, 2003), sec. 5.2.2 and app. E.
    """
    estimate = percentile(fit, share_above)
    if estimate is None or fit.modulus is None or fit.covariance is None:
        return None
    if len(values) > LARGEST_EXACT:
        return delta_percentile_bound(fit, share_above, confidence=confidence)
    has_bounds = is_censored is not None and bool(is_censored.any())
    pattern = pattern or Pattern.of(values, fit, is_censored=is_censored)
    t = pattern.place_quantile(float(np.log(-np.log(share_above))), confidence)
    bound = float(fit.characteristic_strength or 0.0) * np.exp(-t / fit.modulus)
    return PercentileBound(share_above, estimate, float(bound), CONDITIONAL_CENSORED if has_bounds else CONDITIONAL)


def delta_percentile_bound(fit: WeibullFit, share_above: float, *, confidence: float = 0.95) -> PercentileBound | None:
    """The bound by the delta method on the logarithm, for very many strengths; None where there is no fit.

    References
    ----------
    W. Q. Meeker and L. A. Escobar, Statistical Methods for Reliability Data (Wiley, 1998), sec. 8.4.
    """
    estimate = percentile(fit, share_above)
    if estimate is None or fit.covariance is None:
        return None
    bound = estimate * np.exp(-float(special.ndtri(confidence)) * _log_error(fit, share_above))
    return PercentileBound(share_above, estimate, float(bound), "delta method on the logarithm (asymptotic)")


def _log_error(fit: WeibullFit, share_above: float) -> float:
    """Standard error of the log percentile: log x = log s + log(-log R) exp(-log m)."""
    (ss, sm), (_, mm) = fit.covariance or ((0.0, 0.0), (0.0, 0.0))
    slope = -np.log(-np.log(share_above)) / (fit.modulus or 1.0)
    return float(np.sqrt(ss + 2 * slope * sm + slope**2 * mm))


@dataclass(frozen=True, slots=True)
class Pattern:
    """The conditional distribution of z = b_hat / b given the ancillaries a_i = (y_i - u_hat) / b_hat, y log strengths.

    Its density is proportional to z^(n-2) exp(z sum a_i) / (sum e^(a_i z))^n; here over log z, which takes one more z. With
    censoring n and the first sum are those of the broken, the second sum is over all.
    """

    log_z: Floats
    weight: Floats
    log_sum: Floats
    n: int

    @classmethod
    def of(cls, values: Floats, fit: WeibullFit, *, is_censored: NDArray[np.bool_] | None = None) -> Pattern:
        broken = np.ones(len(values), dtype=bool) if is_censored is None else ~is_censored
        n = int(broken.sum())
        a = float(fit.modulus or 1.0) * np.log(values / float(fit.characteristic_strength or 1.0))
        # log z has a standard deviation of about 0.78 / sqrt(n - 1) around 0.
        reach = min(1.2 + 14 / np.sqrt(n), 7.0)
        log_z = np.linspace(-reach, min(reach, 3.0), 301)
        powers = np.outer(np.exp(log_z), a)
        largest = powers.max(axis=1)
        log_sum = largest + np.log(np.exp(powers - largest[:, None]).sum(axis=1))
        log_density = (n - 1) * log_z + np.exp(log_z) * a[broken].sum() - n * log_sum
        weight = np.exp(log_density - log_density.max())
        return cls(log_z, weight / weight.sum(), log_sum, n)

    def spread_quantile(self, share: float) -> float:
        """z with P(Z <= z) = share."""
        grid = self.log_z
        below = interpolate.CubicSpline(grid, self.weight / (grid[1] - grid[0])).antiderivative()
        return float(np.exp(optimize.brentq(lambda x: float(below(x)) - share, grid[0], grid[-1], xtol=1e-12)))

    def place_quantile(self, w: float, share: float) -> float:
        """t with P((u_hat - y_p) / b_hat <= t) = share; w = log(-log R) of the percentile, 0 for u itself.

        Given z the probability is the regularised gamma function P(n, e^(w + t z) sum e^(a_i z)). Equal weights over log z
        (the trapezium rule) are spectrally accurate, as the density vanishes at both ends.
        """
        # Every other point is enough here: still far closer than the density is wide.
        z, log_sum, weight = np.exp(self.log_z[::2]), self.log_sum[::2], 2 * self.weight[::2]

        def excess(t: float) -> float:
            upper = np.exp(np.minimum(w + t * z + log_sum, LARGEST_POWER))
            return float((weight * special.gammainc(self.n, upper)).sum()) - share

        low, high = -1.0, 1.0
        while excess(low) > 0:
            low *= 2
        while excess(high) < 0:
            high *= 2
        return float(optimize.brentq(excess, low, high, xtol=1e-12))
