"""Coupon sheets as workbooks: what a worksheet can hide, and what a hostile one can try."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from datetime import date, datetime
from typing import Any

import pytest
from openpyxl import Workbook

from labbench.formats.coupon_sheet import SheetReading, read_coupon_sheet
from labbench.formats.limits import Limits

HEADER = ["coupon", "factor.resin", "block", "rounds_survived", "failed_round", "strength_mpa"]
ROW = ["C-01", "A", "load 1", 3, None, 45.3]
NAMESPACE = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
RELATIONS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"


def saved(workbook: Workbook) -> bytes:
    written = io.BytesIO()
    workbook.save(written)
    return written.getvalue()


def read_rows(*rows: list[Any], change: Callable[[Any], None] | None = None) -> SheetReading:
    workbook = Workbook()
    worksheet = workbook.active
    assert worksheet is not None
    for row in rows:
        worksheet.append(row)
    if change is not None:
        change(worksheet)
    return read_coupon_sheet(saved(workbook))


def packed(sheet_data: str, *, beside: str = "", prolog: str = "", **members: str) -> bytes:
    """The smallest workbook with this XML in its only worksheet."""
    parts = {
        "_rels/.rels": relations(("rId1", "officeDocument", "xl/workbook.xml")),
        "xl/workbook.xml": f'<workbook xmlns="{NAMESPACE}" xmlns:r="{RELATIONS}"><sheets>'
        '<sheet name="one" sheetId="1" r:id="rId1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": relations(
            ("rId1", "worksheet", "worksheets/sheet1.xml"), ("rId2", "sharedStrings", "sharedStrings.xml")
        ),
        "xl/worksheets/sheet1.xml": f'{prolog}<worksheet xmlns="{NAMESPACE}"><sheetData>{sheet_data}</sheetData>'
        f"{beside}</worksheet>",
    } | members
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(name, text)
    return written.getvalue()


def relations(*related: tuple[str, str, str]) -> str:
    each = "".join(f'<Relationship Id="{i}" Type="{RELATIONS}/{kind}" Target="{path}"/>' for i, kind, path in related)
    return f'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">{each}</Relationships>'


def text_cells(*texts: str) -> str:
    return "".join(f'<c t="inlineStr"><is><t>{text}</t></is></c>' for text in texts)


HEADER_XML = f"<row>{text_cells('coupon', 'rounds_survived', 'strength_mpa')}</row>"


def test_a_worksheet_is_read_like_the_same_csv() -> None:
    reading = read_rows(HEADER, ROW, ["C-02", "B", "load 2", 1.0, 2, None])
    csv = (
        "coupon,factor.resin,block,rounds_survived,failed_round,strength_mpa\nC-01,A,load 1,3,,45.3\nC-02,B,load 2,1,2,"
    )
    assert reading.fault_lines == []
    assert list(reading.records) == list(read_coupon_sheet(csv.encode()).records)
    assert (reading.kind, reading.header, reading.rows[1][3]) == ("xlsx", tuple(HEADER), "1")


@pytest.mark.parametrize(
    ("column", "value", "line"),
    [
        ("failed_round", date(2026, 5, 3), "row 2, column failed_round: 2026-05-03 is a date, not a number"),
        (
            "strength_mpa",
            datetime(2026, 5, 3, 8, 30),
            "row 2, column strength_mpa: 2026-05-03T08:30:00 is a date, not a number",
        ),
        (
            "factor.resin",
            date(2026, 5, 3),
            "row 2, column factor.resin: 2026-05-03 is a date, not a name: store the cell as text if a name was meant",
        ),
        ("strength_mpa", "#N/A", "row 2, column strength_mpa: #N/A is an error value of the spreadsheet"),
        ("factor.resin", "#REF!", "row 2, column factor.resin: #REF! is an error value of the spreadsheet"),
        ("failed_round", True, 'row 2, column failed_round: "TRUE" is not a number'),
        ("rounds_survived", 2.5, "row 2, column rounds_survived: 2.5 is not a whole number"),
        (
            "strength_mpa",
            "=40+5",
            "row 2, column strength_mpa: is a formula whose result is not stored in the file: replace it by its value",
        ),
    ],
)
def test_a_cell_that_is_not_what_its_column_takes_is_named(column: str, value: object, line: str) -> None:
    row: list[Any] = list(ROW)
    row[HEADER.index(column)] = value
    assert read_rows(HEADER, row).fault_lines == [line]


def test_the_day_a_load_was_run_may_be_a_date() -> None:
    reading = read_rows(HEADER, ["C-01", "A", date(2026, 5, 3), 3, None, None])
    assert reading.records[0].block == "2026-05-03"


def test_dates_of_the_1904_calendar_are_told() -> None:
    workbook = Workbook()
    from openpyxl.utils.datetime import CALENDAR_MAC_1904

    workbook.epoch = CALENDAR_MAC_1904
    assert workbook.active is not None
    workbook.active.append(HEADER)
    workbook.active.append(["C-01", "A", date(2026, 5, 3), 3, None, None])
    assert read_coupon_sheet(saved(workbook)).records[0].block == "2026-05-03"


def test_a_percentage_is_refused_because_it_may_mean_two_numbers() -> None:
    def show_as_percent(worksheet: Any) -> None:
        worksheet["B2"].number_format = "0.0%"

    reading = read_rows(["coupon", "factor.humidity_percent"], ["C-01", 0.5], change=show_as_percent)
    assert reading.fault_lines == [
        "row 2, column factor.humidity_percent: 0.5 is shown as a percentage: store it as a plain number, "
        "so that it can't be taken for a hundred times more or less"
    ]


def test_merged_cells_are_named_by_their_range() -> None:
    reading = read_rows(HEADER, ROW, ["C-02", "A", None, 3], change=lambda worksheet: worksheet.merge_cells("C2:C3"))
    assert reading.fault_lines == [
        "row 2, column block: the cells C2:C3 are merged: split them and fill in a value for each"
    ]


def test_a_merged_title_above_the_header_is_told_with_its_range() -> None:
    reading = read_rows(["Cycling of May"], HEADER, ROW, change=lambda worksheet: worksheet.merge_cells("A1:F1"))
    assert reading.fault_lines == [
        "row 1, column Cycling of May: the cells A1:F1 are merged: split them and fill in a value for each",
        "row 1: the first row must name the columns (coupon, factor.NAME, rounds_survived, failed_round, ...); "
        "it reads: Cycling of May; cells are separated by commas, semicolons or tabs",
    ]


def test_merged_cells_beside_the_table_do_not_matter() -> None:
    assert read_rows(HEADER, ROW, change=lambda worksheet: worksheet.merge_cells("J9:K12")).fault_lines == []


def test_formulas_count_as_their_stored_results() -> None:
    row = f"<row>{text_cells('C-01')}<c><f>1+2</f><v>3</v></c><c><f>A1</f><v>45.299999999999997</v></c></row>"
    reading = read_coupon_sheet(packed(HEADER_XML + row))
    assert reading.notes == ("2 formulas: the stored results were used",)
    assert (reading.records[0].rounds_survived, reading.records[0].strength_mpa) == (3, 45.3)


def test_rows_keep_the_numbers_of_the_worksheet() -> None:
    rows = HEADER_XML.replace("<row>", '<row r="3">') + f'<row r="7" hidden="1">{text_cells("C-01", "x")}</row>'
    reading = read_coupon_sheet(packed(rows))
    assert reading.fault_lines == ['row 7, column rounds_survived: "x" is not a number']
    assert (reading.header_row, reading.notes) == (3, ("1 hidden row read like the others",))


def test_shared_strings_are_read_without_their_phonetic_hints() -> None:
    strings = (
        f'<sst xmlns="{NAMESPACE}"><si><t>coupon</t></si><si><r><t>rounds_</t></r><r><t>survived</t></r></si>'
        "<si><t>C-01</t><rPh><t>hint</t></rPh></si><si><t>_x0043__x005F_x0043_</t></si></sst>"
    )
    rows = "".join(
        f'<row><c t="s"><v>{one}</v></c>{other}</row>'
        for one, other in ((0, '<c t="s"><v>1</v></c>'), (2, "<c><v>3</v></c>"), (3, "<c><v>3</v></c>"))
    )
    reading = read_coupon_sheet(packed(rows, **{"xl/sharedStrings.xml": strings}))
    assert [record.code for record in reading.records] == ["C-01", "C_x0043_"]


def test_hidden_sheets_are_passed_over() -> None:
    workbook = Workbook()
    assert workbook.active is not None
    workbook.active.sheet_state = "hidden"
    worksheet = workbook.create_sheet("cycling")
    worksheet.append(HEADER)
    worksheet.append(ROW)
    reading = read_coupon_sheet(saved(workbook))
    assert len(reading.records) == 1
    assert reading.notes == ("read from the first visible sheet, cycling; 1 other sheet left alone",)


def test_the_content_decides_not_the_name() -> None:
    workbook = Workbook()
    assert workbook.active is not None
    workbook.active.append(HEADER)
    workbook.active.append(ROW)
    reading = read_coupon_sheet(saved(workbook), filename="sheet.csv")
    assert reading.kind == "xlsx"
    assert reading.notes == ("the file is named .csv, but is an XLSX workbook and was read as one",)


def test_an_empty_worksheet_is_said_to_be_empty() -> None:
    assert read_rows().fault_lines == ["the sheet is empty"]


BILLION = (
    '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">'
    '<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;">]>'
)


@pytest.mark.parametrize(
    "where", ["xl/worksheets/sheet1.xml", "xl/workbook.xml", "xl/sharedStrings.xml", "_rels/.rels"]
)
def test_xml_entities_are_refused_wherever_they_stand(where: str) -> None:
    data = packed(HEADER_XML, **{where: f"{BILLION}<x>&c;</x>"})
    assert read_coupon_sheet(data).fault_lines == [
        "the workbook declares XML entities, which no spreadsheet does: it is refused"
    ]


def test_a_zip_bomb_is_refused_by_its_directory() -> None:
    bomb = packed(HEADER_XML, **{"xl/media/image1.png": "0" * 3_000_000})
    assert read_coupon_sheet(bomb).fault_lines == [
        "the workbook is packed far tighter than any sheet of data: it is refused"
    ]
    assert read_coupon_sheet(bomb, limits=Limits(unpacked_bytes=2 * 1024 * 1024)).fault_lines == [
        "the workbook unpacks to more than 2 MB: it is refused"
    ]


def test_a_zip_whose_directory_lies_about_sizes_is_refused() -> None:
    honest = packed(HEADER_XML + f"<row>{text_cells('C' * 5000)}</row>" * 100)
    with zipfile.ZipFile(io.BytesIO(honest)) as archive:
        size = archive.getinfo("xl/worksheets/sheet1.xml").file_size
    lying = honest.replace(size.to_bytes(4, "little"), (100).to_bytes(4, "little"))
    assert lying != honest
    assert read_coupon_sheet(lying).fault_lines == [
        "the workbook is damaged: open it in a spreadsheet and save it again, or save it as CSV"
    ]


def test_too_many_members_are_refused() -> None:
    many = packed(HEADER_XML, **{f"xl/{number}.bin": "" for number in range(50)})
    assert read_coupon_sheet(many, limits=Limits(members=20)).fault_lines == [
        "the workbook holds more than 20 files: it is refused"
    ]


def test_values_far_to_the_right_or_far_down_do_not_fill_the_memory() -> None:
    far = '<row r="1048576"><c r="XFD1048576"><v>1</v></c></row>'
    assert read_coupon_sheet(packed(HEADER_XML + far)).fault_lines == [
        "row 1048576: the sheet has values beyond column 200"
    ]
    down = '<row r="1048576"><c r="A1048576"><v>1</v></c><c r="B1048576"><v>0</v></c></row>'
    assert read_coupon_sheet(packed(HEADER_XML + down)).records[0].row == 1048576


def test_a_formatted_blank_cell_far_away_is_no_value() -> None:
    far = '<row r="9"><c r="XFD9" s="0"/></row>'
    row = f"<row>{text_cells('C-01')}<c><v>1</v></c></row>"
    assert read_coupon_sheet(packed(HEADER_XML + row + far)).fault_lines == []


@pytest.mark.parametrize(
    "sheet_data",
    [
        "<row",
        '<row r="x"><c><v>1</v></c></row>',
        '<row><c r="1A"><v>1</v></c></row>',
        '<row><c t="s"><v>99</v></c></row>',
        "<row><c><v>one</v></c></row>",
    ],
)
def test_a_damaged_worksheet_is_said_to_be_damaged(sheet_data: str) -> None:
    (line,) = read_coupon_sheet(packed(sheet_data)).fault_lines
    assert line.endswith("the workbook is damaged: open it in a spreadsheet and save it again, or save it as CSV")


def test_another_zip_archive_is_no_workbook() -> None:
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
    assert read_coupon_sheet(written.getvalue()).fault_lines == [
        "the file is a zip archive, but not an XLSX workbook: save the table as CSV or XLSX"
    ]


def test_a_cut_workbook_is_said_to_be_damaged() -> None:
    whole = packed(HEADER_XML)
    assert read_coupon_sheet(whole[: len(whole) // 2]).fault_lines == [
        "the workbook is damaged: open it in a spreadsheet and save it again, or save it as CSV"
    ]


def test_a_hundred_thousand_rows_are_read() -> None:
    rows = "".join(f'<row><c t="str"><v>C-{n}</v></c><c><v>{n % 4}</v></c></row>' for n in range(100_000))
    reading = read_coupon_sheet(packed(HEADER_XML + rows))
    assert reading.fault_lines == []
    assert reading.records[99_999].row == 100_001
    assert reading.sheet is not None
    assert int(reading.sheet.rounds_survived.sum()) == 150_000


def test_values_written_over_and_over_are_counted_too() -> None:
    cell = '<c r="A1"><v>1</v></c>'
    assert read_coupon_sheet(packed(f"<row>{cell * 30}</row>"), limits=Limits(cells=20)).fault_lines == [
        "row 1: the sheet has more than 20 values: split it"
    ]
