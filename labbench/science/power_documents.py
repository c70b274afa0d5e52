"""Which sizes are looked at for several arms, equivalence and strength, and how a curve stands in a document."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from labbench.science.power_curves import PowerCurve, equivalence_curve, several_arms_curve, strength_curve

SIZES = range(2, 31)
# Equivalence takes many: every size to 60, then every tenth.
EQUIVALENCE_SIZES = (*range(5, 60), *range(60, 301, 10))
DEFAULT_SEED = 20260101


def several_arms_answer(shares: Sequence[float], *, alpha: float, power: float) -> PowerCurve:
    """`several_arms_curve` for 2 to 30 coupons per arm."""
    return several_arms_curve(shares, SIZES, alpha=alpha, power=power)


def equivalence_answer(first: float, second: float, *, margin: float, alpha: float, power: float) -> PowerCurve:
    """`equivalence_curve` for 5 to 300 coupons per arm."""
    return equivalence_curve(first, second, EQUIVALENCE_SIZES, margin=margin, alpha=alpha, power=power)


def strength_answer(
    ratio: float, *, weibull_modulus: float, alpha: float, power: float, seed: int = DEFAULT_SEED
) -> PowerCurve:
    """`strength_curve` for 2 to 30 coupons per arm; the same seed gives the same numbers."""
    rng = np.random.default_rng(seed)
    return strength_curve(ratio, SIZES, weibull_modulus=weibull_modulus, alpha=alpha, power=power, rng=rng)


def curve_document(curve: PowerCurve) -> dict[str, Any]:
    """A curve as the `power` command writes it."""
    return {
        "n_per_arm": curve.n_per_arm,
        "wanted_power": curve.wanted_power,
        "method": curve.method,
        "exactness": curve.exactness,
        "table": [
            {
                "n_per_arm": point.n_per_arm,
                "power": point.power,
                "standard_error": point.standard_error,
                **({"reason": point.reason} if point.reason else {}),
            }
            for point in curve.points
        ],
        **({} if curve.n_per_arm else {"reason": "no size that was looked at reaches the wanted power"}),
    }
