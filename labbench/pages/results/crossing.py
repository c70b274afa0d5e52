"""The picture of levels against levels, and the levels that never left one load or one pair of hands."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby

from labbench.analysis.crossings import LevelCrossing, LevelInOnePlace, level_crossing, levels_in_one_place
from labbench.reports.wording import counted, factor_label, level_label, listed
from labbench.science.sheet import CouponSheet

SHADES = 5
# A table of more levels is folded up at first.
SMALL = 16
MOST_SENTENCES = 12


@dataclass(frozen=True, slots=True)
class ShadedCount:
    """Coupons with two levels; `shade` from 0 (none) to `SHADES` (as many as anywhere)."""

    count: int
    shade: int


@dataclass(frozen=True, slots=True)
class Heading:
    """A factor over its columns."""

    label: str
    levels: int


@dataclass(frozen=True, slots=True)
class CrossingRow:
    """One level against the levels of all later factors; `skipped` columns come before them."""

    label: str
    skipped: int
    cells: tuple[ShadedCount, ...]


@dataclass(frozen=True, slots=True)
class CrossingGroup:
    """The rows of one factor."""

    label: str
    rows: tuple[CrossingRow, ...]


@dataclass(frozen=True, slots=True)
class CrossingPart:
    """What templates/results/parts/crossing.html takes."""

    words: str
    places: tuple[str, ...]
    headings: tuple[Heading, ...]
    columns: tuple[str, ...]
    groups: tuple[CrossingGroup, ...]
    left_out: str
    is_small: bool


def crossing_part(sheet: CouponSheet | None, repaired_by: Mapping[str, str] | None = None) -> CrossingPart | None:
    """None where there are no two factors to cross."""
    if sheet is None:
        return None
    crossing = level_crossing(sheet)
    factors = [(name, len(list(levels))) for name, levels in groupby(crossing.levels, key=lambda pair: pair[0])]
    if len(factors) < 2:
        return None
    columns = crossing.levels[factors[0][1] :]
    return CrossingPart(
        words=empty_words(crossing, factors),
        places=place_sentences(levels_in_one_place(sheet, repaired_by)),
        headings=tuple(Heading(factor_label(name), levels) for name, levels in factors[1:]),
        columns=tuple(level_label(name, level) for name, level in columns),
        groups=tuple(groups(crossing, factors)),
        left_out=listed(factor_label(name) for name in crossing.left_out) if crossing.left_out else "",
        is_small=len(crossing.levels) <= SMALL,
    )


def groups(crossing: LevelCrossing, factors: list[tuple[str, int]]) -> list[CrossingGroup]:
    """A group of rows for each factor but the last, crossed with the factors behind it."""
    first, made = factors[0][1], []
    start = 0
    most = largest(crossing, factors)
    for name, levels in factors[:-1]:
        end = start + levels
        rows = tuple(
            CrossingRow(
                level_label(name, crossing.levels[i][1]),
                end - first,
                tuple(shaded(int(count), most) for count in crossing.counts[i, end:]),
            )
            for i in range(start, end)
        )
        made.append(CrossingGroup(factor_label(name), rows))
        start = end
    return made


def largest(crossing: LevelCrossing, factors: list[tuple[str, int]]) -> int:
    """The most coupons that two levels of different factors share."""
    end, most = 0, 1
    for _, levels in factors[:-1]:
        start, end = end, end + levels
        most = max(most, int(crossing.counts[start:end, end:].max(initial=0)))
    return most


def shaded(count: int, most: int) -> ShadedCount:
    return ShadedCount(count, math.ceil(SHADES * count / most))


def empty_words(crossing: LevelCrossing, factors: list[tuple[str, int]]) -> str:
    """How many pairs of levels never met."""
    pairs = empty = end = 0
    for _, levels in factors[:-1]:
        start, end = end, end + levels
        part = crossing.counts[start:end, end:]
        pairs += part.size
        empty += int((part == 0).sum())
    if not empty:
        return f"Every one of the {pairs} pairs of levels met on at least one coupon."
    return f"{empty} of {pairs} pairs of levels never met on a coupon."


def place_sentences(levels: tuple[LevelInOnePlace, ...]) -> tuple[str, ...]:
    """What was all in one load or in one pair of hands, in words."""
    words = [
        f"All {counted(one.coupons, 'coupon')} with {factor_label(one.factor)} {level_label(one.factor, one.level)} "
        + (
            f"travelled in {one.place}: what they share can’t be told from what that load went through."
            if one.is_load
            else f"were repaired by {one.place}: what they share can’t be told from whose hands made them."
        )
        for one in levels
    ]
    if len(words) > MOST_SENTENCES:
        words = [*words[:MOST_SENTENCES], f"And {len(words) - MOST_SENTENCES} more levels of which the same is true."]
    return tuple(words)
