"""Levels of two factors against each other: how many coupons, how many cracked out, and what that shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from labbench.formats.number_texts import number_text, percent_text
from labbench.science.demonstration import demonstration_coupons
from labbench.science.intervals import clopper_pearson
from labbench.science.sheet import CouponSheet, FactorColumn, Level

State = Literal["qualified", "not_qualified", "not_enough"]
MOST_HELD_NEEDED = 2000


@dataclass(frozen=True, slots=True)
class Combination:
    """Test coupons with one level of each of two factors.

    `coupons` are those that say something: cracked out, or through all their rounds. `unfinished` held so far.
    `low` and `high` bound the failure share two-sided; `at_least` and `at_most` each one-sided.
    """

    levels: dict[str, Level]
    coupons: int
    failed: int
    unfinished: int
    low: float | None
    high: float | None
    at_least: float | None
    at_most: float | None
    state: State
    held_needed: int | None

    @property
    def held(self) -> int:
        return self.coupons - self.failed

    @property
    def was_run(self) -> bool:
        return self.coupons + self.unfinished > 0


@dataclass(frozen=True, slots=True)
class CombinationTable:
    """`cells[i][j]` belongs to `row_levels[i]` and `column_levels[j]`; `columns` is None for a single factor."""

    rows: str
    columns: str | None
    row_levels: tuple[Level, ...]
    column_levels: tuple[Level | None, ...]
    cells: tuple[tuple[Combination, ...], ...]
    rule: str


def combination_table(
    sheet: CouponSheet, rows: str, columns: str | None, *, margin: float, confidence: float
) -> CombinationTable:
    """What every combination of two factors has shown.

    A combination is `qualified` where the one-sided Clopper-Pearson limit says that no more than `margin` of such repairs
    crack out, `not_qualified` where it says that more do, else there is not enough evidence. Coupons that held so far but
    have not been through all their rounds count for neither.

    References
    ----------
    C. J. Clopper and E. S. Pearson, Biometrika 26 (1934), 404-413; for no failure at all the limit on the share that
    holds is (1 - confidence) ** (1 / n), the success run of reliability demonstration.
    """
    down = column_of(sheet, rows)
    across = column_of(sheet, columns) if columns else None
    is_unfinished = ~sheet.is_failed & (sheet.rounds_survived < sheet.rounds_planned)
    cells = []
    for i, row_level in enumerate(down.levels):
        line = []
        for j, column_level in enumerate(across.levels if across else (None,)):
            here = sheet.is_test & (down.codes == i) & (across.codes == j if across else True)
            levels = {rows: row_level} | ({columns: column_level} if columns and column_level is not None else {})
            line.append(
                combination(
                    levels,
                    coupons=int((here & ~is_unfinished).sum()),
                    failed=int((here & sheet.is_failed).sum()),
                    unfinished=int((here & is_unfinished).sum()),
                    margin=margin,
                    confidence=confidence,
                )
            )
        cells.append(tuple(line))
    return CombinationTable(
        rows=rows,
        columns=columns,
        row_levels=down.levels,
        column_levels=across.levels if across else (None,),
        cells=tuple(cells),
        rule=rule_text(margin=margin, confidence=confidence),
    )


def combination(
    levels: dict[str, Level], *, coupons: int, failed: int, unfinished: int, margin: float, confidence: float
) -> Combination:
    """One cell. `held_needed`: coupons that must hold, with no further failure, to show what `qualified` asks for."""
    low = high = at_least = at_most = None
    if coupons:
        low, high = limits(failed, coupons, confidence=confidence)
        # A one-sided limit leaves the whole error in one tail: half of a two-sided one with twice the error.
        at_least, at_most = limits(failed, coupons, confidence=2 * confidence - 1)
    state: State = "not_enough"
    if at_most is not None and at_most <= margin:
        state = "qualified"
    elif at_least is not None and at_least > margin:
        state = "not_qualified"
    return Combination(
        levels=levels,
        coupons=coupons,
        failed=failed,
        unfinished=unfinished,
        low=low,
        high=high,
        at_least=at_least,
        at_most=at_most,
        state=state,
        held_needed=held_needed(failed, coupons, margin=margin, confidence=confidence)
        if state == "not_enough"
        else None,
    )


def held_needed(failed: int, coupons: int, *, margin: float, confidence: float) -> int | None:
    """Further coupons, all holding, until the one-sided limit is at `margin`; None beyond `MOST_HELD_NEEDED`."""
    try:
        further = demonstration_coupons(1 - margin, confidence, failures=failed) - coupons
    except ValueError:
        return None
    return further if further <= MOST_HELD_NEEDED else None


def limits(failed: int, coupons: int, *, confidence: float) -> tuple[float, float]:
    low, high = clopper_pearson(np.array([failed]), np.array([coupons]), confidence=confidence)
    return float(low[0]), float(high[0])


def rule_text(*, margin: float, confidence: float) -> str:
    """The rule behind the words in the cells."""
    share, sure = percent_text(margin), percent_text(confidence)
    needed = held_needed(0, 0, margin=margin, confidence=confidence)
    without_failure = f" Without any failure that takes {number_text(needed)} coupons." if needed else ""
    return (
        f"Shown to hold: with {sure} confidence (one-sided Clopper-Pearson limit) no more than {share} of such repairs crack "
        f"out in these rounds. Shown to fail: with the same confidence more than {share} do. Else there is not enough "
        f"evidence, however well the few coupons did.{without_failure} The confidence holds for each combination by "
        "itself, not for all of them together; coupons that have not been through all their rounds count for neither."
    )


def crossed_counts(sheet: CouponSheet, first: str, second: str) -> np.ndarray:
    """Test coupons with each pair of levels, shape (levels of first, levels of second)."""
    down, across = column_of(sheet, first), column_of(sheet, second)
    both = sheet.is_test & (down.codes >= 0) & (across.codes >= 0)
    counts = np.zeros((len(down.levels), len(across.levels)), dtype=np.int64)
    np.add.at(counts, (down.codes[both], across.codes[both]), 1)
    return counts


def column_of(sheet: CouponSheet, name: str) -> FactorColumn:
    return next(column for column in sheet.factors if column.name == name)
