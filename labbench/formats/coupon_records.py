"""The coupons of a sheet one by one, as an importer stores them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import overload

import numpy as np
from numpy.typing import NDArray

from labbench.science.sheet import CouponSheet, Level


@dataclass(frozen=True, slots=True)
class CouponRow:
    """One coupon as its row in the file states it; None is what the file leaves blank.

    Attributes
    ----------
    row : int
        The file's row number.
    code, role : str
    levels : dict
        Factor -> level, None where it is not known.
    block : str or None
    rounds_planned : int or None
        None where the file leaves it to the largest round number of the sheet.
    rounds_survived : int
    failed_round : int or None
    failure_mode : str or None
    strength_mpa : float or None
    fracture_origin : str or None
    """

    row: int
    code: str
    role: str
    levels: dict[str, Level | None]
    block: str | None
    rounds_planned: int | None
    rounds_survived: int
    failed_round: int | None
    failure_mode: str | None
    strength_mpa: float | None
    fracture_origin: str | None = None


class CouponRows(Sequence[CouponRow]):
    """The rows of a sheet, each made when it is asked for: 100,000 of them need not be in memory at once."""

    def __init__(self, sheet: CouponSheet, row_numbers: NDArray[np.int64], is_planned: NDArray[np.bool_]) -> None:
        self._sheet = sheet
        self._row_numbers = row_numbers
        self._is_planned = is_planned

    def __len__(self) -> int:
        return len(self._sheet.coupons)

    @overload
    def __getitem__(self, place: int) -> CouponRow: ...
    @overload
    def __getitem__(self, place: slice) -> list[CouponRow]: ...
    def __getitem__(self, place: int | slice) -> CouponRow | list[CouponRow]:
        if isinstance(place, slice):
            return [self[at] for at in range(*place.indices(len(self)))]
        sheet = self._sheet
        code = sheet.coupons[place]
        failed_round = int(sheet.failed_round[place])
        strength_mpa = float(sheet.strength_mpa[place])
        return CouponRow(
            row=int(self._row_numbers[place]),
            code=code,
            role=str(sheet.roles[place]),
            levels={
                factor.name: factor.levels[factor.codes[place]] if factor.codes[place] >= 0 else None
                for factor in sheet.factors
            },
            block=sheet.blocks[place],
            rounds_planned=int(sheet.rounds_planned[place]) if self._is_planned[place] else None,
            rounds_survived=int(sheet.rounds_survived[place]),
            failed_round=failed_round or None,
            failure_mode=sheet.failure_modes[place],
            strength_mpa=None if math.isnan(strength_mpa) else strength_mpa,
            fracture_origin=None if sheet.fracture_origins is None else sheet.fracture_origins[place],
        )
