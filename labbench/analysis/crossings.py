"""Levels of all factors against each other: how many test coupons carry both, and which levels never left one load or one pair of hands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labbench.science.sheet import CouponSheet, Level

# More levels than these make no picture that can be read.
MOST_LEVELS_SHOWN = 48
TECHNICIAN = "technician"


@dataclass(frozen=True, slots=True)
class LevelCrossing:
    """Test coupons with each pair of levels.

    `levels` are pairs of factor and level in the order of the sheet; `counts[i, j]` belongs to `levels[i]` and `levels[j]`, on the
    diagonal how many coupons carry a level. `left_out` are factors for which there was no room.
    """

    levels: tuple[tuple[str, Level], ...]
    counts: NDArray[np.int64]
    left_out: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LevelInOnePlace:
    """A level whose test coupons were all in the same load, or all repaired by the same person, though there were others."""

    factor: str
    level: Level
    coupons: int
    place: str
    is_load: bool


def level_crossing(sheet: CouponSheet) -> LevelCrossing:
    """How often the levels of all factors met on test coupons; levels that no test coupon carries are left out."""
    shown: list[tuple[str, Level]] = []
    carried: list[NDArray[np.bool_]] = []
    left_out = []
    for column in sheet.factors:
        here = [
            (level, sheet.is_test & (column.codes == code))
            for code, level in enumerate(column.levels)
            if (sheet.is_test & (column.codes == code)).any()
        ]
        if len(shown) + len(here) > MOST_LEVELS_SHOWN:
            left_out.append(column.name)
            continue
        shown += [(column.name, level) for level, _ in here]
        carried += [which for _, which in here]
    # Whole numbers in floats: the product of floats is the fast one, and counts are far below where they round.
    table = np.array(carried, dtype=np.float64).reshape(len(carried), len(sheet.coupons))
    return LevelCrossing(tuple(shown), (table @ table.T).astype(np.int64), tuple(left_out))


def levels_in_one_place(
    sheet: CouponSheet, repaired_by: Mapping[str, str] | None = None
) -> tuple[LevelInOnePlace, ...]:
    """Levels of two or more test coupons that only one load, or one technician, had to do with.

    What such coupons share can't be told from what the load or the person did. `repaired_by` names who repaired a coupon; a
    factor ``technician`` of the sheet goes before it. Levels are passed over where all test coupons shared the place, for then
    no other level had another one either, and of factors with one level.
    """
    loads = ["" if block is None else str(block) for block in sheet.blocks]
    technician = next((column for column in sheet.factors if column.name == TECHNICIAN), None)
    if technician is not None:
        people = ["" if code < 0 else str(technician.levels[code]) for code in technician.codes]
    else:
        people = [(repaired_by or {}).get(code, "") for code in sheet.coupons]
    found: list[LevelInOnePlace] = []
    for names, is_load in ((loads, True), (people, False)):
        places = np.array(names, dtype=object)
        if len({name for name, is_test in zip(names, sheet.is_test, strict=True) if is_test and name}) > 1:
            found += in_one_place(sheet, places, is_load=is_load)
    return tuple(found)


def in_one_place(sheet: CouponSheet, places: NDArray[np.object_], *, is_load: bool) -> Sequence[LevelInOnePlace]:
    found = []
    for column in sheet.factors:
        ran = np.unique(column.codes[sheet.is_test & (column.codes >= 0)])
        if len(ran) < 2 or (column.name == TECHNICIAN and not is_load):
            continue
        for code in ran:
            seen = places[sheet.is_test & (column.codes == code)]
            if len(seen) > 1 and seen[0] and (seen == seen[0]).all():
                found.append(LevelInOnePlace(column.name, column.levels[code], len(seen), seen[0], is_load))
    return found
