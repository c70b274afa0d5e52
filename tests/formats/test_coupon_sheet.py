"""Coupon sheets as text: what is read, what is forgiven and noted, what is refused and in which words."""

from __future__ import annotations

import numpy as np
import pytest

from labbench.formats.coupon_records import CouponRow
from labbench.formats.coupon_sheet import SheetReading, check_levels, read_coupon_sheet

SHEET = """\
coupon,role,factor.resin,factor.cure_time_s,block,rounds_planned,rounds_survived,failed_round,failure_mode,strength_mpa
C-01,test,A,60,load 1,3,3,,,45.3
C-02,,L10,120,load 1,3,1,2,crack ran,
C-03,test,L2,60,load 2,,0,1,,
C-04,pristine,,,,,,,,80
"""


def read(text: str, **options: object) -> SheetReading:
    return read_coupon_sheet(text.encode(), **options)  # type: ignore[arg-type]


def test_a_sheet_becomes_arrays() -> None:
    reading = read(SHEET)
    sheet = reading.sheet
    assert reading.fault_lines == []
    assert sheet is not None
    assert sheet.coupons == ("C-01", "C-02", "C-03", "C-04")
    assert sheet.roles.tolist() == ["test", "test", "test", "pristine"]
    assert [(factor.name, factor.kind, factor.levels) for factor in sheet.factors] == [
        ("resin", "categorical", ("A", "L2", "L10")),
        ("cure_time_s", "numeric", (60.0, 120.0)),
    ]
    assert sheet.factors[0].codes.tolist() == [0, 2, 1, -1]
    assert sheet.blocks.tolist() == ["load 1", "load 1", "load 2", None]
    assert sheet.rounds_planned.tolist() == [3, 3, 3, 3]
    assert sheet.rounds_survived.tolist() == [3, 1, 0, 0]
    assert sheet.failed_round.tolist() == [0, 2, 1, 0]
    assert sheet.failure_modes.tolist() == [None, "crack ran", None, None]
    np.testing.assert_array_equal(sheet.strength_mpa, [45.3, np.nan, np.nan, 80.0])


def test_records_keep_what_the_file_leaves_blank() -> None:
    assert read(SHEET).records[2] == CouponRow(
        row=4,
        code="C-03",
        role="test",
        levels={"resin": "L2", "cure_time_s": 60.0},
        block="load 2",
        rounds_planned=None,
        rounds_survived=0,
        failed_round=1,
        failure_mode=None,
        strength_mpa=None,
    )


@pytest.mark.parametrize(
    ("row", "line"),
    [
        ("C-09,test,A,60,,3,3,2,,", "row 2, column failed_round: 2 is not greater than rounds_survived 3"),
        ("C-09,test,A,60,,3,0,4,,", "row 2, column failed_round: 4 is greater than rounds_planned 3"),
        ("C-09,test,A,60,,3,4,,,", "row 2, column rounds_survived: 4 is greater than rounds_planned 3"),
        ("C-09,tset,A,60,,3,3,,,", "row 2, column role: tset is not a role; did you mean test?"),
        (",test,A,60,,3,3,,,", "row 2, column coupon: is blank: every coupon needs a code of its own"),
    ],
)
def test_a_rule_that_is_broken_is_named_with_its_row_and_column(row: str, line: str) -> None:
    reading = read(SHEET.partition("\n")[0] + "\n" + row)
    assert reading.fault_lines == [line]
    assert reading.sheet is None


def test_unknown_levels_of_a_study_are_faults() -> None:
    faults = check_levels(read(SHEET), {"resin": ["A", "L1", "L2"], "cure_time_s": [60, "120"]})
    assert [str(fault) for fault in faults] == [
        "row 3, column factor.resin: L10 is not a level of this factor; did you mean L1?"
    ]
