"""Levels against levels, and levels that never left one load or one pair of hands."""

import numpy as np

from labbench.analysis.crossings import MOST_LEVELS_SHOWN, LevelInOnePlace, level_crossing, levels_in_one_place
from labbench.formats.coupon_sheet import read_coupon_sheet


def sheet(*rows, header="coupon,role,factor.resin,factor.lamp,block,rounds_survived"):
    reading = read_coupon_sheet("\n".join([header, *rows]).encode())
    assert reading.sheet is not None, reading.faults
    return reading.sheet


ROWS = (
    "C1,test,A,L1,load 1,3",
    "C2,test,A,L1,load 1,3",
    "C3,test,B,L1,load 1,3",
    "C4,test,B,L2,load 2,3",
    "C5,test,B,,load 2,3",
    "C6,reference,A,L2,load 2,3",
)


def test_counts_are_those_of_counting_coupon_by_coupon():
    drawn = sheet(*ROWS)
    crossing = level_crossing(drawn)
    assert crossing.levels == (("resin", "A"), ("resin", "B"), ("lamp", "L1"), ("lamp", "L2"))
    assert np.array_equal(crossing.counts, [[2, 0, 2, 0], [0, 3, 1, 1], [2, 1, 3, 0], [0, 1, 0, 1]])


def test_a_level_of_one_load_is_named_and_a_control_does_not_count():
    # The reference repair took resin A into load 2, but it is no test coupon.
    assert levels_in_one_place(sheet(*ROWS)) == (
        LevelInOnePlace("resin", "A", 2, "load 1", True),
        LevelInOnePlace("lamp", "L1", 3, "load 1", True),
    )


def test_a_single_load_says_nothing_about_levels():
    assert levels_in_one_place(sheet(*(row.replace("load 2", "load 1") for row in ROWS))) == ()


def test_hands_are_known_from_the_repairs_or_from_the_factor():
    one_load = [row.replace("load 2", "load 1") for row in ROWS]
    by = {"C1": "ann", "C2": "ann", "C3": "ann", "C4": "bob", "C5": "ann"}
    assert levels_in_one_place(sheet(*one_load), by) == (
        LevelInOnePlace("resin", "A", 2, "ann", False),
        LevelInOnePlace("lamp", "L1", 3, "ann", False),
    )
    with_factor = [f"{row},{'bob' if number == 1 else 'cem'}" for number, row in enumerate(one_load)]
    header = "coupon,role,factor.resin,factor.lamp,block,rounds_survived,factor.technician"
    # The factor goes before the records: C1 and C2 had different hands.
    assert levels_in_one_place(sheet(*with_factor, header=header), by) == (
        LevelInOnePlace("resin", "B", 3, "cem", False),
    )


def test_a_factor_without_room_is_left_out_and_said():
    rows = [f"C{i},test,R{i},L{i % 2},load 1,3" for i in range(MOST_LEVELS_SHOWN + 1)]
    crossing = level_crossing(sheet(*rows))
    assert crossing.left_out == ("resin",)
    assert {name for name, _ in crossing.levels} == {"lamp"}
