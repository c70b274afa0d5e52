"""Coupons that are alike but fared differently from load to load: something outside the factors changed between the loads."""

from __future__ import annotations

import numpy as np

from labbench.science.confirmation import accused_side, block_order
from labbench.science.evidence import Posterior, Runs
from labbench.science.hypotheses import NONE_ANY, SHAPE_FREE, Integers
from labbench.science.stratified import cochran_mantel_haenszel

# Among coupons with the same levels, and among coupons on the same side of a likely cause, of which there are more.
# Choices, no published source.
ALPHA_SAME_LEVELS = 0.01
ALPHA_SAME_SIDE = 0.001
MOST_LOADS_NAMED = 4


def load_difference(found: Posterior, row: int, data: Runs, *, is_likely: bool) -> str | None:
    """A sentence where loads differ beyond chance among coupons that should fare alike; None where they don't.

    Cochran-Mantel-Haenszel test of load and failing, first within coupons with all levels the same, then, once a cause is
    likely, within those that have it and those that don't. Coupons without a load don't enter.
    """
    loads = block_order(data.blocks)
    known = np.array([block is not None for block in data.blocks], dtype=np.bool_)
    if len(loads) < 2 or not data.codes.shape[1]:
        return None
    part = data.only(known)
    combination = np.unique(part.codes, axis=0, return_inverse=True)[1].ravel().astype(np.int64)
    if words := _told(part, loads, combination, "with the same levels", ALPHA_SAME_LEVELS):
        return words
    if not is_likely:
        return None
    return _told(part, loads, _side(found, row, part.codes), "that should fare alike", ALPHA_SAME_SIDE)


def _side(found: Posterior, row: int, codes: Integers) -> Integers:
    kind = int(found.hypotheses.kinds[row])
    if kind <= NONE_ANY:
        return np.zeros(len(codes), dtype=np.int64)
    if kind == SHAPE_FREE:
        return codes[:, int(found.hypotheses.first[row])]
    return accused_side(found, row, codes).astype(np.int64)


def _told(data: Runs, loads: list[str], stratum: Integers, alike: str, alpha: float) -> str | None:
    place = {name: number for number, name in enumerate(loads)}
    load = np.array([place[str(block)] for block in data.blocks], dtype=np.int64)
    coupons = np.zeros((int(stratum.max(initial=0)) + 1, len(loads)))
    failed = np.zeros_like(coupons)
    np.add.at(coupons, (stratum, load), 1)
    np.add.at(failed, (stratum, load), data.is_failed)
    # Only strata that were in several loads and both failed and held say anything.
    tells = ((coupons > 0).sum(axis=1) > 1) & (failed.sum(axis=1) > 0) & (failed.sum(axis=1) < coupons.sum(axis=1))
    p_value = cochran_mantel_haenszel(failed, coupons).p_value
    if p_value is None or p_value >= alpha:
        return None
    x, n = failed[tells].sum(axis=0), coupons[tells].sum(axis=0)
    order = [int(number) for number in np.argsort(-x / np.maximum(n, 1), kind="stable") if n[number]]
    if len(order) > MOST_LOADS_NAMED:
        half = MOST_LOADS_NAMED // 2
        order = [*order[:half], *order[-half:]]
    counts = ", ".join(f"{int(x[number]):,} of {int(n[number]):,} failed in {loads[number]}" for number in order)
    chance = f"p = {p_value:.2g}" if p_value >= 1e-4 else "p < 0.0001"
    return (
        f"Coupons {alike} fared differently from load to load: {counts} ({chance}). Something that is no factor here "
        "changed between these loads: find out what before the verdicts are relied on."
    )
