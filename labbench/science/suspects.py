"""Which factors, levels and coupons of a sheet enter the search for the cause, and why others don't."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labbench.science.evidence import Runs, has_run, runs
from labbench.science.hypotheses import Integers, Suspect
from labbench.science.sheet import CouponSheet, FactorColumn, Level, RunnableLevels

# A factor known for fewer test coupons than this share is left out of the comparison.
LEAST_KNOWN = 0.5


@dataclass(frozen=True, slots=True)
class Suspects:
    """What enters the comparison.

    Attributes
    ----------
    factors : tuple of Suspect
        Factors with at least two levels.
    data : Runs
        Coupons with every level known.
    coupons : tuple of ndarray of int
        Coupons that ran per level of each factor.
    set_aside : dict
        Factor name -> why it does not enter.
    usual : dict
        Level that a proposed coupon gets of a factor that does not enter: its only or its most frequent one.
    warnings : tuple of str
    baseline : ndarray of int, shape (factors,)
        Level of the repair that failed; -1 where none is named.
    """

    factors: tuple[Suspect, ...]
    data: Runs
    coupons: tuple[Integers, ...]
    set_aside: dict[str, str]
    usual: dict[str, Level]
    warnings: tuple[str, ...]
    baseline: Integers


def suspects(sheet: CouponSheet, runnable: RunnableLevels | None = None) -> Suspects:
    """The factors with two levels that are known for at least half of the coupons, and the coupons known in all."""
    ran = has_run(sheet)
    coupons_ran = int(ran.sum())
    factors: list[Suspect] = []
    columns: list[Integers] = []
    set_aside: dict[str, str] = {}
    usual: dict[str, Level] = {}
    warnings: list[str] = []
    for factor in sheet.factors:
        levels, codes = levels_in_play(sheet, factor, runnable)
        known = int((ran & (codes >= 0)).sum())
        if len(levels) >= 2 and known >= LEAST_KNOWN * coupons_ran:
            factors.append(Suspect(factor.name, factor.kind, levels))
            columns.append(codes)
            continue
        if levels:
            counts = np.bincount(codes[ran & (codes >= 0)], minlength=len(levels))
            usual[factor.name] = levels[int(np.argmax(counts))]
        if not levels:
            set_aside[factor.name] = "No level of it is known."
        elif len(levels) == 1:
            set_aside[factor.name] = "It has one level only: whether it matters can't be seen from these coupons."
        else:
            words = f"known for only {known:,} of {coupons_ran:,} coupons"
            set_aside[factor.name] = f"Its level is {words}."
            warnings.append(f"{factor.name} is left out of the search for the cause: its level is {words}.")
    codes = np.column_stack(columns) if columns else np.empty((len(ran), 0), dtype=np.int64)
    complete = (codes >= 0).all(axis=1)
    if missing := int((ran & ~complete).sum()):
        warnings.append(f"{counted_coupons(missing)} with an unknown level left out of the search for the cause.")
    if waiting := int((sheet.is_test & ~ran).sum()):
        warnings.append(f"{counted_coupons(waiting)} not seen after a round yet left out of the search for the cause.")
    if not factors:
        warnings.append("No factor has two levels, so no cause can be isolated.")
    data = runs(sheet, codes, ran & complete)
    coupons = tuple(
        np.bincount(data.codes[:, number], minlength=len(factor.levels)).astype(np.int64)
        for number, factor in enumerate(factors)
    )
    named = runnable.baseline if runnable else {}
    baseline = np.array(
        [f.levels.index(named[f.name]) if named.get(f.name) in f.levels else -1 for f in factors], dtype=np.int64
    )
    return Suspects(tuple(factors), data, coupons, set_aside, usual, tuple(warnings), baseline)


def levels_in_play(
    sheet: CouponSheet, factor: FactorColumn, runnable: RunnableLevels | None
) -> tuple[tuple[Level, ...], NDArray[np.int64]]:
    """Levels of test coupons and reference repairs, and those that could be run; and codes per coupon for them.

    A level that only new glass or an unrepaired break has is no level of a repair; its code is -1.
    """
    repaired = (sheet.roles == "test") | (sheet.roles == "reference")
    seen = {factor.levels[code] for code in np.unique(factor.codes[repaired & (factor.codes >= 0)])}
    stated = runnable.levels.get(factor.name, ()) if runnable else ()
    order = list(dict.fromkeys((*stated, *factor.levels)))
    if factor.kind == "numeric":
        order.sort(key=float)
    levels = tuple(level for level in order if level in seen or level not in factor.levels)
    place = {level: number for number, level in enumerate(levels)}
    new = np.array([place.get(level, -1) for level in factor.levels] + [-1], dtype=np.int64)
    return levels, new[factor.codes]


def counted_coupons(count: int) -> str:
    """``1 coupon``, ``2 coupons``."""
    return f"{count} coupon" if count == 1 else f"{count:,} coupons"
