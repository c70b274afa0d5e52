"""Coupon sheets: what is read, what is forgiven and noted, what is refused and in which words."""

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


def read(text: str) -> SheetReading:
    return read_coupon_sheet(text.encode())


def read_rows(*rows: str) -> SheetReading:
    """The rows under the header of `SHEET`."""
    return read("\n".join([SHEET.partition("\n")[0], *rows]))


def column(name: str, *values: str) -> SheetReading:
    """A sheet of this column, semicolons between its cells, with all else in order."""
    rounds = "" if name == "rounds_survived" else ";rounds_survived"
    rows = [f"C-{number};{value}" + (";0" if rounds else "") for number, value in enumerate(values, start=1)]
    return read("\n".join([f"coupon;{name}{rounds}", *rows]))


def test_a_sheet_becomes_arrays() -> None:
    reading = read(SHEET)
    sheet = reading.sheet
    assert reading.fault_lines == []
    assert reading.notes == ()
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
    ("row", "lines"),
    [
        ("C-09,test,A,60,,3,3,2,,", ["row 2, column failed_round: 2 is not greater than rounds_survived 3"]),
        ("C-09,test,A,60,,3,3,3,,", ["row 2, column failed_round: 3 is not greater than rounds_survived 3"]),
        ("C-09,test,A,60,,3,0,4,,", ["row 2, column failed_round: 4 is greater than rounds_planned 3"]),
        ("C-09,test,A,60,,3,4,,,", ["row 2, column rounds_survived: 4 is greater than rounds_planned 3"]),
        ("C-09,tset,A,60,,3,3,,,", ["row 2, column role: tset is not a role; did you mean test?"]),
        (
            "C-09,xyz,A,60,,3,3,,,",
            ["row 2, column role: xyz is not a role; it must be one of test, pristine, unrepaired, reference"],
        ),
        (",test,A,60,,3,3,,,", ["row 2, column coupon: is blank: every coupon needs a code of its own"]),
        ("C-09,test,A,60,,3,-3,,,", ["row 2, column rounds_survived: -3 is below 0"]),
        (
            "C-09,test,A,60,,3,3,0,,",
            ["row 2, column failed_round: 0 is below 1: leave the cell blank if it never failed"],
        ),
        ("C-09,test,A,60,,1001,3,,,", ["row 2, column rounds_planned: 1001 is more than 1000 rounds"]),
        ("C-09,test,A,60,,3,2.5,,,", ["row 2, column rounds_survived: 2.5 is not a whole number"]),
        ("C-09,test,A,60,,3,three,,,", ['row 2, column rounds_survived: "three" is not a number']),
        (
            "C-09,test,A,60,,3,3,,,0",
            ["row 2, column strength_mpa: 0 is not above 0: leave the cell blank if the coupon was not broken"],
        ),
        (
            "C-09,test,A,60,,3,3,,,45300000",
            ["row 2, column strength_mpa: 45300000 is above 5000, which no pane of glass holds: is it in MPa?"],
        ),
        (
            "C-09,test,A,60,,3,3,,,inf",
            ["row 2, column strength_mpa: inf is not a finite number: leave the cell blank if there is none"],
        ),
        ("C-09,test,A,60,,3,3,,,1e999", ["row 2, column strength_mpa: 1e999 is absurdly large"]),
        ("C-09,test,A,60,,3,3,,,45 MPa", ['row 2, column strength_mpa: "45 MPa" is not a number']),
        ("C-09,test,A,-60,,3,3,,,", ["row 2, column factor.cure_time_s: -60 is negative"]),
        (
            "C-09,test,A,nan,,3,3,,,",
            ["row 2, column factor.cure_time_s: nan is not a finite number: leave the cell blank if there is none"],
        ),
        (
            "C-09,test,A\x07B,60,,3,3,,,",
            ["row 2, column factor.resin: A\\u0007B contains U+0007, a character that can't be seen"],
        ),
        (
            "C-09,test,A\u202eB,60,,3,3,,,",
            ["row 2, column factor.resin: A\\u202eB contains U+202E, a character that can't be seen"],
        ),
        (
            f"C-09,test,{'A' * 201},60,,3,3,,,",
            [f"row 2, column factor.resin: {'A' * 20}… is longer than 200 characters"],
        ),
        (
            "C-09,test,A,60,,3,,2,,",
            [
                "row 2, column rounds_survived: is blank: "
                "give the last round after which the coupon was seen to hold, 0 if none"
            ],
        ),
        (
            "C-09,tset,A,60,,3,-1,2000,,x",
            [
                "row 2, column role: tset is not a role; did you mean test?",
                "row 2, column rounds_survived: -1 is below 0",
                "row 2, column failed_round: 2000 is more than 1000 rounds",
                'row 2, column strength_mpa: "x" is not a number',
            ],
        ),
    ],
)
def test_a_rule_that_is_broken_is_named_with_its_row_and_column(row: str, lines: list[str]) -> None:
    reading = read_rows(row)
    assert reading.fault_lines == lines
    assert reading.sheet is None
    assert list(reading.records) == []


