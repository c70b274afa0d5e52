"""Chance to show a difference against coupons per arm: several arms, equivalence, strength; before glass is broken.

Counts are exact: every outcome is enumerated. Strength is simulated, as its coupons are Weibull and its test is Welch's.
Two arms and demonstration tests: `power`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special, stats

from labbench.science.contingency import log_choose
from labbench.science.findings import Floats
from labbench.science.intervals import normal_quantile
from labbench.science.power import ROUNDING
from labbench.science.proportions import score_statistic

Progress = Callable[[int, int], None]
# Outcomes of several arms that are enumerated; beyond it the answer is None.
MOST_OUTCOMES = 3_000_000
SIMULATED = 4000
# Beyond these strengths and their squares leave the range of a float, and no glass lies there (common practice, no source).
STRENGTH_RATIOS, WEIBULL_MODULI = (0.01, 100.0), (0.5, 100.0)


@dataclass(frozen=True, slots=True)
class PowerPoint:
    """Chance to come to the conclusion with so many coupons per arm.

    `standard_error` is None where the power is exact. `power` is None where it can't be computed; `reason` says why.
    """

    n_per_arm: int
    power: float | None
    standard_error: float | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class PowerCurve:
    """Power against coupons per arm, and the smallest of the sizes asked for that reaches the wanted power."""

    points: tuple[PowerPoint, ...]
    wanted_power: float
    n_per_arm: int | None
    method: str
    exactness: Literal["exact", "simulated"]


def several_arms_power(shares: Sequence[float], n_per_arm: int, *, alpha: float = 0.05) -> float | None:
    """Chance that the exact test of Fisher, Freeman and Halton finds p <= alpha over arms of so many coupons each.

    Parameters
    ----------
    shares : sequence of float
        Failure probability of each arm, two or more.
    n_per_arm : int
    alpha : float

    Returns
    -------
    float or None
        Exact, every outcome enumerated; None beyond 3,000,000 outcomes.

    References
    ----------
    G. H. Freeman and J. H. Halton, Biometrika 38 (1951), 141-149 (from memory).
    """
    _check(shares, n_per_arm, alpha)
    arms, n = len(shares), n_per_arm
    if (n + 1) ** arms > MOST_OUTCOMES:
        return None
    counts = np.arange(n + 1)
    log_ways = log_choose(float(n), counts.astype(float))
    ways, failed, chance = np.zeros(1), np.zeros(1, dtype=np.int64), np.ones(1)
    for share in shares:
        ways = np.add.outer(ways, log_ways).ravel()
        failed = np.add.outer(failed, counts).ravel()
        chance = np.multiply.outer(chance, stats.binom.pmf(counts, n, share)).ravel()
    # Given the failures in all, tables are as likely as their number of ways; the p-value counts those no likelier.
    order = np.lexsort((ways, failed))
    ways, failed, chance = ways[order], failed[order], chance[order]
    power = 0.0
    starts = np.searchsorted(failed, np.arange(arms * n + 2))
    log_all = log_choose(float(arms * n), np.arange(arms * n + 1).astype(float))
    for total in range(arms * n + 1):
        part = slice(starts[total], starts[total + 1])
        probability = np.exp(ways[part] - log_all[total])
        no_likelier = np.searchsorted(probability, probability * (1 + 1e-7), side="right")
        p_values = np.cumsum(probability)[no_likelier - 1]
        power += float(chance[part][p_values <= alpha * (1 + ROUNDING)].sum())
    return min(power, 1.0)


def equivalence_power(first: float, second: float, n_per_arm: int, *, margin: float, alpha: float = 0.05) -> float:
    """Chance that both one-sided score tests find the difference of two failure shares within the margin.

    The statistic is that of Farrington and Manning (Mee's variance); the power is exact, over all outcomes.

    References
    ----------
    D. J. Schuirmann, J. Pharmacokin. Biopharm. 15 (1987), 657-680 (from memory); C. P. Farrington and G. Manning,
    Statistics in Medicine 9 (1990), 1447-1454.
    """
    _check((first, second), n_per_arm, alpha)
    if not 0 < margin < 1:
        raise ValueError(f"margin {margin} is not between 0 and 1")
    counts = np.arange(n_per_arm + 1.0)
    x, y = (grid.ravel() for grid in np.meshgrid(counts, counts, indexing="ij"))
    n = np.full_like(x, float(n_per_arm))
    limit = float(normal_quantile(1 - 2 * alpha))
    above = score_statistic(x, n, y, n, np.full_like(x, -margin), variance="Mee")
    below = score_statistic(x, n, y, n, np.full_like(x, margin), variance="Mee")
    shown = (above >= limit) & (below <= -limit)
    chance = np.outer(stats.binom.pmf(counts, n_per_arm, first), stats.binom.pmf(counts, n_per_arm, second)).ravel()
    return min(float(chance[shown].sum()), 1.0)


def strength_power(
    ratio: float,
    n_per_arm: int,
    *,
    weibull_modulus: float,
    alpha: float = 0.05,
    studies: int = SIMULATED,
    rng: np.random.Generator,
) -> PowerPoint:
    """Chance that Welch's test, two-sided, tells two arms of strengths apart; simulated.

    Parameters
    ----------
    ratio : float
        Characteristic strength of the weaker arm over that of the other; both are Weibull of the same modulus.
    weibull_modulus : float
        Laminated glass as received lies about 5 to 10 (common practice, no source).

    References
    ----------
    B. L. Welch, Biometrika 34 (1947), 28-35 (from memory).
    """
    _check((0.5,), n_per_arm, alpha)
    for name, value, (least, most) in (
        ("strength ratio", ratio, STRENGTH_RATIOS),
        ("Weibull modulus", weibull_modulus, WEIBULL_MODULI),
    ):
        if not least <= value <= most:
            raise ValueError(f"{name} {value:g} is not from {least:g} to {most:g}")
    if n_per_arm < 2:
        return PowerPoint(n_per_arm, 0.0, 0.0, "one coupon per arm has no spread to compare with")
    one = rng.weibull(weibull_modulus, (studies, n_per_arm))
    two = ratio * rng.weibull(weibull_modulus, (studies, n_per_arm))
    v, w = one.var(axis=1, ddof=1) / n_per_arm, two.var(axis=1, ddof=1) / n_per_arm
    t = (one.mean(axis=1) - two.mean(axis=1)) / np.sqrt(v + w)
    df = (v + w) ** 2 / ((v**2 + w**2) / (n_per_arm - 1))
    power = float(np.mean(2 * special.stdtr(df, -np.abs(t)) <= alpha))
    return PowerPoint(n_per_arm, power, float(np.sqrt(power * (1 - power) / studies)))


def several_arms_curve(
    shares: Sequence[float], sizes: Sequence[int], *, alpha: float = 0.05, power: float = 0.8
) -> PowerCurve:
    """`several_arms_power` for each size; points beyond what is enumerated carry a reason."""
    points = []
    for n in sizes:
        found = several_arms_power(shares, n, alpha=alpha)
        points.append(PowerPoint(n, found, reason=None if found is not None else "too many outcomes to enumerate"))
    return _curve(points, power, "Fisher-Freeman-Halton", "exact")


def equivalence_curve(
    first: float, second: float, sizes: Sequence[int], *, margin: float, alpha: float = 0.05, power: float = 0.8
) -> PowerCurve:
    """`equivalence_power` for each size."""
    points = [PowerPoint(n, equivalence_power(first, second, n, margin=margin, alpha=alpha)) for n in sizes]
    return _curve(points, power, "two one-sided score tests (Farrington-Manning)", "exact")


def strength_curve(
    ratio: float,
    sizes: Sequence[int],
    *,
    weibull_modulus: float,
    alpha: float = 0.05,
    power: float = 0.8,
    rng: np.random.Generator,
    progress: Progress | None = None,
) -> PowerCurve:
    """`strength_power` for each size; `progress(done, total)` is called after each."""
    points = []
    for n in sizes:
        points.append(strength_power(ratio, n, weibull_modulus=weibull_modulus, alpha=alpha, rng=rng))
        if progress is not None:
            progress(len(points), len(sizes))
    return _curve(points, power, "Welch's test of Weibull strengths", "simulated")


def _curve(points: list[PowerPoint], power: float, method: str, exactness: Literal["exact", "simulated"]) -> PowerCurve:
    """The smallest size from which on every size asked for reaches the wanted power."""
    if not 0 < power < 1:
        raise ValueError(f"power {power} is not between 0 and 1, both excluded")
    enough: int | None = None
    for point in points:
        if point.power is None or point.power < power * (1 - ROUNDING):
            enough = None
        elif enough is None:
            enough = point.n_per_arm
    return PowerCurve(tuple(points), power, enough, method, exactness)


def _check(shares: Sequence[float] | Floats, n_per_arm: int, alpha: float) -> None:
    for share in shares:
        if not 0 <= share <= 1:
            raise ValueError(f"failure share {share} is not between 0 and 1")
    if n_per_arm < 1:
        raise ValueError(f"{n_per_arm} coupons per arm are not possible")
    if not 0 < alpha < 1:
        raise ValueError(f"alpha {alpha} is not between 0 and 1, both excluded")
