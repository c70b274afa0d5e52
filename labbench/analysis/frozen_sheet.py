"""What an analysis was computed from, read again from its own frozen sheet: the coupons behind the numbers."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from labbench.analysis.models import Analysis
from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.science.sheet import CouponSheet, Level

SHEETS_KEPT = 8


@dataclass(frozen=True, slots=True)
class BrokenCoupon:
    """One coupon of a strength test."""

    coupon: str
    strength_mpa: float


def frozen_sheet(analysis: Analysis) -> CouponSheet | None:
    """The sheet as analysed; None where it could not be read as one (the analysis then failed with the reason)."""
    return read_once(analysis.inputs_sha256, analysis.sheet_csv)


@lru_cache(maxsize=SHEETS_KEPT)
def read_once(inputs_sha256: str, sheet_csv: str) -> CouponSheet | None:
    # The text never changes, and reading thousands of rows takes longer than the rest of a page.
    return read_coupon_sheet(sheet_csv.encode(), filename="sheet.csv").sheet


def broken_by_level(sheet: CouponSheet, factor: str) -> dict[Level, tuple[BrokenCoupon, ...]]:
    """The broken test coupons of every level of a factor, in the order of the levels; levels without one are left out."""
    column = next((column for column in sheet.factors if column.name == factor), None)
    if column is None:
        return {}
    is_broken = sheet.is_test & np.isfinite(sheet.strength_mpa) & (sheet.strength_mpa > 0)
    found = {level: broken(sheet, is_broken & (column.codes == code)) for code, level in enumerate(column.levels)}
    return {level: coupons for level, coupons in found.items() if coupons}


def broken_pristine(sheet: CouponSheet) -> tuple[BrokenCoupon, ...]:
    """The broken coupons of new glass."""
    return broken(sheet, (sheet.roles == "pristine") & np.isfinite(sheet.strength_mpa) & (sheet.strength_mpa > 0))


def broken(sheet: CouponSheet, which: np.ndarray) -> tuple[BrokenCoupon, ...]:
    return tuple(BrokenCoupon(sheet.coupons[i], float(sheet.strength_mpa[i])) for i in np.flatnonzero(which))
