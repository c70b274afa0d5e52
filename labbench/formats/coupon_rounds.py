"""The three round numbers of each coupon: filled in where a blank has one meaning, checked against each other."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labbench.formats.coupon_columns import BLANK, REFUSED
from labbench.formats.tables import Table

CONTROLS_NOT_CYCLED = ("pristine", "unrepaired")


@dataclass(frozen=True, slots=True)
class CouponRounds:
    """Round numbers per coupon, as `CouponSheet` holds them.

    Attributes
    ----------
    planned, survived, failed : ndarray of int, shape (n,)
    is_planned : ndarray of bool, shape (n,)
        Where the file itself states `planned`.
    """

    planned: NDArray[np.int64]
    survived: NDArray[np.int64]
    failed: NDArray[np.int64]
    is_planned: NDArray[np.bool_]


def settle_rounds(
    table: Table,
    columns: Collection[str],
    roles: NDArray[np.str_],
    *,
    planned: NDArray[np.int64],
    survived: NDArray[np.int64],
    failed: NDArray[np.int64],
) -> CouponRounds:
    """Round numbers with the blanks filled in; contradictions become faults of the table.

    Parameters
    ----------
    table : Table
    columns : collection of str
        The fixed columns that the sheet has.
    roles : ndarray of str, shape (n,)
    planned, survived, failed : ndarray of int, shape (n,)
        As read, with `BLANK` and `REFUSED`.
    """
    survived = _filled_survived(table, columns, roles, survived, failed)
    _fault_pairs(table, failed, "failed_round", "is not greater than rounds_survived", survived, failed <= survived)
    stated = planned >= 0
    _fault_pairs(table, failed, "failed_round", "is greater than rounds_planned", planned, stated & (failed > planned))
    _fault_pairs(
        table, survived, "rounds_survived", "is greater than rounds_planned", planned, stated & (survived > planned)
    )
    largest = max((int(numbers.max(initial=0)) for numbers in (planned, survived, failed)), default=0)
    return CouponRounds(
        planned=np.where(stated, planned, largest),
        survived=np.maximum(survived, 0),
        failed=np.maximum(failed, 0),
        is_planned=stated,
    )


def _filled_survived(
    table: Table,
    columns: Collection[str],
    roles: NDArray[np.str_],
    survived: NDArray[np.int64],
    failed: NDArray[np.int64],
) -> NDArray[np.int64]:
    is_blank = survived == BLANK
    if "rounds_survived" not in columns and "failed_round" not in columns:
        if len(survived):
            table.notes.append("the sheet has no rounds: rounds_survived is taken as 0 for all coupons")
        return np.zeros_like(survived)
    is_zero = (failed == 1) | (np.isin(roles, CONTROLS_NOT_CYCLED) & (failed == BLANK))
    survived = np.where(is_blank & is_zero, 0, survived)
    # A failed_round that was itself refused is fault enough for its row.
    places = np.flatnonzero(is_blank & ~is_zero & (failed != REFUSED))
    if len(places) == 0:
        return survived
    rows = [table.row_numbers[place] for place in places.tolist()]
    if "rounds_survived" not in columns:
        table.faults.add(
            table.header_row,
            "rounds_survived",
            f"is missing, and row {rows[0]} needs it: "
            "the last round after which the coupon was seen to hold, 0 if none",
        )
    else:
        table.faults.add_each(
            rows,
            "rounds_survived",
            lambda _: "is blank: give the last round after which the coupon was seen to hold, 0 if none",
        )
    return survived


def _fault_pairs(
    table: Table,
    numbers: NDArray[np.int64],
    column: str,
    broken_rule: str,
    others: NDArray[np.int64],
    is_broken: NDArray[np.bool_],
) -> None:
    """A fault where the rule is broken between two numbers that are both there."""
    places = np.flatnonzero(is_broken & (numbers >= 0) & (others >= 0)).tolist()
    table.faults.add_each(
        [table.row_numbers[place] for place in places],
        column,
        lambda at: f"{numbers[places[at]]} {broken_rule} {others[places[at]]}",
    )
