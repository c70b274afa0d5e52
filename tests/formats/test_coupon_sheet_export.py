"""Coupon sheets to files and back."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from labbench.formats.cell_numbers import LARGEST
from labbench.formats.cell_text import cleaned, cleaned_lines, guarded, unguarded
from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.formats.coupon_sheet_export import coupon_sheet_table, write_coupon_sheet_csv, write_coupon_sheet_xlsx
from labbench.formats.factor_levels import LOWEST_BY_SUFFIX, natural_order, unit_suffix
from labbench.formats.workbooks import Cell, WorkbookTable, workbook_chunks, write_workbook
from labbench.science.sheet import ROLES, UNIT_SUFFIXES, CouponSheet, FactorColumn

# Every character a person can type, and some that spreadsheets and CSV readers stumble over made likely.
CHARACTERS = st.characters(exclude_categories=["Cc", "Cf", "Cs", "Cn", "Co"]) | st.sampled_from(
    "=+-@'\",;#_x0041 .\u00a0"
)
WORDS = st.text(CHARACTERS, min_size=1, max_size=12).map(cleaned).filter(bool)
LINES = st.text(CHARACTERS | st.just("\n"), min_size=1, max_size=20).map(cleaned_lines).filter(bool)


def numbers(suffix: str) -> st.SearchStrategy[float]:
    lowest = LOWEST_BY_SUFFIX.get(suffix, -LARGEST)
    return st.floats(lowest, LARGEST).map(lambda number: number + 0.0)


@st.composite
def factor_columns(draw: st.DrawFn, coupons: int) -> FactorColumn:
    is_numeric = draw(st.booleans())
    levels: list[Any]
    if is_numeric:
        suffix = draw(st.sampled_from(UNIT_SUFFIXES))
        name = draw(WORDS) + suffix
        suffix = unit_suffix(name) or ""
        values = draw(st.lists(st.none() | numbers(suffix), min_size=coupons, max_size=coupons))
        levels = sorted({value for value in values if value is not None})
    else:
        name = draw(WORDS.filter(lambda word: unit_suffix(word) is None))
        values = draw(st.lists(st.none() | WORDS, min_size=coupons, max_size=coupons))
        levels = sorted({value for value in values if value is not None}, key=natural_order)
    codes = [-1 if value is None else levels.index(value) for value in values]
    return FactorColumn(
        name, "numeric" if is_numeric else "categorical", tuple(levels), np.array(codes, dtype=np.int64)
    )


@st.composite
def coupon_sheets(draw: st.DrawFn) -> CouponSheet:
    coupons = draw(st.lists(WORDS, min_size=1, max_size=6, unique=True))
    n = len(coupons)
    factors = draw(st.lists(factor_columns(n), max_size=3, unique_by=lambda factor: factor.name.casefold()))
    rounds = []
    for _ in coupons:
        planned = draw(st.integers(0, 1000))
        survived = draw(st.integers(0, planned))
        failed = draw(st.just(0) | st.integers(survived + 1, planned)) if survived < planned else 0
        rounds.append((planned, survived, failed))
    objects = st.lists(st.none() | WORDS, min_size=n, max_size=n)
    modes = st.lists(st.none() | LINES, min_size=n, max_size=n)
    strengths = st.just(np.nan) | st.floats(0, 5000, exclude_min=True)
    return CouponSheet(
        coupons=tuple(coupons),
        roles=np.array([draw(st.sampled_from(ROLES)) for _ in coupons], dtype="<U10"),
        factors=tuple(factors),
        blocks=np.array([*draw(objects), None], dtype=object)[:-1],
        rounds_planned=np.array([planned for planned, _, _ in rounds], dtype=np.int64),
        rounds_survived=np.array([survived for _, survived, _ in rounds], dtype=np.int64),
        failed_round=np.array([failed for _, _, failed in rounds], dtype=np.int64),
        failure_modes=np.array([*draw(modes), None], dtype=object)[:-1],
        strength_mpa=np.array([draw(strengths) for _ in coupons], dtype=np.float64),
    )


def assert_same(read: CouponSheet | None, written: CouponSheet) -> None:
    assert read is not None
    assert read.coupons == written.coupons
    assert len(read.factors) == len(written.factors)
    for one, other in zip(read.factors, written.factors, strict=True):
        assert (one.name, one.kind, one.levels) == (other.name, other.kind, other.levels)
        assert one.codes.tolist() == other.codes.tolist()
    for name in ("roles", "blocks", "rounds_planned", "rounds_survived", "failed_round", "failure_modes"):
        assert getattr(read, name).tolist() == getattr(written, name).tolist(), name
    np.testing.assert_array_equal(read.strength_mpa, written.strength_mpa)


@given(coupon_sheets())
@settings(max_examples=150, deadline=None)
def test_csv_reads_back_as_the_same_sheet(sheet: CouponSheet) -> None:
    reading = read_coupon_sheet(write_coupon_sheet_csv(sheet).encode())
    assert reading.fault_lines == []
    assert_same(reading.sheet, sheet)


@given(coupon_sheets())
@settings(max_examples=60, deadline=None)
def test_a_workbook_reads_back_as_the_same_sheet(sheet: CouponSheet) -> None:
    reading = read_coupon_sheet(write_coupon_sheet_xlsx(sheet))
    assert reading.fault_lines == []
    assert_same(reading.sheet, sheet)


@given(st.text(st.sampled_from("=+-@'a1."), max_size=5))
def test_guards_come_off_again_and_hide_every_formula(text: str) -> None:
    assert unguarded(guarded(text)) == text
    if guarded(text)[:1] in ("=", "@"):
        pytest.fail(f"{text} would run as a formula")


def test_csv_holds_no_cell_that_a_spreadsheet_would_run() -> None:
    written = write_coupon_sheet_csv(_sheet("=1+1", "@sum(1)", "+a", "-a", "-5", "plain"))
    cells = [row[0] for row in csv.reader(io.StringIO(written, newline=""))]
    assert cells == ["coupon", "'=1+1", "'@sum(1)", "'+a", "'-a", "-5", "plain"]


def test_a_workbook_holds_texts_where_texts_were_given() -> None:
    cells = ["=1+1", "@sum(1)", "+a", "#N/A", "007", "TRUE"]
    workbook = load_workbook(io.BytesIO(write_workbook([WorkbookTable("t", ["text"], [[cell] for cell in cells])])))
    assert [(cell.value, cell.data_type) for cell in workbook["t"]["A"][1:]] == [(cell, "s") for cell in cells]


def test_tables_of_a_workbook_keep_their_names_as_far_as_names_allow() -> None:
    names = ["coupons", "Coupons", "a/b: c?", "x" * 40, "x" * 50, ""]
    workbook = load_workbook(io.BytesIO(write_workbook(WorkbookTable(name, ["a"], [[1]]) for name in names)))
    assert workbook.sheetnames == ["coupons", "Coupons 2", "a b  c", "x" * 31, "x" * 29 + " 2", "table"]


def test_a_workbook_needs_a_table() -> None:
    with pytest.raises(ValueError, match="at least one table"):
        write_workbook([])


def test_a_workbook_of_several_tables_is_read_from_the_coupons_in_front() -> None:
    sheet = _sheet("C-01")
    other = WorkbookTable("inspections", ["coupon", "round"], [["C-01", 1]])
    reading = read_coupon_sheet(write_workbook([coupon_sheet_table(sheet), other]))
    assert_same(reading.sheet, sheet)
    assert reading.notes == ("read from the first visible sheet, coupons; 1 other sheet left alone",)


def _sheet(*coupons: str) -> CouponSheet:
    n = len(coupons)
    zeros = np.zeros(n, dtype=np.int64)
    nothing = np.full(n, None, dtype=object)
    roles = np.full(n, "test", dtype="<U10")
    return CouponSheet(coupons, roles, (), nothing, zeros, zeros, zeros, nothing, np.full(n, np.nan))


ODD_CELLS = [
    "=1+1", "a & b < c > \"d\"", " two  blanks ", "line\nbreak", "_x0041_ as it stands", "", "bell\x07", True, False, 0, -7,
    10**15, 0.1 + 0.2, 1e-300, 5e-324, date(2026, 11, 2), datetime(2026, 11, 2, 6, 30),
]  # fmt: skip


def test_every_kind_of_cell_reads_back_as_another_library_reads_it() -> None:
    """openpyxl reads what our rows hold; it leaves the format's escapes as they are."""
    written = write_workbook([WorkbookTable("t", [f"c{n}" for n in range(len(ODD_CELLS))], [ODD_CELLS])])
    read = [cell.value for cell in load_workbook(io.BytesIO(written))["t"][2]]
    changed: dict[object, object] = {
        "": None,
        "_x0041_ as it stands": "_x005F_x0041_ as it stands",
        "bell\x07": "bell\ufffd",
        date(2026, 11, 2): datetime(2026, 11, 2),
    }
    expected = [changed.get(cell, cell) for cell in ODD_CELLS]
    assert read == expected
    assert [type(value) for value in read[7:9]] == [bool, bool]


