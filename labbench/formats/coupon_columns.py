"""The columns of a coupon sheet, each from texts to an array, with every value it can't take as a fault."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np
from numpy.typing import NDArray

from labbench.formats.cell_numbers import NumberFault
from labbench.formats.cell_text import cleaned, cleaned_lines, marked_fault, text_fault, unguarded
from labbench.formats.factor_levels import DecimalMarks
from labbench.formats.faults import shown
from labbench.formats.tables import MarkedText, Table
from labbench.science.sheet import ORIGINS, ROLES

MOST_ROUNDS = 1_000
# The strongest panes break at a few hundred; a figure above this was not measured in MPa (from memory, no source).
HIGHEST_STRENGTH_MPA = 5_000.0
BLANK = -1
REFUSED = -2


@dataclass(slots=True)
class ColumnText:
    """Cleaned texts of one column, "" where blank or refused.

    Attributes
    ----------
    name : str
        As faults name it.
    cells : list of str
    refused : set of int
        Places whose cell was refused, so that it is not taken for blank.
    """

    name: str
    cells: list[str]
    refused: set[int]


def column_text(
    table: Table, position: int, name: str, *, is_number: bool = False, takes_dates: bool = False
) -> ColumnText:
    """A column's texts; what can't be a text (error values, dates, control characters) becomes a fault.

    A number's text is judged by whoever reads the number. Only a failure mode keeps its line breaks.
    """
    clean = cleaned_lines if name == "failure_mode" else cleaned
    raw = [row[position] for row in table.rows]
    refused: dict[int, str] = {}
    for place, cell in enumerate(raw):
        if isinstance(cell, MarkedText):
            raw[place] = str.__str__(cell)
            if not (takes_dates and cell.mark == "date"):
                refused[place] = marked_fault(cell, is_number=is_number)
                raw[place] = ""
    has_guards = table.has_guards and not is_number
    meaning = {text: unguarded(clean(text)) if has_guards else clean(text) for text in set(raw)}
    cells = [meaning[text] for text in raw]
    if not is_number:
        unfit = {
            text: fault for text in set(meaning.values()) if (fault := text_fault(text, table.limits.text_characters))
        }
        if unfit:
            for place, text in enumerate(cells):
                if text in unfit:
                    refused[place] = unfit[text]
                    cells[place] = ""
    if refused:
        places = sorted(refused)
        table.faults.add_each([table.row_numbers[at] for at in places], name, lambda at: refused[places[at]])
    return ColumnText(name, cells, set(refused))


def check_codes(table: Table, column: ColumnText) -> None:
    """Faults for coupons without a code and for codes that occur twice."""
    first_rows: dict[str, int] = {}
    faulty: list[tuple[int, str]] = []
    for place, (code, row_number) in enumerate(zip(column.cells, table.row_numbers, strict=True)):
        if code:
            first_row = first_rows.setdefault(code, row_number)
            if first_row != row_number:
                faulty.append((row_number, f"{shown(code)} is already in row {first_row}: codes must be unique"))
        elif place not in column.refused:
            faulty.append((row_number, "is blank: every coupon needs a code of its own"))
    table.faults.add_each([row for row, _ in faulty], column.name, lambda at: faulty[at][1])


def read_roles(table: Table, column: ColumnText | None) -> NDArray[np.str_]:
    """Roles, ``test`` where blank."""
    if column is None:
        return np.full(len(table.rows), "test", dtype="<U10")
    role_of = {"": "test"}
    unknown = set()
    for text in dict.fromkeys(column.cells):
        role = text.lower()
        if role in ROLES:
            role_of[text] = role
        elif text:
            unknown.add(text)
            role_of[text] = "test"
    _fault_texts(table, column, unknown, _unknown_role)
    return np.array([role_of[text] for text in column.cells], dtype="<U10")


def read_rounds(table: Table, column: ColumnText | None, marks: DecimalMarks, *, lowest: int) -> NDArray[np.int64]:
    """Whole numbers from `lowest` to `MOST_ROUNDS`; `BLANK` or `REFUSED` where there is none."""
    if column is None:
        return np.full(len(table.rows), BLANK, dtype=np.int64)
    number_of, refused = {"": BLANK}, {}
    for text in dict.fromkeys(column.cells):
        if text:
            number = _rounds(text, marks, lowest)
            number_of[text] = number if isinstance(number, int) else REFUSED
            if isinstance(number, str):
                refused[text] = number
    _fault_texts(table, column, refused, refused.__getitem__)
    rounds = np.fromiter((number_of[text] for text in column.cells), dtype=np.int64, count=len(column.cells))
    rounds[list(column.refused)] = REFUSED
    return rounds


def read_strengths(table: Table, column: ColumnText | None, marks: DecimalMarks) -> NDArray[np.float64]:
    """Fracture stresses, NaN where blank."""
    if column is None:
        return np.full(len(table.rows), np.nan)
    number_of, refused = {"": np.nan}, {}
    for text in dict.fromkeys(column.cells):
        if text:
            number = marks.number(text)
            number_of[text] = np.nan
            if isinstance(number, NumberFault):
                refused[text] = number.message
            elif number <= 0:
                refused[text] = f"{shown(text)} is not above 0: leave the cell blank if the coupon was not broken"
            elif number > HIGHEST_STRENGTH_MPA:
                refused[text] = (
                    f"{shown(text)} is above {HIGHEST_STRENGTH_MPA:g}, which no pane of glass holds: is it in MPa?"
                )
            else:
                number_of[text] = number
    _fault_texts(table, column, refused, refused.__getitem__)
    return np.fromiter((number_of[text] for text in column.cells), dtype=np.float64, count=len(column.cells))


def read_origins(table: Table, column: ColumnText | None, strength: ColumnText | None) -> NDArray[np.object_] | None:
    """Fracture origins, None where blank; None altogether where no coupon has one."""
    if column is None or not any(column.cells):
        return None
    origin_of = {text: re.sub(r"[ \-]+", "_", text.lower()) for text in set(column.cells) if text}
    unknown = {text for text, origin in origin_of.items() if origin not in ORIGINS}
    _fault_texts(table, column, unknown, lambda text: f"{shown(text)} must be one of {', '.join(ORIGINS)}, or blank")
    lonely = [
        place
        for place, text in enumerate(column.cells)
        if text and (strength is None or not (strength.cells[place] or place in strength.refused))
    ]
    rows = [table.row_numbers[place] for place in lonely]
    table.faults.add_each(rows, column.name, lambda _: "is given, but strength_mpa is blank")
    origins = np.full(len(table.rows), None, dtype=np.object_)
    origins[:] = [origin_of.get(text) for text in column.cells]
    return origins


def read_texts(table: Table, column: ColumnText | None) -> NDArray[np.object_]:
    """Texts, None where blank."""
    texts = np.full(len(table.rows), None, dtype=np.object_)
    if column is not None:
        texts[:] = [text or None for text in column.cells]
    return texts


def _rounds(text: str, marks: DecimalMarks, lowest: int) -> int | str:
    """A number of rounds, or why it is none."""
    number = marks.number(text)
    if isinstance(number, NumberFault):
        # `1,000` rounds in a sheet with decimal commas would silently be one round.
        return number.message
    if not float(number).is_integer() or ("," in text and len(text.rpartition(",")[2]) == 3):
        return f"{shown(text)} is not a whole number"
    if number < lowest:
        return f"{shown(text)} is below {lowest}" + (": leave the cell blank if it never failed" if lowest else "")
    return int(number) if number <= MOST_ROUNDS else f"{shown(text)} is more than {MOST_ROUNDS} rounds"


def _unknown_role(text: str) -> str:
    near = get_close_matches(text.lower(), ROLES, n=1, cutoff=0.6)
    return f"{shown(text)} is not a role; " + (
        f"did you mean {near[0]}?" if near else f"it must be one of {', '.join(ROLES)}"
    )


def _fault_texts(table: Table, column: ColumnText, refused: Collection[str], message: Callable[[str], str]) -> None:
    """A fault at each place that has one of the refused texts; the message is made for those that are listed."""
    if refused:
        places = [place for place, text in enumerate(column.cells) if text in refused]
        table.faults.add_each(
            [table.row_numbers[place] for place in places], column.name, lambda at: message(column.cells[places[at]])
        )
