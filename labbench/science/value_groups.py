"""A measured quantity as the levels of a factor: many distinct values put into few groups, by a rule that never sees an outcome.

Up to `MOST_AS_THEY_ARE` distinct values are levels as they are. More are cut where neighbouring values lie further apart than
`WIDE_STEP` of the whole span (on a logarithmic scale where the values are positive and span more than a factor of
`LOGARITHMIC_FROM`); a single coupon joins the nearer group. If that leaves two to `MOST_GROUPS` groups, none with more than
`LARGEST_SHARE` of the coupons, they are the levels; else `QUANTILE_GROUPS` groups of about as many coupons each. A choice of this
project, no published source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from labbench.science.findings import Floats

MOST_AS_THEY_ARE = 6
MOST_GROUPS = 6
WIDE_STEP = 1 / 8
LOGARITHMIC_FROM = 4.0
LARGEST_SHARE = 2 / 3
QUANTILE_GROUPS = 4
# Readings have two or three digits; more would make different numbers of the same dose.
DIGITS = 4

How = Literal["as they are", "at gaps", "by equal numbers"]


@dataclass(frozen=True, slots=True)
class ValueGroup:
    """Values that count as one level; `level` is their median."""

    level: float
    low: float
    high: float
    coupons: int


@dataclass(frozen=True, slots=True)
class ValueGroups:
    """`codes` has shape (n,): the group of each value, -1 where it is not known."""

    groups: tuple[ValueGroup, ...]
    codes: NDArray[np.int64]
    how: How


def value_groups(values: Sequence[float | None]) -> ValueGroups:
    """Groups of the values, in rising order; None is not known, and so is what is not finite."""
    given = np.array([np.nan if value is None else value for value in values], dtype=np.float64)
    # Many coupons share few values: each is rounded once.
    different, place = np.unique(given, return_inverse=True)
    rounded = np.array([_rounded(value) for value in different.tolist()], dtype=np.float64)[place.ravel()]
    known = rounded[np.isfinite(rounded)]
    distinct, counts = np.unique(known, return_counts=True)
    cuts, how = _cuts(distinct, counts)
    codes = np.full(len(rounded), -1, dtype=np.int64)
    is_known = np.isfinite(rounded)
    codes[is_known] = np.searchsorted(cuts, rounded[is_known], side="right")
    groups = []
    for number in range(len(cuts) + 1 if len(distinct) else 0):
        here = rounded[codes == number]
        low, high = float(here.min()), float(here.max())
        middle = _rounded(float(np.median(here)))
        groups.append(ValueGroup(min(max(middle, low), high), low, high, len(here)))
    return ValueGroups(tuple(groups), codes, how)


def _rounded(value: float) -> float:
    if not np.isfinite(value):
        return float("nan")
    return float(f"{value:.{DIGITS}g}")


def _cuts(distinct: Floats, counts: NDArray[np.int64]) -> tuple[Floats, How]:
    """The lowest value of every group but the first."""
    if len(distinct) <= MOST_AS_THEY_ARE:
        return distinct[1:], "as they are"
    scale = distinct
    if distinct[0] > 0 and distinct[-1] / distinct[0] > LOGARITHMIC_FROM:
        scale = np.log(distinct)
    wide = _without_lonely(scale, counts, np.flatnonzero(np.diff(scale) > WIDE_STEP * (scale[-1] - scale[0])) + 1)
    sizes = np.add.reduceat(counts, np.concatenate(([0], wide)))
    if 2 <= len(sizes) <= MOST_GROUPS and sizes.max() <= LARGEST_SHARE * counts.sum():
        return distinct[wide], "at gaps"
    before = np.concatenate(([0], np.cumsum(counts)))
    wanted = counts.sum() * np.arange(1, QUANTILE_GROUPS) / QUANTILE_GROUPS
    # Between two values, at the place whose count below is nearest to the wanted one.
    places = np.unique([int(np.argmin(np.abs(before[1:-1] - w))) + 1 for w in wanted])
    return distinct[places], "by equal numbers"


def _without_lonely(scale: Floats, counts: NDArray[np.int64], cuts: NDArray[np.int64]) -> NDArray[np.int64]:
    """The cuts without those beside a group of one coupon: it joins the nearer neighbour."""
    while len(cuts):
        sizes = np.add.reduceat(counts, np.concatenate(([0], cuts)))
        lonely = np.flatnonzero(sizes == 1)
        if not len(lonely):
            break
        sides = [side for side in (lonely[0] - 1, lonely[0]) if 0 <= side < len(cuts)]
        nearer = min(sides, key=lambda side: float(scale[cuts[side]] - scale[cuts[side] - 1]))
        cuts = np.delete(cuts, nearer)
    return cuts
