"""A sheet that was read, as a page shows it: its first rows, every faulty row, each fault at its cell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from labbench.formats.coupon_header import FACTOR_PREFIX
from labbench.formats.coupon_records import CouponRow
from labbench.formats.coupon_sheet import SheetReading
from labbench.formats.factor_levels import level_text
from labbench.formats.faults import Fault

FIRST_ROWS = 12
MOST_FAULTY_ROWS = 200
FIRST_FAULTS = 15


@dataclass(frozen=True, slots=True)
class PreviewCell:
    text: str
    fault: str = ""


@dataclass(frozen=True, slots=True)
class PreviewRow:
    number: int
    cells: tuple[PreviewCell, ...]
    fault: str = ""
    is_after_gap: bool = False


@dataclass(frozen=True, slots=True)
class Preview:
    """The table of a preview, and what it does not show."""

    header: tuple[PreviewCell, ...]
    rows: tuple[PreviewRow, ...]
    first_faults: tuple[Fault, ...]
    faults: int
    faulty_rows_not_shown: int
    rows_in_all: int


def preview_of(reading: SheetReading, faults: Sequence[Fault]) -> Preview:
    """The rows to show, with `faults` (those of the file and those against the study) at their cells."""
    places = {name: at for at, name in reversed(list(enumerate(reading.columns)))}
    by_row: dict[int, dict[int, list[str]]] = {}
    in_header: dict[int, list[str]] = {}
    for fault in faults:
        at = places.get(fault.column or "", -1)
        if fault.row is not None and fault.row != reading.header_row:
            by_row.setdefault(fault.row, {}).setdefault(at, []).append(fault.message)
        elif at >= 0:
            in_header.setdefault(at, []).append(fault.message)
    faulty = sorted(by_row)
    texts = RowTexts(reading)
    numbers = sorted({*reading.row_numbers[:FIRST_ROWS], *faulty[:MOST_FAULTY_ROWS]})
    rows, last = [], reading.header_row
    for number in numbers:
        marks = by_row.get(number, {})
        cells = tuple(PreviewCell(text, "; ".join(marks.get(at, []))) for at, text in enumerate(texts.get(number, ())))
        # A fault of a column that the row's cells do not show stands at the row's number.
        elsewhere = [text for at, found in marks.items() if at < 0 or at >= len(cells) for text in found]
        rows.append(PreviewRow(number, cells, "; ".join(elsewhere), is_after_gap=number > last + 1))
        last = number
    header = tuple(PreviewCell(name, "; ".join(in_header.get(at, []))) for at, name in enumerate(reading.header))
    return Preview(
        header=header,
        rows=tuple(rows),
        first_faults=tuple(faults[:FIRST_FAULTS]),
        faults=len(faults) + reading.faults_left_out,
        faulty_rows_not_shown=max(0, len(faulty) - MOST_FAULTY_ROWS),
        rows_in_all=len(reading.coupon_row_numbers),
    )


class RowTexts:
    """The cells of a row as written where the reading keeps them, else as the coupon was understood."""

    def __init__(self, reading: SheetReading) -> None:
        self.reading = reading
        self.kept = dict(zip(reading.row_numbers, reading.rows, strict=True)) | reading.faulty_rows
        self.at = (
            {int(number): at for at, number in enumerate(reading.coupon_row_numbers)} if len(reading.records) else {}
        )

    def get(self, number: int, default: Sequence[str] = ()) -> Sequence[str]:
        if number in self.kept:
            return self.kept[number]
        if number not in self.at:
            return default
        return understood(self.reading.records[self.at[number]], self.reading.columns)


def understood(row: CouponRow, columns: Sequence[str]) -> list[str]:
    """A coupon's cells in the order of the sheet's columns."""
    values: dict[str, Any] = {
        "coupon": row.code,
        "role": row.role,
        "block": row.block,
        "rounds_planned": row.rounds_planned,
        "rounds_survived": row.rounds_survived,
        "failed_round": row.failed_round,
        "failure_mode": row.failure_mode,
        "strength_mpa": row.strength_mpa,
        "fracture_origin": row.fracture_origin,
        **{FACTOR_PREFIX + name: level for name, level in row.levels.items()},
    }
    found = [values.get(name) for name in columns]
    return ["" if value is None else level_text(value) if isinstance(value, float) else str(value) for value in found]
