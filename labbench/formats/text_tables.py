"""CSV bytes to a table of text: encoding, separator and quotes are found out, and said where they are unusual."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Collection

from labbench.formats.faults import FaultList, UnreadableFileError
from labbench.formats.limits import MEBIBYTE, Limits
from labbench.formats.tables import Table

SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}
BYTE_ORDER_MARKS = (
    # UTF-32's little-endian mark begins with that of UTF-16: it has to be tried first.
    (codecs.BOM_UTF32_LE, "utf-32", "UTF-32"),
    (codecs.BOM_UTF32_BE, "utf-32", "UTF-32"),
    (codecs.BOM_UTF8, "utf-8-sig", "UTF-8"),
    (codecs.BOM_UTF16_LE, "utf-16", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16", "UTF-16"),
)
SEPARATOR_LINE = re.compile(r'"?sep=([,;\t])"?\s*')


def read_text_table(data: bytes, *, known: Collection[str], limits: Limits, faults: FaultList) -> Table:
    """The table in the bytes of a CSV file.

    Parameters
    ----------
    data : bytes
        UTF-8 with or without byte-order mark, UTF-16 or UTF-32 with one, or Windows-1252 (it has Latin-1's letters).
    known : collection of str
        Lower-case beginnings of column names; the separator that makes most of them appear in the header wins.
    limits : Limits
    faults : FaultList
        Receives faults that leave the rest of the file readable.

    Raises
    ------
    UnreadableFileError
        If the bytes are no text or the table goes beyond its limits.
    """
    table = Table(limits, faults, has_guards=True)
    encoding = _encoding(data, table.notes)
    # newline="": line breaks inside quotes must reach the csv module as they are.
    text = io.TextIOWrapper(io.BytesIO(data), encoding=encoding, newline="")
    try:
        separator, rows_before = _separator(text, known)
        if separator != ",":
            table.notes.append(f"read as separated by {SEPARATORS[separator]}s")
        _read_rows(text, separator, rows_before, table)
    except UnicodeError as damage:
        name = encoding.removesuffix("-sig").upper()
        raise UnreadableFileError(f"the file's text is not {name} throughout, as its beginning says") from damage
    return table


def _read_rows(text: io.TextIOWrapper, separator: str, row_number: int, table: Table) -> None:
    reader = csv.reader(text, delimiter=separator, strict=True, skipinitialspace=True)
    # Levels, roles and blocks repeat down the rows: one object for each distinct text keeps the memory small.
    distinct: dict[str, str] = {}
    same = distinct.setdefault
    while True:
        row_number += 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as refused:
            table.faults.add(row_number, None, _quoting_fault(str(refused)))
            continue
        table.add(row_number, [same(cell, cell) for cell in cells])


def _quoting_fault(refused: str) -> str:
    """The csv module's complaint in words for whoever wrote the file."""
    if "unexpected end of data" in refused:
        return "a quoted value begins here and never ends: a quote is missing or one too many"
    if "field limit" in refused:
        return "a value here is longer than 131,072 characters: a closing quote may be missing"
    if "expected after" in refused:
        return "text follows a closing quote: a quote inside a value has to be doubled"
    return "the row can't be read: a line break or quote is out of place"


def _encoding(data: bytes, notes: list[str]) -> str:
    for mark, encoding, name in BYTE_ORDER_MARKS:
        if data.startswith(mark):
            if name != "UTF-8":
                notes.append(f"text was {name}")
            return encoding
    zeros = data[:4096].count(0)
    if zeros > len(data[:4096]) // 4:
        raise UnreadableFileError(
            "the file is binary, or text in UTF-16 without a byte-order mark: save it as CSV in UTF-8"
        )
    if _looks_binary(data[:4096]):
        raise UnreadableFileError("the file is neither text nor a workbook: a coupon sheet is a CSV or XLSX file")
    if _decodes(data, "utf-8"):
        return "utf-8"
    if _decodes(data, "cp1252"):
        notes.append("text was not UTF-8, read as Latin-1 (Windows-1252): check letters with accents")
        return "cp1252"
    notes.append("text was not UTF-8, read as Latin-1: check letters with accents")
    return "latin-1"


def _looks_binary(start: bytes) -> bool:
    odd = sum(byte < 32 and byte not in b"\t\n\r\x0b\x0c" for byte in start)
    return odd > max(2, len(start) // 50)


def _decodes(data: bytes, encoding: str) -> bool:
    """Whether the bytes are text in this encoding, without ever holding that text whole."""
    decoder = codecs.getincrementaldecoder(encoding)()
    try:
        for begin in range(0, len(data), MEBIBYTE):
            decoder.decode(data[begin : begin + MEBIBYTE])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


def _separator(text: io.TextIOWrapper, known: Collection[str]) -> tuple[str, int]:
    """The separator, and how many rows to skip before the table; leaves the text at the row after those."""
    start = text.read(65536)
    text.seek(0)
    declared = SEPARATOR_LINE.fullmatch(start.partition("\n")[0].rstrip("\r"))
    if declared:
        # A line `sep=;` before the header says what separates; it is no row of the table.
        text.readline()
        return declared[1], 1

    def fit(separator: str) -> tuple[int, int]:
        header = _first_filled_row(start, separator)
        names = [cell.strip().lower().replace(" ", "_") for cell in header]
        return sum(name.startswith(tuple(known)) for name in names), start.count(separator)

    return max(SEPARATORS, key=fit), 0


def _first_filled_row(text: str, separator: str) -> list[str]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    try:
        return next((row for row in reader if any(cell.strip() for cell in row)), [])
    except csv.Error:
        return []