def test_a_workbook_comes_while_its_rows_are_made_and_is_the_same() -> None:
    made: list[int] = []

    def rows() -> Iterator[list[Cell]]:
        for number in range(2000):
            made.append(number)
            yield [number, f"note {number}"]

    chunks = workbook_chunks([WorkbookTable("t", ["n", "note"], rows())])
    first = next(chunks)
    assert 0 < len(made) < 2000
    sheet = load_workbook(io.BytesIO(first + b"".join(chunks)))["t"]
    assert [row[0].value for row in sheet.iter_rows(min_row=2)] == list(range(2000))


def test_what_a_worksheet_can_not_hold_is_left_blank_or_said_otherwise() -> None:
    noon = datetime(2026, 11, 2, 12, tzinfo=UTC)
    written = write_workbook(
        [WorkbookTable("t", ["a", "b", "c", "d"], [[math.nan, math.inf, None, noon], [], ["x" * 40_000]])]
    )
    sheet = load_workbook(io.BytesIO(written))["t"]
    assert [cell.value for cell in sheet[2]] == [None, None, None, "2026-11-02T12:00:00+00:00"]
    assert len(sheet["A4"].value) == 32_767


def test_the_style_of_a_text_like_a_formula_keeps_it_a_text_when_edited() -> None:
    sheet = load_workbook(io.BytesIO(write_workbook([WorkbookTable("t", ["=h", "b"], [["=1", "plain"]])])))["t"]
    assert [cell.quotePrefix for row in sheet.rows for cell in row] == [True, False, True, False]
    assert sheet["A1"].font.bold
    assert not sheet["A2"].font.bold


def test_fracture_origins_come_back_and_are_left_out_where_there_are_none():
    text = b"coupon,rounds_survived,strength_mpa,fracture_origin\nC1,3,50,Elsewhere\nC2,3,60,machine limit\nC3,3,,\n"
    sheet = read_coupon_sheet(text).sheet
    assert list(sheet.fracture_origins) == ["elsewhere", "machine_limit", None]
    again = read_coupon_sheet(write_coupon_sheet_csv(sheet).encode()).sheet
    assert list(again.fracture_origins) == list(sheet.fracture_origins)
    plain = read_coupon_sheet(b"coupon,rounds_survived,strength_mpa\nC1,3,50\n").sheet
    assert plain.fracture_origins is None
    assert "fracture_origin" not in write_coupon_sheet_csv(plain)


def test_a_fracture_origin_needs_a_known_word_and_a_strength():
    text = b"coupon,rounds_survived,strength_mpa,fracture_origin\nC1,3,50,grip\nC2,3,,elsewhere\n"
    assert [str(fault) for fault in read_coupon_sheet(text).faults] == [
        "row 2, column fracture_origin: grip must be one of at_repair, elsewhere, machine_limit, or blank",
        "row 3, column fracture_origin: is given, but strength_mpa is blank",
    ]
