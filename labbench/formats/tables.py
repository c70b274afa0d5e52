"""A table of text: what a CSV file and a worksheet have in common once they are read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from labbench.formats.faults import FaultList, UnreadableFileError
from labbench.formats.limits import Limits
from labbench.formats.number_texts import number_text

Mark = Literal["date", "error", "percent", "no result"]


class MarkedText(str):
    """A cell whose text alone would mislead: a date, an error value, a share shown as percent, a formula unsolved."""

    __slots__ = ("mark",)
    mark: Mark

    def __new__(cls, text: str, mark: Mark) -> MarkedText:
        cell = super().__new__(cls, text)
        cell.mark = mark
        return cell


@dataclass(frozen=True, slots=True)
class MergedRange:
    """Cells merged into one: row numbers and column positions (from 0), both ends included."""

    reference: str
    top: int
    bottom: int
    left: int
    right: int


@dataclass(slots=True)
class Table:
    """A header and rows of text, each with the row number it has in its file.

    Rows are as wide as the header. Blank rows, blank columns at the right and blank rows above the header are gone.

    Attributes
    ----------
    header : list of str
        As written; empty while no row has come.
    header_row : int
        The header's row number.
    column_names : list of str
        What faults call the columns, once the header has been understood.
    rows : list of list of str
        Cells as written, not even stripped; `MarkedText` where the text alone would mislead.
    row_numbers : list of int
    notes : list of str
        What was done to read the file that whoever sent it should know.
    faults : FaultList
    wide_rows : list of (int, int)
        Row number and number of cells of each row that has more cells than the header, and was cut.
    merged : list of MergedRange
        Of a worksheet, wherever they are.
    has_guards : bool
        Whether an apostrophe before a formula's beginning is a guard, as in CSV, and no part of the text.
    """

    limits: Limits
    faults: FaultList
    header: list[str] = field(default_factory=list)
    header_row: int = 1
    column_names: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    row_numbers: list[int] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    wide_rows: list[tuple[int, int]] = field(default_factory=list)
    merged: list[MergedRange] = field(default_factory=list)
    has_guards: bool = False

    def add(self, row_number: int, cells: list[str]) -> None:
        """Take in the next row of the file; `cells` is kept, not copied.

        Raises
        ------
        UnreadableFileError
            If the table grows beyond its limits.
        """
        if not cells or (not cells[-1].strip() and not _cut_blank_end(cells)):
            return
        if not self.header:
            self._begin(row_number, cells)
            return
        width = len(self.header)
        if len(cells) != width:
            self._fit(row_number, cells, width)
        most = min(self.limits.rows, self.limits.cells // width)
        if len(self.rows) >= most:
            raise UnreadableFileError(f"the sheet has more than {number_text(most)} rows: split it", row_number)
        self.rows.append(cells)
        self.row_numbers.append(row_number)

    def _begin(self, row_number: int, cells: list[str]) -> None:
        if len(cells) > self.limits.columns:
            raise UnreadableFileError(f"the sheet has more than {self.limits.columns} columns", row_number)
        self.header, self.header_row = cells, row_number

    def _fit(self, row_number: int, cells: list[str], width: int) -> None:
        """Pad a short row; cut a long one and remember it."""
        if len(cells) > width:
            self.wide_rows.append((row_number, len(cells)))
            del cells[width:]
        else:
            cells.extend([""] * (width - len(cells)))


def column_letters(position: int) -> str:
    """A worksheet's own name for a column, from its position counted from 0: A, B, ..., Z, AA."""
    letters = ""
    position += 1
    while position:
        position, rest = divmod(position - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def counted(number: int, noun: str, plural: str | None = None) -> str:
    """`3 rows`, `1 row`."""
    return f"{number_text(number)} {noun if number == 1 else plural or noun + 's'}"


def listed(names: Sequence[str], most: int = 8) -> str:
    """Names for a message, the first few of them."""
    rest = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + rest


def _cut_blank_end(cells: list[str]) -> bool:
    """Cut blank cells off the end; whether anything is left."""
    while cells and not cells[-1].strip():
        cells.pop()
    return bool(cells)
