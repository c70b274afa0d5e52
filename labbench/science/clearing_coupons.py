"""Coupons that fill a confirmation load: without the cause, on levels that had few such coupons.

A coupon with the cause fails whatever else is on it; only those without it show whether another level is a second cause.
The load that confirms a cause has places left, so these cost no load of their own.
"""

from __future__ import annotations

import numpy as np

from labbench.science.candidates import Impossible, is_possible
from labbench.science.confirmation import accused_side
from labbench.science.evidence import Posterior
from labbench.science.findings import Floats
from labbench.science.hypotheses import Integers
from labbench.science.load_limits import LoadRoom
from labbench.science.next_load import COUPONS_PER_LEVEL

DRAWN = 4096


def clearing_coupons(
    found: Posterior,
    row: int,
    ran: Integers,
    impossible: Impossible,
    *,
    count: int,
    room: LoadRoom,
    rng: np.random.Generator,
) -> Integers:
    """Coupons without the cause until each level of the other factors has three of them; shape (coupons, factors).

    Parameters
    ----------
    found : Posterior
    row : int
        The isolated hypothesis.
    ran : ndarray of int, shape (n, factors)
        Coupons that ran, and those that are in the load already.
    impossible : ndarray of int
        From `candidates.impossible_codes`.
    count : int
        At most so many; fewer where no more are lacking or none can be made.
    room : LoadRoom
        What the load can still take; it is filled.
    rng : numpy.random.Generator
    """
    suspects = found.hypotheses.suspects
    drawn = np.column_stack([rng.integers(0, len(suspect.levels), DRAWN) for suspect in suspects]).astype(np.int64)
    drawn = drawn[is_possible(drawn, impossible)]
    drawn = drawn[~accused_side(found, row, drawn)]
    without = ran[~accused_side(found, row, ran)]
    have = [
        np.bincount(without[:, factor], minlength=len(suspect.levels)).astype(float)
        for factor, suspect in enumerate(suspects)
    ]
    others = [factor for factor in range(len(suspects)) if not found.hypotheses.uses(factor)[row]]
    chosen: list[Integers] = []
    while len(chosen) < count:
        pool = drawn[room.allows(drawn)]
        helps = _lacking(pool, have, others)
        if not len(pool) or helps.max() < 1:
            break
        best = pool[int(np.argmax(np.round(helps, 9)))]
        chosen.append(best)
        room.take(best)
        for factor, level in enumerate(best):
            have[factor][level] += 1
    return np.array(chosen, dtype=np.int64).reshape(len(chosen), len(suspects))


def _lacking(pool: Integers, have: list[Floats], factors: list[int]) -> Floats:
    """How many of a combination's levels lack coupons; of equals those that lack most, then the rarest come first."""
    helps = np.zeros(len(pool))
    for factor in factors:
        missing = np.maximum(COUPONS_PER_LEVEL - have[factor], 0)
        # The smaller terms add up to less than one level, so they only decide between equals.
        small = missing / (10 * COUPONS_PER_LEVEL * len(factors)) - have[factor] / (1e6 * len(factors))
        helps += ((missing > 0) + small)[pool[:, factor]]
    return helps
