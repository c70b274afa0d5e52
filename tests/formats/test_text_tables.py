"""CSV as it comes: encodings, separators, quotes, and files that are no CSV at all."""

from __future__ import annotations

import codecs
import hashlib
import io

import numpy as np
import pytest

from labbench.formats.coupon_sheet import SheetReading, read_coupon_sheet
from labbench.formats.limits import Limits

PLAIN = "coupon,factor.resin,rounds_survived,failed_round,strength_mpa\nC-01,Härter,3,,45.3\nC-02,B,1,2,\n"


def read(text: str) -> SheetReading:
    return read_coupon_sheet(text.encode())


@pytest.mark.parametrize(
    ("data", "notes"),
    [
        (PLAIN.encode(), ()),
        (PLAIN.encode("utf-8-sig"), ()),
        (PLAIN.encode("utf-16"), ("text was UTF-16",)),
        (codecs.BOM_UTF16_BE + PLAIN.encode("utf-16-be"), ("text was UTF-16",)),
        (PLAIN.encode("utf-32"), ("text was UTF-32",)),
        (
            PLAIN.encode("latin-1"),
            ("text was not UTF-8, read as Latin-1 (Windows-1252): check letters with accents",),
        ),
        (PLAIN.replace("\n", "\r\n").encode(), ()),
        (PLAIN.replace("\n", "\r").encode(), ()),
        (PLAIN.replace(",", ";").encode(), ("read as separated by semicolons",)),
        (PLAIN.replace(",", "\t").encode(), ("read as separated by tabs",)),
        (
            PLAIN.replace(",", ";").replace(".3", ",3").encode(),
            ("read as separated by semicolons", "decimal commas read as decimal points"),
        ),
        (PLAIN.replace("45.3", '"45,3"').encode(), ("decimal commas read as decimal points",)),
        (PLAIN.replace("\nC", ",,\nC").encode() + b",,\n,,,\n\n", ()),
        (PLAIN.replace("C-01", '"C-01 "').encode(), ()),
    ],
)
def test_the_same_sheet_is_read_however_it_was_saved(data: bytes, notes: tuple[str, ...]) -> None:
    reading = read_coupon_sheet(data)
    assert reading.fault_lines == []
    assert list(reading.records) == list(read(PLAIN).records)
    assert reading.records[0].levels == {"resin": "Härter"}
    assert reading.notes == notes


def test_a_line_that_declares_the_separator_is_no_row_of_the_table() -> None:
    reading = read("sep=;\r\ncoupon;rounds_survived\r\nC-01;x\r\n")
    assert reading.fault_lines == ['row 3, column rounds_survived: "x" is not a number']


def test_letters_made_of_two_characters_are_one_level_with_their_composed_twin() -> None:
    reading = read("coupon,factor.resin,rounds_survived\n1,H\u00e4rter,1\n2,Ha\u0308rter,1\n3,H\u00e4r\u200bter,1\n")
    assert reading.sheet is not None
    assert reading.sheet.factors[0].levels == ("H\u00e4rter",)


def test_line_breaks_inside_quotes_stay_inside_their_row() -> None:
    reading = read('coupon,factor.resin,rounds_survived,failure_mode\nC-01,"A\n1",1,"first\r\nsecond"\nC-02,B,x,\n')
    assert reading.fault_lines == ['row 3, column rounds_survived: "x" is not a number']
    assert reading.factors[0].levels == ("A 1", "B")


def test_line_breaks_stay_in_a_failure_mode_only() -> None:
    reading = read('coupon,rounds_survived,failure_mode\nC-01,1,"first\r\nsecond"\n')
    assert reading.records[0].failure_mode == "first\nsecond"


def test_blank_rows_count_as_rows() -> None:
    reading = read("\n\ncoupon,rounds_survived\n\nC-01,x\n")
    assert reading.fault_lines == ['row 5, column rounds_survived: "x" is not a number']
    assert reading.header_row == 3


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        (
            'coupon,rounds_survived\nC-01,1\n"C-02,1\nC-03,1\n',
            ["row 3: a quoted value begins here and never ends: a quote is missing or one too many"],
        ),
        (
            'coupon,rounds_survived\n"C"01,1\nC-02,x\n',
            [
                "row 2: text follows a closing quote: a quote inside a value has to be doubled",
                'row 3, column rounds_survived: "x" is not a number',
            ],
        ),
        (
            "coupon,strength_mpa,rounds_survived\nC-01,45,3,3\n",
            ["row 2: has 4 cells, but the header has 3; a comma inside a value needs quotes around the value"],
        ),
        (
            'coupon,rounds_survived\n"' + "x" * 140_000 + '",1\n',
            ["row 2: a value here is longer than 131,072 characters: a closing quote may be missing"],
        ),
    ],
)
def test_quotes_and_separators_out_of_place_are_named(text: str, lines: list[str]) -> None:
    assert read(text).fault_lines == lines


