"""Sample sizes before glass is broken: two arms by Fisher's exact test, and demonstration tests. All exact."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import special, stats

from labbench.science.contingency import log_choose
from labbench.science.demonstration import demonstration_coupons
from labbench.science.findings import Floats

TABLE = range(2, 31)
MOST_COUPONS_PER_ARM = 500
# Numbers per arm over which the power of Fisher's test goes up and down before it rises for good.
SAW_TEETH = 30
# Probabilities that differ by less are equal but for rounding, relative.
ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class ArmsPower:
    """Chance that so many coupons per arm show the difference."""

    n_per_arm: int
    power: float


@dataclass(frozen=True, slots=True)
class TwoArms:
    """Two arms compared by Fisher's exact test, two-sided; exact.

    Attributes
    ----------
    baseline, failing : float
        Failure probability of the two arms.
    alpha, wanted_power : float
    n_per_arm : int or None
        Smallest number from which on the power stays at or above the wanted one: power does not rise steadily with n.
        None where it takes more than 500 per arm; `reason` says so.
    n_first : int or None
        Smallest number that reaches the wanted power at all.
    power : float or None
        At `n_per_arm`.
    table : tuple of ArmsPower
        For 2 to 30 coupons per arm.
    reason : str or None
    """

    baseline: float
    failing: float
    alpha: float
    wanted_power: float
    n_per_arm: int | None
    n_first: int | None
    power: float | None
    table: tuple[ArmsPower, ...]
    reason: str | None


@dataclass(frozen=True, slots=True)
class Demonstration:
    """Coupons that demonstrate a reliability when at most so many fail; exact.

    Attributes
    ----------
    n, failures : int
    reliability, confidence : float
        Asked for.
    reached_confidence : float
        Of n coupons with that many failures: n is a whole number.
    """

    n: int
    failures: int
    reliability: float
    confidence: float
    reached_confidence: float


def fisher_power(baseline: float, failing: float, n_per_arm: int, *, alpha: float = 0.05) -> float:
    """Chance that Fisher's exact test, two-sided, finds p <= alpha with two arms of so many coupons.

    Parameters
    ----------
    baseline, failing : float
        Failure probabilities of the arms, from 0 to 1.
    n_per_arm : int
    alpha : float
        Two-sided level; the p-value is the total probability of the tables no more probable than the observed one.

    References
    ----------
    R. A. Fisher, The Design of Experiments (1935), chapter 2. The power is the sum over all outcomes, in no way
    approximated.
    """
    _check_share("baseline", baseline)
    _check_share("failing", failing)
    _check_open("alpha", alpha)
    if n_per_arm < 1:
        raise ValueError(f"{n_per_arm} coupons per arm are not possible")
    convincing = _p_values(n_per_arm) <= alpha * (1 + ROUNDING)
    one, two = _binomial(n_per_arm, baseline), _binomial(n_per_arm, failing)
    return min(float(one @ convincing @ two), 1.0)


def two_arms(
    baseline: float,
    failing: float,
    *,
    alpha: float = 0.05,
    power: float = 0.8,
    most: int = MOST_COUPONS_PER_ARM,
) -> TwoArms:
    """Coupons per arm for a wanted chance to show the difference between two arms.

    Raises
    ------
    ValueError
        If a probability does not lie between 0 and 1.
    """
    _check_open("power", power)
    table = tuple(ArmsPower(n, fisher_power(baseline, failing, n, alpha=alpha)) for n in TABLE)
    if baseline == failing:
        reason = "the two arms fail alike, so no number of coupons shows a difference"
        return TwoArms(baseline, failing, alpha, power, None, None, None, table, reason)
    if fisher_power(baseline, failing, most, alpha=alpha) < power:
        reason = f"more than {most} coupons per arm are needed"
        return TwoArms(baseline, failing, alpha, power, None, None, None, table, reason)
    first = stays = None
    found: dict[int, float] = {}
    for n in range(_first_to_try(baseline, failing, alpha, power, most), most + 1):
        found[n] = fisher_power(baseline, failing, n, alpha=alpha)
        if found[n] >= power * (1 - ROUNDING):
            first = first or n
            stays = stays or n
        else:
            stays = None
        # The power saws up and down by less and less; once well past the wanted one it does not come back.
        if stays is not None and n >= stays + min(stays // 2 + 10, SAW_TEETH):
            break
    assert stays is not None  # the largest number was seen to be enough
    return TwoArms(baseline, failing, alpha, power, stays, first, found[stays], table, None)


def demonstration(reliability: float, confidence: float, failures: int = 0) -> Demonstration:
    """Smallest number of coupons of which at most `failures` may fail to demonstrate a reliability.

    Raises
    ------
    ValueError
        As `demonstration_coupons`.
    """
    n = demonstration_coupons(reliability, confidence, failures=failures)
    reached = 1 - float(special.bdtr(failures, n, 1 - reliability))
    return Demonstration(n, failures, reliability, confidence, reached)


def power_document(arms: TwoArms | None, shown: Demonstration | None) -> dict[str, Any]:
    """The JSON document of the `power` command."""
    return {
        "two_arms": None
        if arms is None
        else {
            "n_per_arm": arms.n_per_arm,
            "power": arms.power,
            "n_first": arms.n_first,
            "method": "Fisher's exact test, two-sided; exact power",
            "baseline": arms.baseline,
            "failing": arms.failing,
            "alpha": arms.alpha,
            "wanted_power": arms.wanted_power,
            "table": [{"n_per_arm": row.n_per_arm, "power": row.power} for row in arms.table],
            **({"reason": arms.reason} if arms.reason else {}),
        },
        "demonstration": None
        if shown is None
        else {
            "n": shown.n,
            "failures": shown.failures,
            "reliability": shown.reliability,
            "confidence": shown.confidence,
            "reached_confidence": shown.reached_confidence,
            "method": "binomial demonstration test; exact",
        },
    }


def _p_values(n: int) -> Floats:
    """Two-sided Fisher p-value of every table of two arms of n, shape (n + 1, n + 1).

    With equal arms the failures given their sum m lie symmetrically about m / 2, the probability falling on both sides:
    the tables no more probable than (x, m - x) are both tails, each P(X <= min(x, m - x)).
    """
    counts = np.arange(n + 1)
    log_ways = log_choose(float(n), counts.astype(float))
    total = np.arange(2 * n + 1)
    other = total[:, None] - counts
    possible = (other >= 0) & (other <= n)
    log_p = log_ways + log_ways[np.clip(other, 0, n)] - log_choose(2.0 * n, total.astype(float))[:, None]
    below = np.cumsum(np.where(possible, np.exp(log_p), 0.0), axis=1)
    x, y = np.indices((n + 1, n + 1))
    tails = 2 * below[x + y, np.minimum(x, y)]
    return np.where(x == y, 1.0, np.minimum(tails, 1.0))


def _first_to_try(baseline: float, failing: float, alpha: float, power: float, most: int) -> int:
    """2, or where many coupons are needed a number safely below the first one with the wanted power."""
    spread = baseline * (1 - baseline) + failing * (1 - failing)
    z = float(stats.norm.isf(alpha / 2) + stats.norm.isf(1 - power))
    near = spread * z**2 / (baseline - failing) ** 2
    if near <= 100:
        return 2
    low, high = math.floor(min(near, most) / 2), most
    while high - low > 1:
        middle = (low + high) // 2
        if fisher_power(baseline, failing, middle, alpha=alpha) >= power:
            high = middle
        else:
            low = middle
    return max(2, low - SAW_TEETH)


def _binomial(n: int, share: float) -> Floats:
    return np.asarray(stats.binom.pmf(np.arange(n + 1), n, share), dtype=np.float64)


def _check_share(name: str, value: float) -> None:
    if not 0 <= value <= 1:
        raise ValueError(f"{name} {value} is not between 0 and 1")


def _check_open(name: str, value: float) -> None:
    if not 0 < value < 1:
        raise ValueError(f"{name} {value} is not between 0 and 1, both excluded")
