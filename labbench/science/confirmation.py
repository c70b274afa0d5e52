"""The confirmation load: accused coupons against coupons without the accused levels, analysed alone."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from labbench.science.candidates import Impossible, completed, is_possible
from labbench.science.contingency import log_choose
from labbench.science.evidence import Posterior, Runs, posterior
from labbench.science.hypotheses import (
    BOTH,
    EITHER,
    NONE_ANY,
    NONE_LOW,
    SHAPE_FREE,
    SINGLE,
    Hypotheses,
    Integers,
    is_graded,
)
from labbench.science.load_limits import LoadLimits, LoadRoom, load_limits

ISOLATED = 0.95
COUPONS_PER_ARM = 4
MORE_FAILURES = 2
# Coupons of a load that confirms that nothing on the list is the cause.
COUPONS_FOR_NONE = 2 * COUPONS_PER_ARM
# Loads looked at, from the last backwards.
MOST_LOADS = 50


@dataclass(frozen=True, slots=True)
class Confirmation:
    """What the confirmation load shows by itself.

    Attributes
    ----------
    block : str
    accused, accused_failed, others, others_failed : int
        Coupons and failures in both arms. For the cause "none" all are in `others`.
    p_value : float or None
        Fisher's exact test, one-sided, of this load alone; needs no prior. None without an accused arm.
    confirmed : bool
    """

    block: str
    accused: int
    accused_failed: int
    others: int
    others_failed: int
    p_value: float | None
    confirmed: bool


def cause_of(found: Posterior) -> tuple[int, float]:
    """The likeliest hypothesis of the likeliest cause, and the probability of that cause."""
    numbers, count = found.hypotheses.cause_numbers()
    total = np.bincount(numbers, weights=found.probability, minlength=count)
    best = int(np.argmax(np.round(total, 12)))
    members = np.flatnonzero(numbers == best)
    row = int(members[np.argmax(np.round(found.probability[members], 12))])
    return row, min(float(total[best]), 1.0)


def block_order(blocks: NDArray[np.object_]) -> list[str]:
    """The loads in the order of their names, numbers in them as numbers: load 2 before load 10."""

    def key(name: str) -> list[tuple[int, int, str]]:
        # Digits by character class: other characters count as digits elsewhere but are no number.
        parts = re.split(r"([0-9]+)", name)
        return [(0, int(part[:300]), "") if number % 2 else (1, 0, part) for number, part in enumerate(parts)]

    return sorted({str(block) for block in blocks if block is not None}, key=lambda name: (key(name), name))


def accused_side(found: Posterior, row: int, codes: Integers) -> NDArray[np.bool_]:
    """Which combinations have the accused level(s); of a shape-free cause the levels that fail more than overall."""
    hypotheses = found.hypotheses
    if hypotheses.kinds[row] != SHAPE_FREE:
        return np.asarray(hypotheses.exposed(np.array([row]), codes)[0])
    counts = found.levels[int(hypotheses.first[row])]
    share = (1 + counts.failures) / (2 + counts.failures + counts.survivals)
    overall = (1 + counts.failures.sum()) / (2 + counts.failures.sum() + counts.survivals.sum())
    above: NDArray[np.bool_] = (share > overall)[codes[:, int(hypotheses.first[row])]]
    return above


def confirmation(
    found: Posterior, data: Runs, row: int, *, load_order: tuple[str, ...] | None = None
) -> Confirmation | None:
    """The last load that can confirm the isolated cause, and whether it does.

    A load counts as confirmation load if it holds at least 4 coupons with and 4 without the accused level(s) and if
    all loads before it had together isolated the same cause. Loads come in `load_order`, or else in the order of their
    names (`block_order`); coupons without a load have no known time and count in no "before". The cause is confirmed
    if that load alone shows at least 2 more failures in the accused arm (for arms of different size: the difference of
    shares times the smaller arm). For the cause "none": a later load of at least 8 coupons; that it is still isolated
    is all there is to show.

    None where no such load ran.
    """
    order = list(load_order or ())
    order += [name for name in block_order(data.blocks) if name not in order]
    key = int(found.hypotheses.cause_numbers()[0][row])
    position = {name: number for number, name in enumerate(order)}
    load = np.array([-1 if block is None else position[str(block)] for block in data.blocks], dtype=np.int64)
    looked_at = 0
    for number in range(len(order) - 1, 0, -1):
        judged = judged_load(found, row, data, order[number], load == number)
        if judged is None:
            continue
        looked_at += 1
        if looked_at > MOST_LOADS:
            return None
        before = posterior(found.hypotheses, data.only((load >= 0) & (load < number)))
        earlier, probability = cause_of(before)
        if probability >= ISOLATED and int(found.hypotheses.cause_numbers()[0][earlier]) == key:
            return judged
    return None


def judged_load(found: Posterior, row: int, data: Runs, block: str, inside: NDArray[np.bool_]) -> Confirmation | None:
    """What the coupons `inside` of one load say of a cause by themselves; None where they are too few."""
    is_none = bool(found.hypotheses.kinds[row] <= NONE_ANY)
    with_cause = np.zeros(len(data), dtype=np.bool_) if is_none else accused_side(found, row, data.codes)
    accused, others = inside & with_cause, inside & ~with_cause
    if is_none and others.sum() < COUPONS_FOR_NONE:
        return None
    if not is_none and min(accused.sum(), others.sum()) < COUPONS_PER_ARM:
        return None
    return _judged(block, data.is_failed, accused, others, is_none)


def _judged(
    block: str, is_failed: NDArray[np.bool_], accused: NDArray[np.bool_], others: NDArray[np.bool_], is_none: bool
) -> Confirmation:
    n, m = int(accused.sum()), int(others.sum())
    x, y = int((accused & is_failed).sum()), int((others & is_failed).sum())
    if is_none:
        return Confirmation(block, 0, 0, m, y, None, True)
    more = (x / n - y / m) * min(n, m)
    return Confirmation(block, n, x, m, y, fisher_one_sided(x, n, y, m), more >= MORE_FAILURES - 1e-9)


def fisher_one_sided(accused_failed: int, accused: int, others_failed: int, others: int) -> float:
    """P(at least so many of the failures are in the accused arm), the margins given: Fisher's exact test, one-sided.

    References
    ----------
    R. A. Fisher, The Design of Experiments (1935), chapter 2.
    """
    failed = accused_failed + others_failed
    x = np.arange(accused_failed, min(failed, accused) + 1, dtype=float)
    log_all = log_choose(float(accused + others), float(failed))
    tail = np.exp(log_choose(float(accused), x) + log_choose(float(others), failed - x) - log_all).sum()
    return min(float(tail), 1.0)


def confirmation_load(
    found: Posterior,
    row: int,
    ran: Integers,
    impossible: Impossible,
    *,
    count: int,
    limits: LoadLimits | None = None,
    baseline: Integers | None = None,
    rng: np.random.Generator,
) -> Integers:
    """Coupons to confirm a cause with: half accused, half not, other factors at random; shape (coupons, factors).

    Where the repair that failed is known (`baseline`, -1 where a factor's level is not), those without the accused levels
    are otherwise like it, as far as that can be made: whatever else in that repair makes coupons fail shows in them. So is
    every other one with the accused levels, so that the arms can be compared.

    For two levels needed together half of the others lack one, half the other; for two levels of which one is enough
    the accused have one of them each. Where failures change by degrees or in no order over the levels of a factor, the arms
    take the levels that lie farthest apart. Among random combinations those come first whose levels had the fewest coupons in
    that arm: in the arm without the cause a second cause would show. At most `count` coupons, at most 4 per arm, as many
    as `limits` allow. Empty where an arm can't be made.
    """
    hypotheses = found.hypotheses
    arm = min(COUPONS_PER_ARM, count // 2)
    blank = np.empty((0, len(hypotheses.suspects)), dtype=np.int64)
    if hypotheses.kinds[row] in (NONE_LOW, NONE_ANY) or not arm:
        return blank
    drawn = _balanced(hypotheses, row, ran, impossible, rng)
    if baseline is not None:
        drawn = np.concatenate((drawn, _swapped(hypotheses, row, ran, impossible, baseline)))
    if not len(drawn):
        return blank
    room = LoadRoom(limits or load_limits(hypotheses.suspects, None))
    accused, accused_ran = accused_side(found, row, drawn), accused_side(found, row, ran)
    sides: list[list[Integers]] = [[], []]
    # By turns, so that limits leave both arms their share.
    for _ in range(arm):
        for side, with_cause in zip(sides, (True, False), strict=True):
            near = np.concatenate((ran[accused_ran == with_cause], *(coupon[None] for coupon in side)))
            pools = _pools(hypotheses, row, drawn[accused == with_cause], len(side), with_cause=with_cause)
            pool = next((part for part in (p[room.allows(p)] for p in pools) if len(part)), None)
            if pool is not None:
                pool = _farthest(found, row, pool, with_cause=with_cause)
                # Every other accused coupon is the failed repair itself: beside the other arm only the accused levels differ.
                if baseline is not None and (not with_cause or len(side) % 2 == 0):
                    pool = _likest(hypotheses, row, pool, baseline)
                side.append(_rarest(hypotheses, pool, near))
                room.take(side[-1])
    return np.array(sides[0] + sides[1], dtype=np.int64) if all(sides) else blank


def _balanced(
    hypotheses: Hypotheses, row: int, ran: Integers, impossible: Impossible, rng: np.random.Generator
) -> Integers:
    """Random possible combinations with every combination of the accused factors' levels among them if it can be."""
    suspects = hypotheses.suspects
    factors = [int(factor[row]) for factor in (hypotheses.first, hypotheses.second) if factor[row] >= 0]
    drawn = np.column_stack([rng.integers(0, len(suspect.levels), 4096) for suspect in suspects]).astype(np.int64)
    for side, factor in enumerate(factors):
        if hypotheses.kinds[row] == SHAPE_FREE:
            continue
        # Half of the draws with the accused levels, so that rare combinations come up.
        low, high = int(hypotheses.low[row, side]), int(hypotheses.high[row, side])
        accused = rng.random(len(drawn)) < 0.5
        drawn[accused, factor] = rng.integers(low, high + 1, int(accused.sum()))
    drawn = drawn[is_possible(drawn, impossible)]
    extra = []
    for level in range(len(suspects[factors[0]].levels)):
        made = completed({factors[0]: level}, ran, suspects, impossible)
        if made is not None:
            extra.append(made)
    return np.concatenate([drawn, np.array(extra, dtype=np.int64).reshape(-1, len(suspects))])


def _pools(hypotheses: Hypotheses, row: int, pool: Integers, number: int, *, with_cause: bool) -> list[Integers]:
    """Combinations to take coupon `number` of an arm from, best first.

    Where two factors are accused, by turns those that have the first only and the second only.
    """
    kind = int(hypotheses.kinds[row])
    if not ((kind == BOTH and not with_cause) or (kind == EITHER and with_cause)):
        return [pool]
    first = _has(hypotheses, row, pool, 0)
    second = _has(hypotheses, row, pool, 1)
    halves = [pool[first & ~second], pool[second & ~first]]
    return [*(halves if number % 2 == 0 else halves[::-1]), pool]


def _rarest(hypotheses: Hypotheses, pool: Integers, chosen: Integers) -> Integers:
    """The combination whose levels had the fewest coupons; the first of equals."""
    fewness = np.zeros(len(pool))
    for factor, suspect in enumerate(hypotheses.suspects):
        coupons = np.bincount(chosen[:, factor], minlength=len(suspect.levels))
        # A level's first coupons tell more than its later ones.
        fewness += (1 / (1 + coupons))[pool[:, factor]]
    return np.asarray(pool[int(np.argmax(np.round(fewness, 12)))])


def _farthest(found: Posterior, row: int, pool: Integers, *, with_cause: bool) -> Integers:
    """Of a range of a numeric factor the level at its end, on the other side the other end; of a shape-free cause the worst
    and the best level. All of the pool for any other cause."""
    hypotheses = found.hypotheses
    factor, kind = int(hypotheses.first[row]), int(hypotheses.kinds[row])
    levels = pool[:, factor]
    if kind == SHAPE_FREE:
        counts = found.levels[factor]
        share = (1 + counts.failures) / (2 + counts.failures + counts.survivals)
        worth = share[levels] if with_cause else -share[levels]
    elif kind == SINGLE and is_graded(hypotheses.suspects[factor]):
        last = len(hypotheses.suspects[factor].levels) - 1
        low, high = int(hypotheses.low[row, 0]), int(hypotheses.high[row, 0])
        if low > 0 and high < last:
            return pool
        worth = (levels if (low > 0) == with_cause else -levels).astype(float)
    else:
        return pool
    return np.asarray(pool[worth >= worth.max() - 1e-12])


def _swapped(hypotheses: Hypotheses, row: int, ran: Integers, impossible: Impossible, baseline: Integers) -> Integers:
    """The failed repair with one accused factor changed, to each of its levels, as far as that can be made."""
    suspects = hypotheses.suspects
    named = {factor: int(level) for factor, level in enumerate(baseline) if level >= 0}
    accused = [int(factor[row]) for factor in (hypotheses.first, hypotheses.second) if factor[row] >= 0]
    made = [
        completed(named | {factor: level}, ran, suspects, impossible)
        for factor in accused
        for level in range(len(suspects[factor].levels))
    ]
    return np.array([row for row in made if row is not None], dtype=np.int64).reshape(-1, len(suspects))


def _likest(hypotheses: Hypotheses, row: int, pool: Integers, baseline: Integers) -> Integers:
    """The combinations that share most levels with the failed repair, the accused factors aside."""
    others = [f for f in range(len(hypotheses.suspects)) if not hypotheses.uses(f)[row]]
    alike = (pool[:, others] == baseline[others]).sum(axis=1)
    return np.asarray(pool[alike == alike.max(initial=0)])


def _has(hypotheses: Hypotheses, row: int, codes: Integers, side: int) -> NDArray[np.bool_]:
    factor = int((hypotheses.first, hypotheses.second)[side][row])
    inside: NDArray[np.bool_] = (codes[:, factor] >= hypotheses.low[row, side]) & (
        codes[:, factor] <= hypotheses.high[row, side]
    )
    return inside


def counted(codes: Integers) -> list[tuple[tuple[int, ...], int]]:
    """Equal combinations together with their count, in the order they first come up."""
    rows = [tuple(int(level) for level in row) for row in codes]
    order = {row: rows.index(row) for row in set(rows)}
    rows.sort(key=lambda row: order[row])
    return [(row, len(list(same))) for row, same in groupby(rows)]
