"""Evidence that something makes no relevant difference: two one-sided tests against a margin, and non-inferiority.

A missing significance is no such evidence. Differences are first minus second; with one-sided tests at level alpha,
equivalence is shown when the (1 - 2 alpha) interval lies within the margin.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from labbench.science.findings import Finding, Floats, not_computed
from labbench.science.intervals import Interval
from labbench.science.proportions import Variance, score_difference, score_statistic

Spread = Literal["Welch", "pooled"]


@dataclass(frozen=True, slots=True)
class EquivalenceFinding:
    """Two one-sided tests.

    `p_value` is the larger of the two; `above` tests that the difference is above -margin (non-inferiority of the
    first if more is better), `below` that it is below +margin. `interval` has confidence 1 - 2 alpha.
    """

    difference: float | None
    p_value: float | None
    above: Finding
    below: Finding
    interval: Interval
    is_equivalent: bool | None
    margin: float
    alpha: float
    reason: str | None = None


def equivalent_shares(
    failed_1: int,
    coupons_1: int,
    failed_2: int,
    coupons_2: int,
    *,
    margin: float,
    alpha: float = 0.05,
    variance: Variance = "Miettinen-Nurminen",
) -> EquivalenceFinding:
    """Score tests that two shares differ by less than the margin (variance at the restricted estimates under it).

    With Mee's variance these are Farrington and Manning's tests.

    References
    ----------
    D. J. Schuirmann, J. Pharmacokin. Biopharm. 15 (1987), 657-680. C. P. Farrington and G. Manning, Statistics in
    Medicine 9 (1990), 1447-1454.
    """
    method = f"score test of a difference of shares against a margin ({variance} variance)"
    n_used = coupons_1 + coupons_2
    if min(coupons_1, coupons_2) < 1:
        nothing = not_computed(method, "one of the two groups has no coupons", n_used=n_used)
        return EquivalenceFinding(
            None, None, nothing, nothing, Interval(None, None), None, margin, alpha, nothing.reason
        )
    x1, n1, x2, n2 = (np.array([float(v)]) for v in (failed_1, coupons_1, failed_2, coupons_2))
    z_above = float(score_statistic(x1, n1, x2, n2, np.array([-margin]), variance=variance)[0])
    z_below = float(score_statistic(x1, n1, x2, n2, np.array([margin]), variance=variance)[0])
    low, high = score_difference(x1, n1, x2, n2, confidence=1 - 2 * alpha, variance=variance)
    return _two_one_sided(
        float(x1[0] / n1[0] - x2[0] / n2[0]),
        Finding(method, float(special.ndtr(-z_above)), statistic=_finite(z_above), n_used=n_used),
        Finding(method, float(special.ndtr(z_below)), statistic=_finite(z_below), n_used=n_used),
        Interval(float(low[0]), float(high[0])),
        margin,
        alpha,
    )


def equivalent_means(
    first: Floats, second: Floats, *, margin: float, alpha: float = 0.05, spread: Spread = "Welch"
) -> EquivalenceFinding:
    """t tests that two means differ by less than the margin (in the unit of the values).

    References
    ----------
    D. J. Schuirmann, "A comparison of the two one-sided tests procedure and the power approach for assessing the
    equivalence of average bioavailability", J. Pharmacokin. Biopharm. 15 (1987), 657-680.
    """
    method = f"t test of a difference of means against a margin ({spread})"
    n1, n2 = len(first), len(second)
    parts = np.zeros(2)
    if min(n1, n2) >= 2:
        parts = np.array([first.var(ddof=1) / n1, second.var(ddof=1) / n2])
    if parts.sum() <= 1e-300:
        reason = "both groups need two values" if min(n1, n2) < 2 else "the values do not vary"
        nothing = not_computed(method, reason, n_used=n1 + n2)
        gap = float(first.mean() - second.mean()) if min(n1, n2) else None
        return EquivalenceFinding(gap, None, nothing, nothing, Interval(None, None), None, margin, alpha, reason)
    gap = float(first.mean() - second.mean())
    if spread == "Welch":
        error = float(np.sqrt(parts.sum()))
        df = float(parts.sum() ** 2 / (parts**2 / np.array([n1 - 1, n2 - 1])).sum())
    else:
        df = float(n1 + n2 - 2)
        pooled = ((n1 - 1) * first.var(ddof=1) + (n2 - 1) * second.var(ddof=1)) / df
        error = float(np.sqrt(pooled * (1 / n1 + 1 / n2)))
    t_above, t_below = (gap + margin) / error, (gap - margin) / error
    half = float(special.stdtrit(df, 1 - alpha)) * error
    return _two_one_sided(
        gap,
        Finding(method, float(special.stdtr(df, -t_above)), statistic=t_above, df=df, n_used=n1 + n2),
        Finding(method, float(special.stdtr(df, t_below)), statistic=t_below, df=df, n_used=n1 + n2),
        Interval(gap - half, gap + half),
        margin,
        alpha,
    )


def _two_one_sided(
    difference: float, above: Finding, below: Finding, interval: Interval, margin: float, alpha: float
) -> EquivalenceFinding:
    p_value = max(above.p_value or 0.0, below.p_value or 0.0)
    return EquivalenceFinding(difference, p_value, above, below, interval, p_value <= alpha, margin, alpha)


def _finite(z: float) -> float | None:
    return z if np.isfinite(z) else None
