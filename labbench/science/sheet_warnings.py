"""What a reader of the numbers must know about the coupons behind them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from labbench.science.sheet import CouponSheet
from labbench.science.strength import is_broken


def sheet_warnings(sheet: CouponSheet) -> list[str]:
    """Whole sentences, most general first."""
    test, failed = sheet.is_test, sheet.is_failed
    warnings = []
    if not test.any():
        return ["The sheet has no test coupons."]
    has_strength = is_broken(sheet.strength_mpa)
    broken, lost = int((test & has_strength).sum()), int((test & failed & ~has_strength).sum())
    absurd = int((~has_strength & ~np.isnan(sheet.strength_mpa)).sum())
    if absurd:
        are = "is not a usable number and counts" if absurd == 1 else "are not usable numbers and count"
        warnings.append(f"{counted(absurd, 'strength')} {are} as not given.")
    if broken and lost:
        were, have = ("was" if broken == 1 else "were"), ("has" if lost == 1 else "have")
        warnings.append(
            f"Mean strength and percent of new glass cover the {counted(broken, 'coupon')} that {were} broken; "
            f"{lost} cracked out before and {have} no strength. The worst-rank test counts "
            f"{'it' if lost == 1 else 'them'}."
        )
    kept = int((test & failed & has_strength).sum())
    if kept:
        have, its = ("has", "its") if kept == 1 else ("have", "their")
        warnings.append(
            f"{counted(kept, 'test coupon')} cracked out and {have} a strength all the same: means, Weibull fits and percent of new "
            f"glass count {its} strength, the worst-rank test takes the crack-out."
        )
    warnings += bound_warnings(sheet, has_strength)
    ended = int((test & ~failed & (sheet.rounds_survived < sheet.rounds_planned)).sum())
    if ended:
        have, them = ("has", "it") if ended == 1 else ("have", "them")
        warnings.append(
            f"{counted(ended, 'test coupon')} held so far but {have} not been through all planned rounds; "
            f"failure shares count {them} as held."
        )
    known = np.all([factor.codes >= 0 for factor in sheet.factors], axis=0) if sheet.factors else test
    unknown = int((test & ~known).sum())
    if unknown:
        lack, are = ("lacks", "it is") if unknown == 1 else ("lack", "they are")
        warnings.append(
            f"{counted(unknown, 'test coupon')} {lack} a level of some factor: {are} left out of that factor's tests and "
            "of the two models of all factors together."
        )
    references = int(((sheet.roles == "reference") & failed).sum())
    if references:
        loads = "the load it was in" if references == 1 else "the loads they were in"
        warnings.append(f"{counted(references, 'reference repair')} cracked out: check {loads}.")
    pristine = int(((sheet.roles == "pristine") & failed).sum())
    if pristine:
        warnings.append(f"{counted(pristine, 'pristine control')} cracked out: the rounds themselves break glass.")
    return warnings


def bound_warnings(sheet: CouponSheet, has_strength: NDArray[np.bool_]) -> list[str]:
    """Stresses that are lower bounds, of repairs and of new glass."""
    is_bound = sheet.is_strength_censored & has_strength
    repaired, new = int((is_bound & sheet.is_test).sum()), int((is_bound & (sheet.roles == "pristine")).sum())
    warnings = []
    if repaired:
        are = "stress of a test coupon is" if repaired == 1 else "stresses of test coupons are"
        warnings.append(
            f"{repaired} {are} only known to be exceeded (fracture away from the repair, or "
            "the machine's limit): means, ranks and percent of new glass take the stress that was reached; the Weibull fit "
            "and the log-rank test of strength allow for it."
        )
    if new:
        warnings.append(
            f"{counted(new, 'pristine control')} did not break up to the machine's limit: new glass is stronger than its mean "
            "says, and the percentages of it are too high."
        )
    return warnings


def counted(number: int, noun: str) -> str:
    """1 coupon, 3 coupons."""
    return f"{number} {noun}{'' if number == 1 else 's'}"
