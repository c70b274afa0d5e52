"""Why three coupons per arm can't convince, in the numbers of the plan's own shares."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

THREE = 3
ALPHA = 0.05
WANTED_POWER = 0.8


@dataclass(frozen=True, slots=True)
class ThreePerArm:
    """`best_p_value` is of three failed of three against none of three; `power` the chance that three per arm convince."""

    best_p_value: float
    power: float
    n_per_arm: int | None
    reached_power: float | None
    reason: str | None


@lru_cache(maxsize=64)
def three_per_arm(holding_share: float, failing_share: float) -> ThreePerArm:
    """Fisher's exact test, two-sided at 0.05; exact."""
    # slow import: numpy, scipy
    import numpy as np
    from scipy import stats

    from labbench.science.power import fisher_power, two_arms

    arms = two_arms(holding_share, failing_share, alpha=ALPHA, power=WANTED_POWER)
    return ThreePerArm(
        best_p_value=float(stats.fisher_exact(np.array([[THREE, 0], [0, THREE]])).pvalue),
        power=fisher_power(holding_share, failing_share, THREE, alpha=ALPHA),
        n_per_arm=arms.n_per_arm,
        reached_power=arms.power,
        reason=arms.reason,
    )
