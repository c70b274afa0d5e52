"""A coupon sheet from a file: CSV or XLSX bytes to the `CouponSheet` every analysis starts from.

The columns:

- ``coupon`` (required, unique), ``role`` (blank: ``test``), ``factor.NAME``, ``block``, ``failure_mode``: texts.
- ``rounds_planned``: blank means the largest round number in the sheet.
- ``rounds_survived``: blank means 0 where ``failed_round`` is 1 (nothing else is possible) and for pristine and
  unrepaired controls that have no ``failed_round`` (they are not cycled); elsewhere a blank is a fault, because it
  could mean that the coupon held for all rounds or for none. A sheet with neither this column nor ``failed_round``
  says nothing of rounds: all are 0, and that is noted.
- ``failed_round``: blank means the coupon was never seen cracked out.
- ``strength_mpa``: blank means it was not broken.
- ``fracture_origin`` (optional): ``at_repair``, ``elsewhere``, ``machine_limit`` (it did not break); blank means not known.
  What broke away from the repair, or not at all, holds at least its stress.

Rows are counted as a spreadsheet shows them: the header is row 1, blank rows count, a value with line breaks stays
within its row.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from labbench.formats.cell_numbers import uses_decimal_commas, uses_decimal_points
from labbench.formats.coupon_columns import (
    ColumnText,
    check_codes,
    column_text,
    read_origins,
    read_roles,
    read_rounds,
    read_strengths,
    read_texts,
)
from labbench.formats.coupon_header import FACTOR_PREFIX, KNOWN_BEGINNINGS, read_header
from labbench.formats.coupon_records import CouponRow, CouponRows
from labbench.formats.coupon_rounds import CouponRounds, settle_rounds
from labbench.formats.factor_levels import DecimalMarks, check_level_names, read_factor, unit_suffix
from labbench.formats.faults import Fault, FaultList, UnreadableFileError, lines_of
from labbench.formats.limits import DEFAULT, Limits
from labbench.formats.number_texts import number_text
from labbench.formats.spreadsheets import read_spreadsheet
from labbench.formats.tables import Table
from labbench.formats.text_tables import read_text_table
from labbench.formats.uploads import Readable, Upload, read_upload, refuse_foreign_content
from labbench.science.sheet import CouponSheet, FactorColumn, Level

FileKind = Literal["csv", "xlsx", ""]
NUMBER_COLUMNS = ("rounds_planned", "rounds_survived", "failed_round", "strength_mpa")


@dataclass(frozen=True, slots=True)
class SheetReading:
    """What came of reading a file.

    Attributes
    ----------
    sheet : CouponSheet or None
        None as soon as there is one fault.
    faults : tuple of Fault
        Those of the whole file first, then by row; at most `Limits.faults`.
    faults_left_out : int
        How many more were found.
    notes : tuple of str
        What was done to read the file that whoever sent it should know.
    header : tuple of str
        The names as written.
    header_row : int
        The header's row number.
    columns : tuple of str
        What faults call the columns, in the order of `header`: the fixed names without the freedoms that were
        forgiven. Empty if the header was not understood.
    rows : list of list of str
        The first rows as written, `Limits.preview_rows` of them, long texts cut.
    row_numbers : tuple of int
        The row number of each of `rows`.
    faulty_rows : dict
        Row number -> the row as written, for each row that a listed fault names.
    coupon_row_numbers : ndarray of int, shape (n,)
        The row number of each coupon.
    factors : tuple of FactorColumn
        The factors as far as they could be read, also when `sheet` is None.
    records : sequence of CouponRow
        The coupons one by one; empty when `sheet` is None.
    sha256 : str
        Of the file's bytes, in hexadecimal; "" if the file was empty or too large to be read.
    kind : {"csv", "xlsx", ""}
        What the file was read as.
    """

    sheet: CouponSheet | None
    faults: tuple[Fault, ...]
    faults_left_out: int = 0
    notes: tuple[str, ...] = ()
    header: tuple[str, ...] = ()
    header_row: int = 1
    columns: tuple[str, ...] = ()
    rows: list[list[str]] = field(default_factory=list)
    row_numbers: tuple[int, ...] = ()
    faulty_rows: dict[int, list[str]] = field(default_factory=dict)
    coupon_row_numbers: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    factors: tuple[FactorColumn, ...] = ()
    records: Sequence[CouponRow] = ()
    sha256: str = ""
    kind: FileKind = ""

    @property
    def faulty_cells(self) -> dict[int, dict[int, str]]:
        """Row number -> position in the row -> what is wrong there, for marking cells; -1 is the row as a whole."""
        positions: dict[str | None, int] = {name: at for at, name in reversed(list(enumerate(self.columns)))}
        cells: dict[int, dict[int, str]] = {}
        for fault in self.faults:
            if fault.row is not None:
                row = cells.setdefault(fault.row, {})
                at = positions.get(fault.column, -1)
                row[at] = f"{row[at]}; {fault.message}" if at in row else fault.message
        return cells

    @property
    def fault_lines(self) -> list[str]:
        """One line per fault, and a last one that counts those left out."""
        return lines_of(self.faults, self.faults_left_out)


def read_coupon_sheet(data: bytes | Readable, *, filename: str = "", limits: Limits = DEFAULT) -> SheetReading:
    """Read a coupon sheet; never raises for what is in the file.

    Parameters
    ----------
    data : bytes or binary file
        CSV or XLSX, told apart by content. A file is read in pieces up to `limits.file_bytes`.
    filename : str
        Only to note a name that contradicts the content.
    limits : Limits

    Returns
    -------
    SheetReading
        With a sheet, or with every fault.
    """
    faults = FaultList(limits.faults)
    upload, table = Upload(b"", ""), Table(limits, faults)
    kind: FileKind = ""
    try:
        upload = read_upload(data, limits)
        kind = "xlsx" if upload.is_zip else "csv"
        table = _read_table(upload.data, kind, limits, faults)
        _note_filename(filename, kind, table)
        return _interpreted(table, upload, kind)
    except UnreadableFileError as refused:
        faults.add(refused.row, None, str(refused))
        return _reading(None, table, upload, kind)


def check_levels(
    reading: SheetReading, allowed: Mapping[str, Collection[Level]], *, limits: Limits = DEFAULT
) -> tuple[Fault, ...]:
    """Faults for factors and levels that a study does not have.

    Parameters
    ----------
    reading : SheetReading
        Also one with faults: what it could read of the factors is checked.
    allowed : mapping
        Factor name -> the levels it may have. ``60``, ``60.0`` and ``"60"`` are one level.
    limits : Limits
    """
    faults = FaultList(limits.faults)
    check_level_names(reading.factors, reading.coupon_row_numbers, allowed, faults)
    if faults.left_out:
        return (*faults.first(), Fault(None, None, f"and {number_text(faults.left_out)} more"))
    return faults.first()


def _read_table(data: bytes, kind: FileKind, limits: Limits, faults: FaultList) -> Table:
    if kind == "xlsx":
        table = read_spreadsheet(data, limits=limits, faults=faults)
    else:
        refuse_foreign_content(data)
        table = read_text_table(data, known=KNOWN_BEGINNINGS, limits=limits, faults=faults)
    if not table.header:
        raise UnreadableFileError("the sheet is empty")
    return table


def _note_filename(filename: str, kind: FileKind, table: Table) -> None:
    ending = filename.rpartition(".")[2].lower()
    if ending in ("csv", "txt", "tsv") and kind == "xlsx":
        table.notes.append(f"the file is named .{ending}, but is an XLSX workbook and was read as one")
    elif ending in ("xlsx", "xlsm", "xls") and kind == "csv":
        table.notes.append(f"the file is named .{ending}, but is text and was read as CSV")


def _interpreted(table: Table, upload: Upload, kind: FileKind) -> SheetReading:
    """Columns to arrays, arrays to a sheet."""
    header = read_header(table)
    if not table.rows and not table.faults.found:
        table.faults.add(None, None, "the sheet has a header, but no coupons")
    fixed = {
        name: column_text(table, position, name, is_number=name in NUMBER_COLUMNS, takes_dates=name == "block")
        for name, position in header.positions.items()
    }
    factor_cells = {
        name: column_text(table, position, FACTOR_PREFIX + name) for name, position in header.factors.items()
    }
    marks = _decimal_marks(fixed, factor_cells, kind, table)
    factors = tuple(
        read_factor(
            name,
            column.cells,
            table.row_numbers,
            marks=marks,
            most_levels=table.limits.levels,
            faults=table.faults,
            notes=table.notes,
        )
        for name, column in factor_cells.items()
    )
    if "coupon" in fixed:
        check_codes(table, fixed["coupon"])
    roles = read_roles(table, fixed.get("role"))
    rounds = _rounds(table, fixed, roles, marks)
    strength_mpa = read_strengths(table, fixed.get("strength_mpa"), marks)
    origins = read_origins(table, fixed.get("fracture_origin"), fixed.get("strength_mpa"))
    if table.faults.found:
        return _reading(None, table, upload, kind, factors=factors)
    sheet = CouponSheet(
        coupons=tuple(fixed["coupon"].cells),
        roles=roles,
        factors=factors,
        blocks=read_texts(table, fixed.get("block")),
        rounds_planned=rounds.planned,
        rounds_survived=rounds.survived,
        failed_round=rounds.failed,
        failure_modes=read_texts(table, fixed.get("failure_mode")),
        strength_mpa=strength_mpa,
        fracture_origins=origins,
    )
    return _reading(sheet, table, upload, kind, factors=factors, is_planned=rounds.is_planned)


def _decimal_marks(
    fixed: Mapping[str, ColumnText], factors: Mapping[str, ColumnText], kind: FileKind, table: Table
) -> DecimalMarks:
    """How the file writes numbers, judged by all its columns of numbers together: one program wrote them all."""
    columns = [column for name, column in fixed.items() if name in NUMBER_COLUMNS]
    columns += [column for name, column in factors.items() if unit_suffix(name) is not None]
    has_commas = any(uses_decimal_commas(set(column.cells)) for column in columns)
    has_points = any(uses_decimal_points(set(column.cells)) for column in columns)
    if has_commas:
        table.notes.append("decimal commas read as decimal points")
    # In a worksheet numbers are stored as numbers, so that a point in their text is always ours.
    return DecimalMarks(
        decimal_commas=has_commas and not has_points,
        points_are_certain=has_points or not has_commas or kind == "xlsx",
    )


def _rounds(
    table: Table, fixed: Mapping[str, ColumnText], roles: NDArray[np.str_], marks: DecimalMarks
) -> CouponRounds:
    return settle_rounds(
        table,
        fixed.keys(),
        roles,
        planned=read_rounds(table, fixed.get("rounds_planned"), marks, lowest=0),
        survived=read_rounds(table, fixed.get("rounds_survived"), marks, lowest=0),
        failed=read_rounds(table, fixed.get("failed_round"), marks, lowest=1),
    )


def _reading(
    sheet: CouponSheet | None,
    table: Table,
    upload: Upload,
    kind: FileKind,
    *,
    factors: tuple[FactorColumn, ...] = (),
    is_planned: NDArray[np.bool_] | None = None,
) -> SheetReading:
    row_numbers = np.array(table.row_numbers, dtype=np.int64)
    faults = table.faults.first()
    named = {fault.row for fault in faults}
    shown_rows = table.limits.preview_rows
    return SheetReading(
        sheet=sheet,
        faults=faults,
        faults_left_out=table.faults.left_out,
        notes=tuple(dict.fromkeys(table.notes)),
        header=tuple(_preview_cell(cell) for cell in table.header),
        header_row=table.header_row,
        columns=tuple(table.column_names),
        rows=[_preview_row(row) for row in table.rows[:shown_rows]],
        row_numbers=tuple(table.row_numbers[:shown_rows]),
        faulty_rows={
            number: _preview_row(row)
            for number, row in zip(table.row_numbers, table.rows, strict=True)
            if number in named
        },
        coupon_row_numbers=row_numbers,
        factors=factors,
        records=CouponRows(sheet, row_numbers, is_planned) if sheet is not None and is_planned is not None else (),
        sha256=upload.sha256,
        kind=kind,
    )


def _preview_row(row: Sequence[str]) -> list[str]:
    return [_preview_cell(cell) for cell in row]


def _preview_cell(cell: str) -> str:
    """A cell for showing: plain text, cut at 200 characters."""
    text = str.__str__(cell).strip()
    return text if len(text) <= 200 else text[:200] + "…"
