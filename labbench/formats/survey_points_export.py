"""The points of a survey as CSV: the columns that the import reads, then what was read before the factor."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

from labbench.formats.cell_text import guarded

COLUMNS = ("x_mm", "y_mm", "irradiance_mw_cm2", "reading", "raw_reading", "raw_unit", "calibration_factor")
Row = tuple[float, float, float, int, float | None]


def survey_points_csv(rows: Iterable[Row], *, raw_unit: str, factor: float) -> str:
    """Rows of x, y, irradiance, reading number and raw reading; all digits, decimal points."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for x, y, irradiance, reading, raw in rows:
        shown = "" if raw is None else repr(raw)
        writer.writerow([repr(x), repr(y), repr(irradiance), reading, shown, guarded(raw_unit), repr(factor)])
    return out.getvalue()
