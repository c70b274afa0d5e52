"""Small coupon sheets for tests."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from labbench.science.sheet import CouponSheet, FactorColumn


def column(name: str, values: Sequence[str | float | None]) -> FactorColumn:
    """A factor from its value per coupon; numbers make it numeric, None is unknown."""
    levels = tuple(sorted({value for value in values if value is not None}))
    kind = "numeric" if levels and all(isinstance(level, float) for level in levels) else "categorical"
    codes = np.array([-1 if value is None else levels.index(value) for value in values], dtype=np.int64)
    return FactorColumn(name, kind, levels, codes)


def sheet(
    factors: dict[str, Sequence[str | float | None]],
    failed_round: Sequence[int],
    *,
    rounds_survived: Sequence[int] | None = None,
    rounds: int = 3,
    strength_mpa: Sequence[float] | None = None,
    blocks: Sequence[str | None] | None = None,
    roles: Sequence[str] | None = None,
    origins: Sequence[str | None] | None = None,
) -> CouponSheet:
    """A sheet with dull defaults: test coupons, inspected after every round, not broken, no blocks."""
    failed = np.array(failed_round, dtype=np.int64)
    n = len(failed)
    survived = np.where(failed > 0, failed - 1, rounds) if rounds_survived is None else np.array(rounds_survived)
    return CouponSheet(
        coupons=tuple(f"C{number}" for number in range(1, n + 1)),
        roles=np.array(["test"] * n if roles is None else roles, dtype="U10"),
        factors=tuple(column(name, values) for name, values in factors.items()),
        blocks=np.array([None] * n if blocks is None else blocks, dtype=object),
        rounds_planned=np.full(n, rounds, dtype=np.int64),
        rounds_survived=survived.astype(np.int64),
        failed_round=failed,
        failure_modes=np.array([None] * n, dtype=object),
        strength_mpa=np.full(n, np.nan) if strength_mpa is None else np.array(strength_mpa, dtype=float),
        fracture_origins=None if origins is None else np.array(origins, dtype=object),
    )


def random_sheet(n: int, factors: int, levels: int, *, seed: int = 1) -> CouponSheet:
    """Random levels, every third factor numeric; the first level of the first factor fails often."""
    rng = np.random.default_rng(seed)
    names = [f"L{number:02d}" for number in range(levels)]
    codes = rng.integers(0, levels, (factors, n))
    columns = {}
    for number in range(factors):
        numeric = number % 3 == 2
        columns[f"dose{number}_mj_cm2" if numeric else f"factor{number}"] = [
            float(code) if numeric else names[code] for code in codes[number]
        ]
    failed_round = np.where(rng.random(n) < np.where(codes[0] == 0, 0.6, 0.08), rng.integers(1, 4, n), 0)
    roles = np.where(np.arange(n) < min(10, n // 5), "pristine", "test")
    failed_round = np.where(roles == "test", failed_round, 0)
    survived = np.where(failed_round > 0, np.maximum(failed_round - 1 - rng.integers(0, 2, n), 0), 3)
    return sheet(
        columns,
        list(failed_round),
        rounds_survived=list(survived),
        strength_mpa=list(np.where(failed_round > 0, np.nan, 60 + 8 * rng.standard_normal(n))),
        blocks=[f"load {number}" for number in rng.integers(0, max(2, n // 24), n)],
        roles=list(roles),
    )
