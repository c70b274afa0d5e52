"""A coupon sheet to a file: what is written reads back as the same sheet.

Spreadsheets run a CSV cell that begins with ``=``, ``+``, ``-`` or ``@`` as a formula. Such texts get an apostrophe in
front, which `read_coupon_sheet` takes off again (a text that itself begins with apostrophes and then one of these gets
one more); numbers are left alone. A workbook stores texts as texts and needs no guard.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

import numpy as np

from labbench.formats.cell_text import guarded
from labbench.formats.coupon_header import FACTOR_PREFIX
from labbench.formats.factor_levels import level_text
from labbench.formats.workbooks import Cell, WorkbookTable, write_workbook
from labbench.science.sheet import CouponSheet


def write_coupon_sheet_csv(sheet: CouponSheet) -> str:
    """The sheet as CSV by RFC 4180: commas, decimal points, lines ended by carriage return and line feed.

    Encode it as UTF-8; with a byte-order mark (``utf-8-sig``) spreadsheets show its letters rightly.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow([guarded(name) for name in _header(sheet)])
    for row in _rows(sheet):
        writer.writerow([_csv_cell(cell) for cell in row])
    return text.getvalue()


def coupon_sheet_table(sheet: CouponSheet, *, name: str = "coupons") -> WorkbookTable:
    """The sheet as a table of a workbook; put it first, so that the workbook can be read as a coupon sheet."""
    return WorkbookTable(name, _header(sheet), _rows(sheet))


def write_coupon_sheet_xlsx(sheet: CouponSheet) -> bytes:
    """The sheet as a workbook with one table."""
    return write_workbook([coupon_sheet_table(sheet)])


def _header(sheet: CouponSheet) -> list[str]:
    factors = [FACTOR_PREFIX + factor.name for factor in sheet.factors]
    rounds = ["rounds_planned", "rounds_survived", "failed_round"]
    # Left out where it would be blank: sheets of strengths alone stay as they were.
    origin = [] if sheet.fracture_origins is None else ["fracture_origin"]
    return ["coupon", "role", *factors, "block", *rounds, "failure_mode", "strength_mpa", *origin]


def _rows(sheet: CouponSheet) -> Iterator[list[Cell]]:
    levels: list[list[Cell]] = [
        [factor.levels[code] if code >= 0 else None for code in factor.codes.tolist()] for factor in sheet.factors
    ]
    strengths = [
        None if missing else value
        for missing, value in zip(np.isnan(sheet.strength_mpa).tolist(), sheet.strength_mpa.tolist(), strict=True)
    ]
    columns: list[list[Cell]] = [
        list(sheet.coupons),
        sheet.roles.tolist(),
        *levels,
        sheet.blocks.tolist(),
        sheet.rounds_planned.tolist(),
        sheet.rounds_survived.tolist(),
        [failed or None for failed in sheet.failed_round.tolist()],
        sheet.failure_modes.tolist(),
        strengths,
    ]
    if sheet.fracture_origins is not None:
        columns.append(sheet.fracture_origins.tolist())
    return (list(row) for row in zip(*columns, strict=True))


def _csv_cell(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, str):
        return guarded(cell)
    return level_text(cell) if isinstance(cell, float) else str(cell)
