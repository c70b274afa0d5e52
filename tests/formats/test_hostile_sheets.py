"""Whatever the bytes are, a reading comes back: a sheet that holds together, or faults, never an exception."""

from __future__ import annotations

import io
import zipfile

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from labbench.formats.coupon_sheet import SheetReading, check_levels, read_coupon_sheet
from labbench.formats.coupon_sheet_export import write_coupon_sheet_csv
from labbench.science.sheet import ROLES

COLUMNS = [
    "coupon",
    "role",
    "factor.resin",
    "factor.cure_time_s",
    "block",
    "rounds_planned",
    "rounds_survived",
    "failed_round",
    "failure_mode",
    "strength_mpa",
]
ROWS = [
    ["C-01", "test", "A", "60", "load 1", "3", "3", "", "", "45.3"],
    ["C-02", "test", "B", "120", "load 1", "3", "1", "2", "crack ran", ""],
    ["C-03", "pristine", "", "", "", "", "", "", "", "80"],
]
ODD_CELLS = st.sampled_from(
    [
        *("", " ", "-1", "1e999", "-inf", "NaN", "0x10", "1_000", "１２", "1,5", "1.234", "1,234", "1.234.567", "٣"),
        *("C-01", "test", "TEST", "=1+1", "'=x", '"', '""', '"a', "a\nb", "\r", "\x00", "\u202e", "\ud7ff", "ﬁ"),
        *("99999999999999999999", "1e308", "2.0", "03", "+3", "−3", "true", "2026-05-03", "x" * 300, "\ufeff", "½"),
    ]
)
CELLS = ODD_CELLS | st.text(max_size=8) | st.integers(-5, 2000).map(str) | st.floats().map(str)


def assert_holds_together(reading: SheetReading) -> None:
    assert (reading.sheet is None) == bool(reading.faults)
    assert all("\n" not in line for line in reading.fault_lines)
    assert len(reading.faults) <= 1000
    check_levels(reading, {"resin": ["A"]})
    sheet = reading.sheet
    if sheet is None:
        return
    n = len(sheet.coupons)
    assert n == len(set(sheet.coupons)) == len(list(reading.records)) == len(reading.coupon_row_numbers) > 0
    assert all(sheet.coupons)
    assert set(sheet.roles.tolist()) <= set(ROLES)
    for factor in sheet.factors:
        assert len(factor.codes) == n
        assert set(factor.codes.tolist()) - {-1} == set(range(len(factor.levels)))
    failed = sheet.failed_round > 0
    assert (sheet.rounds_survived >= 0).all()
    assert (sheet.rounds_survived <= sheet.rounds_planned).all()
    assert (sheet.failed_round <= sheet.rounds_planned).all()
    assert (sheet.failed_round[failed] > sheet.rounds_survived[failed]).all()
    assert (np.isnan(sheet.strength_mpa) | (sheet.strength_mpa > 0)).all()
    assert read_coupon_sheet(write_coupon_sheet_csv(sheet).encode()).fault_lines == []


@given(st.binary(max_size=300))
@example(b"PK\x03\x04")
@example(b"coupon\n" + b'"' * 99)
@example(b"\xff\xfe\x00\xd8")
@settings(max_examples=300, deadline=None)
def test_any_bytes(data: bytes) -> None:
    assert_holds_together(read_coupon_sheet(data))


@given(st.text(max_size=200), st.sampled_from(["utf-8", "utf-16", "latin-1", "cp1252"]))
@settings(max_examples=200, deadline=None)
def test_any_text_under_a_header(text: str, encoding: str) -> None:
    data = ("coupon,rounds_survived,factor.cure_time_s\n" + text).encode(encoding, errors="replace")
    assert_holds_together(read_coupon_sheet(data))


@given(
    st.lists(st.tuples(st.integers(0, 3), st.integers(0, 10), CELLS), min_size=1, max_size=4),
    st.sampled_from([",", ";", "\t"]),
)
@settings(max_examples=400, deadline=None)
def test_any_cells_in_a_csv_file(changes: list[tuple[int, int, str]], separator: str) -> None:
    rows = changed(changes)
    data = "\n".join(separator.join(row) for row in rows).encode(errors="surrogatepass")
    assert_holds_together(read_coupon_sheet(data))


WORKSHEET_VALUES = (
    st.none()
    | st.booleans()
    | st.integers(-(10**18), 10**18)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.dates().filter(lambda day: day.year >= 1900)
    | st.datetimes().filter(lambda moment: moment.year >= 1900)
    | st.timedeltas()
    | st.sampled_from(["=1+1", "=A1", "#N/A", "#DIV/0!", "'=x", "_x0041_", "a\nb"])
)


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 9), WORKSHEET_VALUES), min_size=1, max_size=4))
@settings(max_examples=100, deadline=None)
def test_any_values_in_a_worksheet(changes: list[tuple[int, int, object]]) -> None:
    rows: list[list[object]] = [list(COLUMNS), *(list(row) for row in ROWS)]
    for row, position, value in changes:
        rows[row][position] = value
    assert_holds_together(read_coupon_sheet(workbook_of(rows)))


@given(st.sampled_from(["sheet1.xml", "workbook.xml", "styles.xml", ".rels", "sharedStrings.xml"]), st.data())
@settings(max_examples=200, deadline=None)
def test_any_damage_to_the_xml_of_a_workbook(part: str, draw: st.DataObject) -> None:
    written = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(WORKBOOK)) as old, zipfile.ZipFile(written, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name.endswith(part):
                at = draw.draw(st.integers(0, len(content)))
                upto = draw.draw(st.integers(at, min(len(content), at + 20)))
                content = (
                    content[:at]
                    + draw.draw(st.binary(max_size=6) | st.from_regex(rb"[0-9A-Z<>\"=/]{1,4}"))
                    + content[upto:]
                )
            new.writestr(name, content)
    assert_holds_together(read_coupon_sheet(written.getvalue()))


@given(st.data())
@settings(max_examples=200, deadline=None)
def test_any_damage_to_the_zip_archive(draw: st.DataObject) -> None:
    damaged = bytearray(WORKBOOK)
    # Headers stand at the beginning and the directory at the end: damage there is the kind worth trying.
    place = st.integers(0, 200) | st.integers(len(damaged) - 900, len(damaged) - 1)
    for _ in range(draw.draw(st.integers(1, 4))):
        damaged[draw.draw(place)] = draw.draw(st.integers(0, 255))
    assert_holds_together(read_coupon_sheet(bytes(damaged)))


def changed(changes: list[tuple[int, int, str]]) -> list[list[str]]:
    rows = [list(COLUMNS), *(list(row) for row in ROWS)]
    for row, position, value in changes:
        rows[row][position : position + 1] = [value]
    return rows


def workbook_of(rows: list[list[object]] | list[list[str]]) -> bytes:
    workbook = Workbook()
    assert workbook.active is not None
    for row in rows:
        workbook.active.append(row)
    written = io.BytesIO()
    workbook.save(written)
    return written.getvalue()


# Made once: it holds the time of its making, and a property test has to draw from the same bytes each time.
WORKBOOK = workbook_of([COLUMNS, *ROWS])