def test_a_code_that_occurs_twice_names_the_first_row() -> None:
    assert read_rows("C-01,,A,60,,3,3,,,", "C-02,,A,60,,3,3,,,", "C-01 ,,A,60,,3,3,,,").fault_lines == [
        "row 4, column coupon: C-01 is already in row 2: codes must be unique"
    ]


def test_a_blank_rounds_survived_is_zero_where_nothing_else_is_possible() -> None:
    reading = read_rows("C-01,,A,60,,3,,1,,", "C-02,pristine,,,,,,,,70", "C-03,unrepaired,,,,,,,,20")
    assert reading.fault_lines == []
    assert [record.rounds_survived for record in reading.records] == [0, 0, 0]


def test_a_missing_rounds_survived_column_is_one_fault_not_one_a_row() -> None:
    assert read("coupon,failed_round\nC-01,1\nC-02,\nC-03,\n").fault_lines == [
        "row 1, column rounds_survived: is missing, and row 3 needs it: "
        "the last round after which the coupon was seen to hold, 0 if none"
    ]


def test_a_sheet_without_rounds_is_one_of_strengths_only() -> None:
    reading = read("coupon,factor.resin,strength_mpa\nC-01,A,40\nC-02,B,50\n")
    assert reading.notes == ("the sheet has no rounds: rounds_survived is taken as 0 for all coupons",)
    assert [record.rounds_survived for record in reading.records] == [0, 0]


def test_planned_rounds_default_to_the_largest_round_number() -> None:
    reading = read("coupon,rounds_survived,failed_round\nC-01,2,\nC-02,3,4\n")
    assert reading.sheet is not None
    assert reading.sheet.rounds_planned.tolist() == [4, 4]
    assert [record.rounds_planned for record in reading.records] == [None, None]


@pytest.mark.parametrize("role", ["Test", " TEST ", "test"])
def test_capitals_and_blanks_do_not_make_another_role(role: str) -> None:
    assert read_rows(f"C-01,{role},A,60,,3,3,,,").records[0].role == "test"


@pytest.mark.parametrize(
    ("header", "lines"),
    [
        (
            "coupon,rounds_survived,failed_rounds",
            [
                "row 1, column failed_rounds: is not a column of a coupon sheet (it is column C); "
                "did you mean failed_round?"
            ],
        ),
        (
            "coupon,rounds_survived,resin",
            [
                "row 1, column resin: is not a column of a coupon sheet (it is column C); "
                "a factor's column is named factor.resin"
            ],
        ),
        (
            "coupon,rounds_survived,factors_resin",
            [
                "row 1, column factors_resin: is not a column of a coupon sheet (it is column C); "
                "did you mean factor.resin?"
            ],
        ),
        (
            "coupon,rounds_survived,factor.",
            ["row 1, column factor.: is a factor without a name (it is column C): name it like factor.resin"],
        ),
        ("role,rounds_survived,block", ["row 1, column coupon: is missing: every coupon needs a code of its own"]),
        ("coupon,rounds_survived,coupon", ["row 1, column coupon: occurs twice: in columns A and C"]),
        ("coupon,rounds_survived,Coupon", ["row 1, column coupon: occurs twice: in columns A and C"]),
        (
            "coupon,rounds_survived, ,block",
            ["row 1, column C: has no name in the header, but row 2 has the value a"],
        ),
    ],
)
def test_a_wrong_header_is_named_column_by_column(header: str, lines: list[str]) -> None:
    cells = ["pristine", "0", "a", "b"][: header.count(",") + 1]
    assert read(f"{header}\n{','.join(cells)}\n").fault_lines == lines


def test_capitals_and_blanks_in_fixed_names_are_forgiven_and_noted() -> None:
    reading = read(" Coupon ,Rounds Survived,Failed-Round,Factor. Resin\nC-01,1,,A\n")
    assert reading.fault_lines == []
    assert reading.notes == (
        "column names read: Coupon as coupon, Rounds Survived as rounds_survived, "
        "Failed-Round as failed_round, Factor. Resin as factor.Resin",
    )


def test_a_factor_without_unit_keeps_names_that_look_like_numbers() -> None:
    (factor,) = column("factor.lamp", "10", "9", "010").factors
    assert (factor.kind, factor.levels) == ("categorical", ("9", "010", "10"))


def test_numbers_written_differently_are_one_level() -> None:
    (factor,) = column("factor.cure_time_s", "60", "60.0", "6e1", "+60", "120", "").factors
    assert (factor.kind, factor.levels) == ("numeric", (60.0, 120.0))
    assert factor.codes.tolist() == [0, 0, 0, 0, 1, -1]


def test_one_name_among_numbers_makes_names_of_them_and_is_noted() -> None:
    reading = column("factor.cure_time_s", "60", "short", "120")
    assert reading.factors[0].levels == ("60", "120", "short")
    assert "factor.cure_time_s is read as names, not as numbers, because of short in row 3" in reading.notes


def test_a_unit_written_behind_every_number_makes_names_of_them_and_is_noted() -> None:
    reading = column("factor.cure_time_s", "60 s", "90 s")
    assert reading.factors[0].kind == "categorical"
    assert "factor.cure_time_s is read as names, not as numbers, because of 60 s in row 2" in reading.notes


