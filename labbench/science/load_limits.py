"""What a load has to keep to: stock of each level, and how many levels of a factor one load can have.

Levels that are used up are as good as impossible. A factor that is hard to change (a chamber's setting, a lamp that has
to be warmed up and surveyed) takes few levels in one load.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labbench.science.candidates import Impossible
from labbench.science.hypotheses import Integers, Suspect
from labbench.science.sheet import Level, RunnableLevels

NO_LIMIT = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True)
class LoadLimits:
    """Limits in level numbers.

    Attributes
    ----------
    left : tuple of ndarray of int
        Per factor and level, coupons that it is still enough for; `NO_LIMIT` without limit.
    most_levels : ndarray of int, shape (factors,)
        Different levels of each factor in one load.
    most_coupons : int
        That the factors which are not varied are enough for.
    """

    left: tuple[Integers, ...]
    most_levels: Integers
    most_coupons: int

    def after(self, codes: Integers) -> LoadLimits:
        """What is left once coupons with these levels, shape (coupons, factors), have run."""
        left = tuple(
            np.where(counts == NO_LIMIT, NO_LIMIT, counts - np.bincount(codes[:, factor], minlength=len(counts)))
            for factor, counts in enumerate(self.left)
        )
        most = self.most_coupons if self.most_coupons == NO_LIMIT else max(self.most_coupons - len(codes), 0)
        return LoadLimits(left, self.most_levels, most)

    def used_up(self) -> Impossible:
        """Levels without any left, as impossible combinations, shape (levels, factors)."""
        rows = []
        for factor, counts in enumerate(self.left):
            for level in np.flatnonzero(counts <= 0):
                row = np.full(len(self.left), -1)
                row[factor] = level
                rows.append(row)
        return np.array(rows, dtype=np.int64).reshape(len(rows), len(self.left))


def load_limits(
    suspects: tuple[Suspect, ...], runnable: RunnableLevels | None, *, usual: dict[str, Level] | None = None
) -> LoadLimits:
    """The stated limits for these factors; `usual` are the levels of the factors that are not varied."""
    left = runnable.left if runnable else {}
    most = runnable.levels_per_load if runnable else {}
    per_factor = tuple(
        np.array([left.get(suspect.name, {}).get(level, NO_LIMIT) for level in suspect.levels], dtype=np.int64)
        for suspect in suspects
    )
    counts = [left.get(name, {}).get(level, NO_LIMIT) for name, level in (usual or {}).items()]
    most_levels = np.array([most.get(suspect.name, NO_LIMIT) for suspect in suspects], dtype=np.int64)
    return LoadLimits(per_factor, most_levels, min(counts, default=NO_LIMIT))


class LoadRoom:
    """What the limits leave while a load is filled coupon by coupon."""

    def __init__(self, limits: LoadLimits) -> None:
        self._left = [counts.copy() for counts in limits.left]
        self._used = [np.zeros(len(counts), dtype=np.bool_) for counts in limits.left]
        self._most_levels = limits.most_levels
        self._coupons = limits.most_coupons

    def allows(self, codes: Integers) -> NDArray[np.bool_]:
        """Which combinations, shape (combinations, factors), the load can still take."""
        fits = np.full(len(codes), self._coupons > 0)
        for factor, (left, used) in enumerate(zip(self._left, self._used, strict=True)):
            open_levels = left > 0
            if used.sum() >= self._most_levels[factor]:
                open_levels = open_levels & used
            fits &= open_levels[codes[:, factor]]
        return fits

    def take(self, combination: Integers) -> None:
        """Put a coupon in."""
        self._coupons -= 1
        for factor, level in enumerate(combination):
            self._left[factor][level] -= 1
            self._used[factor][level] = True
