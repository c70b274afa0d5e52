"""Tables to an XLSX workbook: numbers as numbers, texts as texts, never as formulas."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Font

from labbench.formats.cell_text import FORMULA_BEGINNING

Cell = str | int | float | bool | date | datetime | None

# ECMA-376 part 1, 18.2.19 (sheet) leaves names open; these bounds are what spreadsheets accept (from memory).
LONGEST_TABLE_NAME = 31
NOT_IN_TABLE_NAMES = re.compile(r"[\[\]:*?/\\\x00-\x1f]")
MOST_ROWS = 1_048_576
# A text that begins so may be taken for a formula or an error value.
ODD_BEGINNINGS = tuple("=#'+-@\uff1d\uff0b\uff0d\uff20")
LONGEST_TEXT = 32_767
# Characters that XML 1.0 (section 2.2) can't hold, and the format's own way of writing a character by its number
# (ECMA-376 part 1, 22.9.2.19), whose underscore has to be written so itself where it is meant as it stands.
NOT_IN_XML = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
TO_ESCAPE = re.compile(r"_(?=x[0-9A-Fa-f]{4}_)|\r")


@dataclass(frozen=True, slots=True)
class WorkbookTable:
    """One worksheet: its name, the names of its columns and its rows, which may be made as they are written."""

    name: str
    header: Sequence[str]
    rows: Iterable[Sequence[Cell]]


def write_workbook(tables: Iterable[WorkbookTable]) -> bytes:
    """The tables as worksheets of one workbook, in their order, row by row in bounded memory.

    Parameters
    ----------
    tables : iterable of WorkbookTable
        At least one. Names are cut to what a worksheet's name may be and told apart by a number where they meet.
        Texts stay texts, whatever they begin with. NaN and infinite numbers are blank. A time with a zone is written
        as ISO text, because a worksheet's times have none.

    Raises
    ------
    ValueError
        If there is no table, or one has more rows than a worksheet can hold.
    """
    workbook = Workbook(write_only=True)
    taken: set[str] = set()
    for table in tables:
        worksheet = workbook.create_sheet(_worksheet_name(table.name, taken))
        worksheet.freeze_panes = "A2"
        worksheet.append([_header_cell(worksheet, name) for name in table.header])
        for number, row in enumerate(table.rows, start=2):
            if number > MOST_ROWS:
                raise ValueError(f"{table.name} has more than {MOST_ROWS - 1:,} rows")
            worksheet.append([_cell(worksheet, value) for value in row])
    if not taken:
        raise ValueError("a workbook needs at least one table")
    written = io.BytesIO()
    workbook.save(written)
    return written.getvalue()


def _worksheet_name(name: str, taken: set[str]) -> str:
    """A name that a worksheet may have and no other has; capitals don't tell names apart."""
    wanted = NOT_IN_TABLE_NAMES.sub(" ", name).strip().strip("'")[:LONGEST_TABLE_NAME].strip() or "table"
    unique, number = wanted, 2
    while unique.casefold() in taken:
        ending = f" {number}"
        unique, number = wanted[: LONGEST_TABLE_NAME - len(ending)] + ending, number + 1
    taken.add(unique.casefold())
    return unique


def _header_cell(worksheet: Any, name: str) -> Any:
    cell = _text_cell(worksheet, name)
    cell.font = Font(bold=True)
    return cell


def _cell(worksheet: Any, value: Cell) -> Any:
    if isinstance(value, str):
        # Only these need a cell of their own: a plain text becomes one anyway, far faster.
        is_plain = value.isprintable() and value[:1] not in ODD_BEGINNINGS and "_x" not in value
        return value if is_plain else _text_cell(worksheet, value)
    if isinstance(value, float):
        return _number(worksheet, float(value))
    if isinstance(value, datetime) and value.tzinfo is not None:
        return value.isoformat()
    return value


def _number(worksheet: Any, number: float) -> Any:
    """A number in full precision: openpyxl writes 16 digits, and some doubles need 17."""
    if not math.isfinite(number):
        return None
    if float(f"{number:.16g}") == number:
        return number
    cell = WriteOnlyCell(worksheet, repr(number))
    cell.data_type = "n"
    return cell


def _text_cell(worksheet: Any, text: str) -> Any:
    """A cell that stays a text, also after somebody edits it."""
    storable = TO_ESCAPE.sub(lambda found: f"_x{ord(found[0]):04X}_", NOT_IN_XML.sub("\ufffd", text[:LONGEST_TEXT]))
    cell = WriteOnlyCell(worksheet, storable)
    cell.data_type = "s"
    if FORMULA_BEGINNING.match(text):
        cell.quotePrefix = True
    return cell
