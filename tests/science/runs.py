"""Coupons for the search for a cause, written as counts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from labbench.science.evidence import Runs
from labbench.science.hypotheses import Suspect


def ran(counts: Sequence[tuple[tuple[int, ...], int, int]]) -> Runs:
    """Coupons that all went through every round: (level numbers, failed, coupons)."""
    codes = [levels for levels, _, coupons in counts for _ in range(coupons)]
    failed = np.array([i < failed for _, failed, coupons in counts for i in range(coupons)], dtype=bool)
    blocks = np.array([None] * len(failed), dtype=object)
    return Runs(np.array(codes, dtype=np.int64), failed * 1.0, ~failed * 1.0, failed, blocks, "binary", 3)


def ran_rounds(coupons: Sequence[tuple[tuple[int, ...], int, int]], rounds: int = 3) -> Runs:
    """Coupons by rounds: (level numbers, round of failure or 0, rounds held)."""
    codes = np.array([levels for levels, _, _ in coupons], dtype=np.int64)
    failed = np.array([round_ > 0 for _, round_, _ in coupons])
    survivals = np.array([round_ - 1 if round_ else held for _, round_, held in coupons], dtype=float)
    blocks = np.array([None] * len(failed), dtype=object)
    return Runs(codes, failed * 1.0, survivals, failed, blocks, "rounds", rounds)


RESIN_AND_LAMP = (Suspect("resin", "categorical", ("R1", "R2")), Suspect("lamp", "categorical", ("L1", "L2")))


def six_factors() -> tuple[Suspect, ...]:
    """Six factors of four levels, the last one numeric."""
    names = [Suspect(f"factor{number}", "categorical", tuple("ABCD")) for number in range(5)]
    return (*names, Suspect("cure_time_s", "numeric", (30.0, 60.0, 120.0, 240.0)))