def test_names_under_a_name_that_happens_to_end_like_a_unit_are_not_noted() -> None:
    assert not any("read as names" in note for note in column("factor.glass_c", "clear", "tinted").notes)


def test_levels_that_may_be_one_are_noted() -> None:
    assert "factor.resin: Alpha and alpha are read as two levels" in column("factor.resin", "Alpha", "alpha").notes
    assert "factor.lot: 1 and 1.0 are read as two levels" in column("factor.lot", "1", "2", "1.0").notes
    assert "factor.lot: 07 and 7 are read as two levels" in column("factor.lot", "07", "8", "7").notes
    assert (
        "factor.resin: n/a is read as a level; leave the cell blank where it is not known"
        in column("factor.resin", "A", "n/a").notes
    )


@pytest.mark.parametrize(
    ("values", "numbers"),
    [
        (["45,3", "7"], [45.3, 7.0]),
        (["45,3", "45,125"], [45.3, 45.125]),
        (["0,125"], [0.125]),
        (["45.3", "45.125"], [45.3, 45.125]),
        (["45.125"], [45.125]),
        (["45.3", "7,5"], [45.3, 7.5]),
        (["1234,567"], [1234.567]),
        ([".5", "5."], [0.5, 5.0]),
    ],
)
def test_decimal_commas_and_points_are_told_apart(values: list[str], numbers: list[float]) -> None:
    reading = column("strength_mpa", *values)
    assert reading.fault_lines == []
    assert [record.strength_mpa for record in reading.records] == numbers


@pytest.mark.parametrize(
    ("values", "line"),
    [
        (
            ["45,125"],
            "row 2, column strength_mpa: 45,125 could mean 45125 or 45.125: write it without a thousands separator",
        ),
        (
            ["1.200", "45,3"],
            "row 2, column strength_mpa: 1.200 could mean 1200 or 1.200: write it without a thousands separator",
        ),
        (
            ["45,125", "45.3"],
            "row 2, column strength_mpa: 45,125 could mean 45125 or 45.125: write it without a thousands separator",
        ),
        (
            ["1,234.5"],
            "row 2, column strength_mpa: 1,234.5 has a thousands separator: write the number without it",
        ),
        (
            ["1.234,5"],
            "row 2, column strength_mpa: 1.234,5 has a thousands separator: write the number without it",
        ),
        (["1 234"], "row 2, column strength_mpa: 1 234 has a thousands separator: write the number without it"),
        (["1'234"], "row 2, column strength_mpa: 1'234 has a thousands separator: write the number without it"),
    ],
)
def test_a_number_that_could_mean_two_is_refused(values: list[str], line: str) -> None:
    assert column("strength_mpa", *values).fault_lines == [line]


def test_a_thousand_rounds_with_a_separator_are_not_one_round() -> None:
    reading = read("coupon;rounds_survived;strength_mpa\nC-01;1,000;45,3\n")
    assert reading.fault_lines == ["row 2, column rounds_survived: 1,000 is not a whole number"]


def test_unknown_levels_of_a_study_are_faults() -> None:
    faults = check_levels(read(SHEET), {"resin": ["A", "L1", "L2"], "cure_time_s": [60, "120"]})
    assert [str(fault) for fault in faults] == [
        "row 3, column factor.resin: L10 is not a level of this factor; did you mean L1?"
    ]


def test_an_unknown_factor_of_a_study_is_a_fault() -> None:
    faults = check_levels(read(SHEET), {"resins": ["A"], "cure_time_s": [60.0, 120.0]})
    assert [str(fault) for fault in faults] == [
        "column factor.resin: is not a factor of this study; did you mean resins?"
    ]


def test_unknown_levels_are_listed_beside_other_faults() -> None:
    reading = read_rows("C-01,tset,Z,60,,3,3,,,", "C-02,test,A,75,,3,3,,,")
    assert reading.sheet is None
    assert [str(fault) for fault in check_levels(reading, {"resin": ["A", "B"], "cure_time_s": [60, 90]})] == [
        "row 2, column factor.resin: Z is not a level of this factor; known: A, B",
        "row 3, column factor.cure_time_s: 75 is not a level of this factor; known: 60, 90",
    ]


def test_faulty_cells_are_found_again_in_the_preview() -> None:
    reading = read("Coupon,Rounds Survived,factor.resin\nC-01,x,A\nC-01,1,A,B,C\n")
    assert reading.columns == ("coupon", "rounds_survived", "factor.resin")
    assert reading.faulty_cells == {
        2: {1: '"x" is not a number'},
        3: {
            -1: "has 5 cells, but the header has 3; a comma inside a value needs quotes around the value",
            0: "C-01 is already in row 2: codes must be unique",
        },
    }


def test_a_factor_with_a_level_for_each_coupon_is_doubted() -> None:
    reading = column("factor.remark", *(f"remark {number}" for number in range(40)))
    assert "factor.remark has 40 levels, most for a single coupon: is it a factor?" in reading.notes
