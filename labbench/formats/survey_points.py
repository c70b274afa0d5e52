"""The points of a lamp survey from a file: CSV or XLSX bytes to readings of irradiance, or every fault.

The columns ``x_mm``, ``y_mm`` and ``irradiance_mw_cm2`` must be there; others are left out and noted. Repeated readings at a
place are rows of their own.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from labbench.formats.cell_numbers import NOT_FINITE, NumberFault, uses_decimal_commas, uses_decimal_points
from labbench.formats.cell_text import cleaned
from labbench.formats.coupon_columns import ColumnText, column_text
from labbench.formats.factor_levels import DecimalMarks
from labbench.formats.faults import Fault, FaultList, UnreadableFileError, lines_of, shown
from labbench.formats.limits import DEFAULT, Limits
from labbench.formats.spreadsheets import read_spreadsheet
from labbench.formats.tables import Table, column_letters, listed
from labbench.formats.text_tables import read_text_table
from labbench.formats.uploads import Readable, Upload, read_upload, refuse_foreign_content
from labbench.science.irradiance import Reading

COLUMNS = ("x_mm", "y_mm", "irradiance_mw_cm2")
# Curing lamps stay far below; above it the unit is another (from memory, no source).
HIGHEST_MW_CM2 = 100_000.0
LARGEST_PLACE_MM = 100_000.0


@dataclass(frozen=True, slots=True)
class SurveyReading:
    """Readings, or None with every fault; notes say what was done to read the file."""

    readings: list[Reading] | None
    faults: tuple[Fault, ...]
    faults_left_out: int = 0
    notes: tuple[str, ...] = ()

    @property
    def fault_lines(self) -> list[str]:
        """One line per fault, and a last one that counts those left out."""
        return lines_of(self.faults, self.faults_left_out)


def read_survey_points(data: bytes | Readable, *, limits: Limits = DEFAULT) -> SurveyReading:
    """Read the points of a survey; never raises for what is in the file."""
    faults = FaultList(limits.faults)
    table = Table(limits, faults)
    readings = None
    try:
        upload = read_upload(data, limits)
        table = _read_table(upload, limits, faults)
        readings = _readings(table, is_workbook=upload.is_zip)
    except UnreadableFileError as refused:
        faults.add(refused.row, None, str(refused))
    return SurveyReading(
        None if faults.found else readings, faults.first(), faults.left_out, tuple(dict.fromkeys(table.notes))
    )


def _read_table(upload: Upload, limits: Limits, faults: FaultList) -> Table:
    if upload.is_zip:
        table = read_spreadsheet(upload.data, limits=limits, faults=faults)
    else:
        refuse_foreign_content(upload.data)
        table = read_text_table(upload.data, known=COLUMNS, limits=limits, faults=faults)
    if not table.header:
        raise UnreadableFileError("the file is empty")
    return table


def _readings(table: Table, *, is_workbook: bool) -> list[Reading]:
    positions = _positions(table)
    if not table.rows and not table.faults.found:
        table.faults.add(None, None, "the file has a header, but no points")
    columns = {name: column_text(table, position, name, is_number=True) for name, position in positions.items()}
    marks = _decimal_marks(columns, table, is_workbook=is_workbook)
    x_mm, y_mm, irradiance = (_numbers(table, columns[name], marks) for name in COLUMNS)
    return list(zip(x_mm, y_mm, irradiance, strict=True))


def _positions(table: Table) -> dict[str, int]:
    """Where the columns are.

    Raises
    ------
    UnreadableFileError
        If one is missing; what follows would be faults about nothing.
    """
    positions: dict[str, int] = {}
    others = []
    for position, cell in enumerate(table.header):
        written = cleaned(cell)
        name = re.sub(r"[ _\-]+", "_", written.casefold())
        table.column_names.append(shown(written) or column_letters(position))
        if name not in COLUMNS:
            others.append(shown(written) or column_letters(position))
        elif name in positions:
            table.faults.add(table.header_row, name, f"occurs twice: again in column {column_letters(position)}")
        else:
            table.column_names[-1] = name
            positions[name] = position
    if missing := [name for name in COLUMNS if name not in positions]:
        raise UnreadableFileError(
            f"the first row must name the columns {', '.join(COLUMNS)}; {listed(missing)} "
            f"{'is' if len(missing) == 1 else 'are'} missing, it reads: {listed(others + list(positions))}",
            table.header_row,
        )
    if others:
        table.notes.append(f"columns left out: {listed(others)}")
    for row, cells in table.wide_rows:
        table.faults.add(row, None, f"has {cells} cells, but the header has {len(table.header)}")
    return positions


def _decimal_marks(columns: dict[str, ColumnText], table: Table, *, is_workbook: bool) -> DecimalMarks:
    has_commas = any(uses_decimal_commas(set(column.cells)) for column in columns.values())
    has_points = any(uses_decimal_points(set(column.cells)) for column in columns.values())
    if has_commas:
        table.notes.append("decimal commas read as decimal points")
    # In a worksheet numbers are stored as numbers, so that a point in their text is always ours.
    return DecimalMarks(
        decimal_commas=has_commas and not has_points, points_are_certain=has_points or not has_commas or is_workbook
    )


def _numbers(table: Table, column: ColumnText, marks: DecimalMarks) -> list[float]:
    """The column's numbers; a fault for each that is missing or can't be."""
    numbers = []
    for place, text in enumerate(column.cells):
        number = marks.number(text) if text else NumberFault("is blank: every point needs a number here", False)
        if isinstance(number, NumberFault) and NOT_FINITE.fullmatch(text):
            # The usual advice, to leave the cell blank, is no help here.
            number = NumberFault(f"{text} is not a finite number: read the point again, or leave out its row", True)
        if not isinstance(number, NumberFault):
            number = _bounded(column.name, text, number)
        if isinstance(number, NumberFault):
            if place not in column.refused:
                table.faults.add(table.row_numbers[place], column.name, number.message)
            number = 0.0
        numbers.append(number)
    return numbers


def _bounded(name: str, text: str, number: float) -> float | NumberFault:
    if name != "irradiance_mw_cm2":
        return number if abs(number) <= LARGEST_PLACE_MM else NumberFault(f"{shown(text)} mm is off any lamp", True)
    if number < 0:
        return NumberFault(f"{shown(text)} is below 0: zero the meter in the dark and read again", True)
    if number > HIGHEST_MW_CM2:
        return NumberFault(f"{shown(text)} is above {HIGHEST_MW_CM2:g}: is it in mW/cm²?", True)
    return number
