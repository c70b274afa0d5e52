"""LEVELS.json: what could be run though the sheet does not show it."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.formats.runnable_levels import LevelsReading, levels_of_sheet, read_runnable_levels
from labbench.science.sheet import CouponSheet

SHEET = b"""\
coupon,factor.lamp,factor.resin,factor.cure_time_s,rounds_survived
C-01,L2,A,60,1
C-02,L10,B,120,1
"""


@pytest.fixture(scope="module")
def sheet() -> CouponSheet:
    read = read_coupon_sheet(SHEET).sheet
    assert read is not None
    return read


def read(document: object, sheet: CouponSheet) -> LevelsReading:
    return read_runnable_levels(json.dumps(document).encode(), sheet)


def test_levels_of_the_file_join_those_of_the_sheet_in_order(sheet: CouponSheet) -> None:
    document = {
        "levels": {"lamp": ["L9", "L2"], "cure_time_s": [90]},
        "impossible": [{"lamp": "L9", "cure_time_s": 60}],
    }
    levels = read(document, sheet).levels
    assert levels is not None
    assert levels.levels == {"lamp": ("L2", "L9", "L10"), "resin": ("A", "B"), "cure_time_s": (60.0, 90.0, 120.0)}
    assert levels.impossible == ({"lamp": "L9", "cure_time_s": 60.0},)


def test_stock_and_levels_of_one_load(sheet: CouponSheet) -> None:
    document = {"left": {"lamp": {"L2": 0}, "cure_time_s": {"60": 4}}, "levels_per_load": {"resin": 1}}
    levels = read(document, sheet).levels
    assert levels is not None
    assert levels.left == {"lamp": {"L2": 0}, "cure_time_s": {60.0: 4}}
    assert levels.levels_per_load == {"resin": 1}


def test_the_repair_that_failed(sheet: CouponSheet) -> None:
    levels = read({"levels": {"lamp": ["L9"]}, "baseline": {"lamp": "L9", "cure_time_s": 60}}, sheet).levels
    assert levels is not None
    assert levels.baseline == {"lamp": "L9", "cure_time_s": 60.0}


def test_an_empty_object_adds_nothing(sheet: CouponSheet) -> None:
    assert read({}, sheet).levels == levels_of_sheet(sheet)


def test_a_combination_that_was_run_may_be_impossible_by_now(sheet: CouponSheet) -> None:
    reading = read({"impossible": [{"resin": "B", "lamp": "L10"}]}, sheet)
    assert reading.levels is not None
    assert reading.notes == (
        "resin = B, lamp = L10 is called impossible, though coupon C-02 has it: it is not proposed again",
    )


@pytest.mark.parametrize(
    ("document", "lines"),
    [
        ([], ['the levels file must hold an object with the keys "levels" and "impossible"']),
        ({"level": {}}, ['"level" is not a key of a levels file; did you mean levels?']),
        ({"levels": []}, ["levels: must be an object of factors"]),
        ({"levels": {"lamps": ["L1"]}}, ["levels.lamps: is not a factor of the sheet; did you mean lamp?"]),
        ({"levels": {"lamp": "L1"}}, ["levels.lamp: must be a list of levels"]),
        ({"levels": {"lamp": ["L1", "L1"]}}, ["levels.lamp[1]: L1 is already at [0]"]),
        ({"levels": {"lamp": [True]}}, ["levels.lamp[0]: a level must be a text or a number"]),
        ({"levels": {"lamp": [" "]}}, ["levels.lamp[0]: the level is blank"]),
        (
            {"levels": {"cure_time_s": ["90"]}},
            ['levels.cure_time_s[0]: "90" is a text, but cure_time_s has numbers in the sheet'],
        ),
        ({"levels": {"cure_time_s": [1e300]}}, ["levels.cure_time_s[0]: the number is absurdly large"]),
        ({"baseline": ["L2"]}, ["baseline: must be an object of factors"]),
        ({"baseline": {"lamp": "L3"}}, ["baseline.lamp: L3 is not a level; known: L2, L10"]),
        ({"baseline": {"resins": "A"}}, ["baseline.resins: is not a factor of the sheet; did you mean resin?"]),
        ({"left": []}, ["left: must be an object of factors"]),
        ({"left": {"lamp": 3}}, ["left.lamp: must be an object of levels and coupons"]),
        ({"left": {"lamp": {"L2": -1}}}, ["left.lamp.L2: must be a whole number of coupons, 0 or more"]),
        ({"left": {"lamp": {"L2": True}}}, ["left.lamp.L2: must be a whole number of coupons, 0 or more"]),
        ({"left": {"lamp": {"L3": 1}}}, ["left.lamp.L3: is not a level; known: L2, L10"]),
        ({"left": {"cure_time_s": {"nan": 1}}}, ["left.cure_time_s.nan: is not a level; known: 60, 120"]),
        ({"levels_per_load": {"lamp": 0}}, ["levels_per_load.lamp: must be a whole number, 1 or more"]),
        ({"levels_per_load": {"lmp": 1}}, ["levels_per_load.lmp: is not a factor of the sheet; did you mean lamp?"]),
        ({"impossible": {}}, ["impossible: must be a list of combinations"]),
        ({"impossible": [{}]}, ["impossible[0]: must be an object with at least one factor and its level"]),
        (
            {"impossible": [{"lamp": "L1", "resn": "A"}]},
            [
                "impossible[0].lamp: L1 is not a level; did you mean L10?",
                "impossible[0]: resn is not a factor of the sheet; did you mean resin?",
            ],
        ),
    ],
)
def test_every_fault_is_named_by_its_place(document: object, lines: list[str], sheet: CouponSheet) -> None:
    reading = read(document, sheet)
    assert reading.fault_lines == lines
    assert reading.levels is None


@pytest.mark.parametrize(
    ("data", "line"),
    [
        (b"", "the file is empty"),
        (b'{"levels": {]}', "the levels file is not JSON: expecting property name enclosed in double quotes at "),
        (b'{"levels": {"lamp": [NaN]}}', "the levels file holds NaN, which is not a number"),
        (b'{"levels": {}, "levels": {}}', 'the levels file has the key "levels" twice in one object'),
        (b"\xff\xfe\xff", "the levels file is not UTF-8 text"),
        (b"[" * 100_000, "the levels file is not JSON that can be read"),
    ],
)
def test_what_is_no_json_is_told_so(data: bytes, line: str, sheet: CouponSheet) -> None:
    (found,) = read_runnable_levels(data, sheet).fault_lines
    assert found.startswith(line)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["levels", "impossible", "lamp", "cure_time_s", "x"]), inner, max_size=3)
    ),
    max_leaves=12,
)


@given(JSON)
@settings(max_examples=200, deadline=None)
def test_any_json_is_read_or_refused(document: object) -> None:
    sheet = read_coupon_sheet(SHEET).sheet
    assert sheet is not None
    reading = read(document, sheet)
    assert (reading.levels is None) == bool(reading.fault_lines)
