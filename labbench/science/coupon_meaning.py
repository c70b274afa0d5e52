"""Why a proposed coupon is worth running: what it is expected to do, and what each outcome would mean."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labbench.science.evidence import Posterior
from labbench.science.findings import Floats
from labbench.science.hypotheses import NONE, Integers
from labbench.science.next_load import Branches, groups
from labbench.science.verdicts import percent

# Hypotheses named in the sentence: the likeliest ones, none less likely than this.
MOST_NAMED = 2
LEAST_NAMED = 0.02
NONE_IN_WORDS = "none of those listed"


@dataclass(frozen=True, slots=True)
class CouponMeaning:
    """What a combination, run on `count` coupons, would tell by itself.

    Attributes
    ----------
    expected_failing : float
        Chance that one such coupon fails.
    if_all_fail, if_all_hold : (str, float)
        The cause that would then be the likeliest, and its probability.
    why : str
        One plain sentence.
    """

    expected_failing: float
    if_all_fail: tuple[str, float]
    if_all_hold: tuple[str, float]
    why: str


def coupon_meanings(found: Posterior, combinations: list[tuple[tuple[int, ...], int]]) -> tuple[CouponMeaning, ...]:
    """The meaning of every proposed combination (level numbers, coupons), each by itself."""
    if not combinations:
        return ()
    codes = np.array([levels for levels, _ in combinations], dtype=np.int64)
    of = groups(found, codes)
    start = Branches.start(of, 2)
    failing = start.failing()[0]
    per_hypothesis = np.zeros((len(of.rows), len(codes)))
    np.add.at(per_hypothesis, of.owner, failing[:, None] * of.members)
    expected = of.probability @ per_hypothesis
    meanings = []
    for candidate, (_, count) in enumerate(combinations):
        branches = start
        inside = np.tile(of.members[:, candidate] > 0, (2, 1))
        for _ in range(count):
            branches = branches.seen(inside, np.array([True, False]))
        after = [_likeliest(found, of.rows, branches.probability[outcome]) for outcome in (0, 1)]
        why = _why(found, of.rows, of.probability, per_hypothesis[:, candidate], float(expected[candidate]))
        meanings.append(CouponMeaning(float(expected[candidate]), after[0], after[1], why))
    return tuple(meanings)


def _likeliest(found: Posterior, rows: Integers, probability: Floats) -> tuple[str, float]:
    """The likeliest cause, named by its likeliest member."""
    numbers, count = found.hypotheses.cause_numbers()
    total = np.bincount(numbers[rows], weights=probability, minlength=count)
    best = int(np.argmax(np.round(total, 12)))
    members = np.flatnonzero(numbers[rows] == best)
    row = rows[members[int(np.argmax(np.round(probability[members], 12)))]]
    return found.hypotheses.text(int(row)), min(float(total[best]), 1.0)


def _why(
    found: Posterior,
    rows: Integers,
    probability: Floats,
    failing: Floats,
    expected: float,
) -> str:
    """Which of the leading causes say that it fails, and which that it holds."""
    leading = [int(i) for i in np.argsort(-np.round(probability, 12), kind="stable") if probability[i] >= LEAST_NAMED]
    sides: list[list[str]] = [[], []]
    for position in leading:
        side = sides[0 if failing[position] >= 0.5 else 1]
        text = found.hypotheses.text(int(rows[position]))
        text = NONE_IN_WORDS if text == NONE else f'"{text}"'
        if len(side) < MOST_NAMED and text not in side:
            side.append(text)
    fails, holds = (" or ".join(side) for side in sides)
    sentence = f"It fails with a chance of {percent(expected)}"
    if fails and holds:
        sentence += f": to be expected if the cause is {fails}, not if it is {holds}"
    return f"{sentence}."
