"""Studies, their factors and levels, the coupons that are their subject, what a plan has to keep to, and what it drew."""

from labbench.studies.models.allocation import AllocatedCoupon, Allocation
from labbench.studies.models.planning import ImpossibleCombination, ImpossibleLevel, PlanSettings
from labbench.studies.models.study import (
    Coupon,
    CouponLevel,
    Factor,
    ImportedSheet,
    Level,
    Study,
    code_characters,
    factor_name_characters,
)

__all__ = [
    "AllocatedCoupon",
    "Allocation",
    "Coupon",
    "CouponLevel",
    "Factor",
    "ImportedSheet",
    "ImpossibleCombination",
    "ImpossibleLevel",
    "Level",
    "PlanSettings",
    "Study",
    "code_characters",
    "factor_name_characters",
]
