"""Tables to an XLSX workbook, row by row in bounded memory."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import islice
from typing import Any
from zipfile import ZIP_DEFLATED, ZipFile

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Font

from labbench.formats.cell_text import FORMULA_BEGINNING
from labbench.formats.number_texts import number_text
from labbench.formats.worksheet_rows import Cell, CellStyles, rows_xml, storable

__all__ = ["Cell", "WorkbookTable", "workbook_chunks", "write_workbook"]

# ECMA-376 part 1, 18.2.19 (sheet) leaves names open; these bounds are what spreadsheets accept (from memory).
LONGEST_TABLE_NAME = 31
NOT_IN_TABLE_NAMES = re.compile(r"[\[\]:*?/\\\x00-\x1f]")
MOST_ROWS = 1_048_576
ROWS_AT_ONCE = 500
END_OF_ROWS = b"</sheetData>"


@dataclass(frozen=True, slots=True)
class WorkbookTable:
    """One worksheet: its name, the names of its columns and its rows, which may be made as they are written."""

    name: str
    header: Sequence[str]
    rows: Iterable[Sequence[Cell]]


def write_workbook(tables: Iterable[WorkbookTable]) -> bytes:
    """The tables as worksheets of one workbook, in their order.

    Parameters
    ----------
    tables : iterable of WorkbookTable
        At least one, each with a column. Names are cut to what a worksheet's name may be and told apart by a number where
        they meet. How cells are written: see `worksheet_rows.rows_xml`.

    Raises
    ------
    ValueError
        If there is no table, or one has more rows than a worksheet can hold.
    """
    return b"".join(workbook_chunks(tables))


def workbook_chunks(tables: Iterable[WorkbookTable]) -> Iterator[bytes]:
    """The same piece by piece, each as soon as its rows are there: a large workbook need not be held, nor waited for."""
    tables = list(tables)
    if not tables:
        raise ValueError("a workbook needs at least one table")
    frame, styles = _frame(tables)
    rest = {f"xl/worksheets/sheet{number}.xml": table for number, table in enumerate(tables, start=1)}
    passage = _Passage()
    with ZipFile(frame) as empty, ZipFile(passage, "w", ZIP_DEFLATED) as filled:
        for name in empty.namelist():
            if name not in rest:
                filled.writestr(name, empty.read(name))
                continue
            before, end, after = empty.read(name).rpartition(END_OF_ROWS)
            with filled.open(name, "w") as target:
                target.write(before)
                for chunk in _row_chunks(rest[name], styles):
                    target.write(chunk)
                    yield passage.taken()
                target.write(end + after)
    yield passage.taken()


def _row_chunks(table: WorkbookTable, styles: CellStyles) -> Iterator[bytes]:
    """Some rows at a time: packing each by itself takes twice as long."""
    rows, written = rows_xml(table.rows, styles, first=2), 1
    while chunk := list(islice(rows, ROWS_AT_ONCE)):
        written += len(chunk)
        if written > MOST_ROWS:
            raise ValueError(f"{table.name} has more than {number_text(MOST_ROWS - 1)} rows")
        yield "".join(chunk).encode()


class _Passage(io.RawIOBase):
    """A file that is written at one end and taken out at the other; it has no way back, so an archive in it needs none."""

    def __init__(self) -> None:
        self._held: list[bytes] = []

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._held.append(bytes(data))
        return len(data)

    def taken(self) -> bytes:
        held = b"".join(self._held)
        self._held.clear()
        return held


def _frame(tables: Sequence[WorkbookTable]) -> tuple[io.BytesIO, CellStyles]:
    """The workbook with the tables' headings only, and the numbers of the styles that its cells may use."""
    workbook = Workbook(write_only=True)
    taken: set[str] = set()
    for table in tables:
        worksheet = workbook.create_sheet(_worksheet_name(table.name, taken))
        worksheet.freeze_panes = "A2"
        worksheet.append([_header_cell(worksheet, name) for name in table.header])
    quoted = WriteOnlyCell(worksheet, "")
    quoted.quotePrefix = True
    day, time = (WriteOnlyCell(worksheet, value) for value in (date(2000, 1, 1), datetime(2000, 1, 1)))
    styles = CellStyles(quoted=quoted.style_id, day=day.style_id, time=time.style_id)
    written = io.BytesIO()
    workbook.save(written)
    return written, styles


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
    cell = WriteOnlyCell(worksheet, storable(name))
    cell.data_type = "s"
    cell.font = Font(bold=True)
    cell.quotePrefix = bool(FORMULA_BEGINNING.match(name))
    return cell