@pytest.mark.parametrize(
    ("data", "line"),
    [
        (b"", "the file is empty"),
        (b"\n \n,,\n", "the sheet is empty"),
        (b"\xef\xbb\xbf", "the sheet is empty"),
        (b"coupon,rounds_survived\n", "the sheet has a header, but no coupons"),
        (b"%PDF-1.7 ...", "the file is a PDF document: export the table behind it as CSV or XLSX"),
        (
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600),
            "the file is an old binary workbook (.xls) or one with a password: "
            "save it as .xlsx without a password, or as CSV",
        ),
        (b"\x1f\x8b\x08", "the file is compressed (gzip): unpack it first"),
        (b"\x89PNG\r\n\x1a\n", "the file is a picture, not a table"),
        (
            b"\xef\xbb\xbf<!DOCTYPE html><table>",
            "the file is a web page or XML document, not a table: save the table as CSV or XLSX",
        ),
        (
            "coupon,rounds_survived\n".encode("utf-16-le"),
            "the file is binary, or text in UTF-16 without a byte-order mark: save it as CSV in UTF-8",
        ),
        (
            bytes(range(1, 32)) * 8,
            "the file is neither text nor a workbook: a coupon sheet is a CSV or XLSX file",
        ),
        (codecs.BOM_UTF16_LE + b"\x00\xd8\x00\xd8", "the file's text is not UTF-16 throughout, as its beginning says"),
        (
            codecs.BOM_UTF8 + PLAIN.encode("latin-1"),
            "the file's text is not UTF-8 throughout, as its beginning says",
        ),
        (
            b"coupon|rounds_survived\nC-01|3\n",
            "row 1: the first row must name the columns (coupon, factor.NAME, rounds_survived, failed_round, ...); "
            "it reads: coupon|rounds_survived; cells are separated by commas, semicolons or tabs",
        ),
        (
            b"C-01,A,3\nC-02,B,3\n",
            "row 1: the first row must name the columns (coupon, factor.NAME, rounds_survived, failed_round, ...); "
            "it reads: C-01, A, 3",
        ),
    ],
)
def test_what_is_no_coupon_sheet_is_told_so(data: bytes, line: str) -> None:
    reading = read_coupon_sheet(data)
    assert reading.fault_lines == [line]
    assert reading.sheet is None
    assert list(reading.records) == []


class Endless(io.RawIOBase):
    """Two thousand megabytes that are never held; counts what was asked for."""

    def __init__(self) -> None:
        self.given = 0

    def read(self, size: int = -1, /) -> bytes:
        assert 0 < size <= 4 * 1024 * 1024, "asked for everything at once"
        self.given += size
        return b"C-01,1\n" * (size // 7)


def test_an_upload_without_end_is_refused_after_the_limit() -> None:
    endless = Endless()
    reading = read_coupon_sheet(endless, limits=Limits(file_bytes=3 * 1024 * 1024))
    assert reading.fault_lines == ["the file is larger than 3 MB: split it or remove what isn't part of the sheet"]
    assert endless.given <= 5 * 1024 * 1024
    assert reading.sha256 == ""


def test_a_file_is_known_by_its_bytes() -> None:
    data = PLAIN.encode()
    assert read_coupon_sheet(io.BytesIO(data)).sha256 == hashlib.sha256(data).hexdigest()


def test_rows_columns_and_cells_are_bounded() -> None:
    rows = "coupon,rounds_survived\n" + "".join(f"C-{number},1\n" for number in range(20))
    assert read_coupon_sheet(rows.encode(), limits=Limits(rows=10)).fault_lines == [
        "row 12: the sheet has more than 10 rows: split it"
    ]
    assert read_coupon_sheet(rows.encode(), limits=Limits(cells=10)).fault_lines == [
        "row 7: the sheet has more than 5 rows: split it"
    ]
    wide = "coupon," + ",".join(f"factor.f{number}" for number in range(300))
    assert read_coupon_sheet(wide.encode()).fault_lines == ["row 1: the sheet has more than 200 columns"]


def test_a_hundred_thousand_faults_are_counted_and_the_first_are_listed() -> None:
    rows = "coupon,role,rounds_survived\n" + "".join(f"C-{number},tset,-1\n" for number in range(50_000))
    reading = read(rows)
    assert len(reading.faults) == 1000
    assert [str(fault) for fault in reading.faults[:3]] == [
        "row 2, column role: tset is not a role; did you mean test?",
        "row 2, column rounds_survived: -1 is below 0",
        "row 3, column role: tset is not a role; did you mean test?",
    ]
    assert reading.fault_lines[-1] == "and 99\u202f000 more"


def test_the_preview_holds_the_first_rows_and_every_listed_faulty_one() -> None:
    rows = ["coupon,rounds_survived", *(f"C-{number},1" for number in range(500)), "C-last,x"]
    reading = read("\n".join(rows))
    assert len(reading.rows) == 200
    assert reading.row_numbers[:2] == (2, 3)
    assert reading.faulty_rows == {502: ["C-last", "x"]}


def test_a_hundred_thousand_rows_are_read() -> None:
    rows = (f"C-{number},{'AB'[number % 2]},{60 + number % 3},{number % 4}" for number in range(100_000))
    reading = read("coupon,factor.resin,factor.cure_time_s,rounds_survived\n" + "\n".join(rows))
    assert reading.fault_lines == []
    assert reading.sheet is not None
    assert reading.sheet.coupons[99_999] == "C-99999"
    assert np.bincount(reading.sheet.factors[0].codes).tolist() == [50_000, 50_000]
    assert int(reading.sheet.rounds_survived.sum()) == 150_000


def test_more_names_than_a_factor_can_have_are_one_fault() -> None:
    rows = "coupon,factor.remark,rounds_survived\n" + "".join(f"C-{n},remark {n},1\n" for n in range(20))
    assert read_coupon_sheet(rows.encode(), limits=Limits(levels=10)).fault_lines == [
        "column factor.remark: has 20 different levels, and a factor of names has at most 10: is it one?"
    ]
