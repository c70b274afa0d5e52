"""The header of a coupon sheet: which column is which, and what is wrong with the names."""

from __future__ import annotations

import re
from dataclasses import dataclass
from difflib import get_close_matches

from labbench.formats.cell_text import cleaned, text_fault
from labbench.formats.faults import UnreadableFileError, shown
from labbench.formats.tables import Table, column_letters, listed

COLUMNS = (
    "coupon",
    "role",
    "block",
    "rounds_planned",
    "rounds_survived",
    "failed_round",
    "failure_mode",
    "strength_mpa",
    "fracture_origin",
)
FACTOR_PREFIX = "factor."
# What a header's cell begins with, in lower case and with underscores, where the separator was guessed right.
KNOWN_BEGINNINGS = (*COLUMNS, FACTOR_PREFIX)
FACTOR = re.compile(r"factor ?\. ?(.+)", re.IGNORECASE)
LONGEST_FACTOR_NAME = 100


@dataclass(frozen=True, slots=True)
class CouponHeader:
    """Positions of the columns.

    Attributes
    ----------
    positions : dict
        Name of a fixed column -> its position; only those that occur.
    factors : dict
        Factor name -> its position, in the order of the columns.
    """

    positions: dict[str, int]
    factors: dict[str, int]


def read_header(table: Table) -> CouponHeader:
    """Find the columns; wrong names, names that occur twice, a missing coupon column and merged cells become faults.

    Capitals, blanks and hyphens in the fixed names are forgiven and noted. A factor's name stays as it is written.

    Raises
    ------
    UnreadableFileError
        If no name is known: then the first row is no header, and a fault per column would not help.
    """
    header = CouponHeader({}, {})
    first_places: dict[str, str] = {}
    unknown: list[tuple[str, str]] = []
    forgiven: list[str] = []
    for position, cell in enumerate(table.header):
        written = cleaned(cell)
        name, is_factor = _column_name(written)
        table.column_names.append(shown(name or written) or column_letters(position))
        if not written:
            _fault_unnamed(table, position)
            continue
        if name is None:
            unknown.append((written, column_letters(position)))
            continue
        if name != written:
            forgiven.append(f"{shown(written)} as {name}")
        if name.casefold() in first_places:
            table.faults.add(
                table.header_row,
                shown(name),
                f"occurs twice: in columns {first_places[name.casefold()]} and {column_letters(position)}",
            )
            continue
        first_places[name.casefold()] = column_letters(position)
        if is_factor:
            _take_factor(header, table, name, position)
        else:
            header.positions[name] = position
    _fault_merged(table)
    if not first_places:
        hint = "; cells are separated by commas, semicolons or tabs" if len(table.header) == 1 else ""
        raise UnreadableFileError(
            f"the first row must name the columns (coupon, factor.NAME, rounds_survived, failed_round, ...); it reads: "
            f"{listed([shown(cleaned(cell)) for cell in table.header])}{hint}",
            table.header_row,
        )
    _fault_wide_rows(table)
    for written, letters in unknown:
        table.faults.add(table.header_row, shown(written), _unknown_message(written, letters))
    if "coupon" not in header.positions:
        table.faults.add(table.header_row, "coupon", "is missing: every coupon needs a code of its own")
    if forgiven:
        table.notes.append(f"column names read: {listed(forgiven)}")
    return header


def _column_name(written: str) -> tuple[str | None, bool]:
    key = re.sub(r"[ _\-]+", "_", written.casefold())
    if key in COLUMNS:
        return key, False
    factor = FACTOR.fullmatch(written)
    return (FACTOR_PREFIX + factor[1], True) if factor else (None, False)


def _take_factor(header: CouponHeader, table: Table, name: str, position: int) -> None:
    factor = name.removeprefix(FACTOR_PREFIX)
    refused = text_fault(factor, LONGEST_FACTOR_NAME)
    if refused is not None:
        table.faults.add(table.header_row, shown(name), refused)
    else:
        header.factors[factor] = position


def _fault_merged(table: Table) -> None:
    """A range merged within the table: of its cells all but one are blank, and which is meant can't be known."""
    last_row = table.row_numbers[-1] if table.row_numbers else table.header_row
    for cells in table.merged:
        if cells.left < len(table.header) and cells.top <= last_row and cells.bottom >= table.header_row:
            table.faults.add(
                cells.top,
                table.column_names[cells.left],
                f"the cells {cells.reference} are merged: split them and fill in a value for each",
            )


def _fault_wide_rows(table: Table) -> None:
    width = len(table.header)

    def message(at: int) -> str:
        cells = table.wide_rows[at][1]
        hint = "; a comma inside a value needs quotes around the value" if cells <= width + 3 else ""
        return f"has {cells} cells, but the header has {width}{hint}"

    table.faults.add_each([row for row, _ in table.wide_rows], None, message)


def _fault_unnamed(table: Table, position: int) -> None:
    """A column without a name may be blank; with a value in it, its name was forgotten."""
    for row_number, row in zip(table.row_numbers, table.rows, strict=True):
        if row[position].strip():
            table.faults.add(
                table.header_row,
                column_letters(position),
                f"has no name in the header, but row {row_number} has the value {shown(row[position].strip())}",
            )
            return


def _unknown_message(written: str, letters: str) -> str:
    key = re.sub(r"[ _\-]+", "_", written.casefold())
    if key.startswith("factor"):
        name = re.sub(r"^factors?[ ._:\-]*", "", written, flags=re.IGNORECASE)
        if not name:
            return f"is a factor without a name (it is column {letters}): name it like {FACTOR_PREFIX}resin"
        return f"is not a column of a coupon sheet (it is column {letters}); did you mean {FACTOR_PREFIX}{shown(name)}?"
    near = get_close_matches(key, COLUMNS, n=1, cutoff=0.6)
    meant = f"did you mean {near[0]}?" if near else f"a factor's column is named {FACTOR_PREFIX}{shown(written)}"
    return f"is not a column of a coupon sheet (it is column {letters}); {meant}"
