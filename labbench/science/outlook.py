"""How many more coupons it is expected to take: studies played on from the current posterior."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from labbench.science.confirmation import ISOLATED
from labbench.science.evidence import Posterior
from labbench.science.findings import Floats
from labbench.science.hypotheses import Integers
from labbench.science.next_load import Branches, groups

COURSES = 24
MOST_COUPONS = 60
MOST_CANDIDATES = 96
MOST_HYPOTHESES = 400
# Below this probability a factor counts as out of the question.
CLEARED = 0.05


@dataclass(frozen=True, slots=True)
class Outlook:
    """Coupons still to come, median over the simulated courses; None where it takes more than `most_coupons`.

    Attributes
    ----------
    to_isolate : int or None
        Until a cause (or none) has a probability of 0.95.
    to_settle : tuple of (int or None)
        Per factor: until it is in the isolated cause, or its guilt is at most 0.05.
    courses, most_coupons : int
    """

    to_isolate: int | None
    to_settle: tuple[int | None, ...]
    courses: int = COURSES
    most_coupons: int = MOST_COUPONS


def outlook(found: Posterior, codes: Integers, *, rng: np.random.Generator) -> Outlook:
    """Play the study on from what is known: simulated, so an estimate.

    In each course a cause and its failure probabilities are drawn from the posterior; the most informative coupon of
    `codes`, shape (candidates, factors), is run, and so on coupon by coupon. Loads are planned without knowing the
    outcomes of their own coupons: expect a few more.
    """
    factors = len(found.hypotheses.suspects)
    if not len(codes):
        return Outlook(None, (None,) * factors)
    if len(codes) > MOST_CANDIDATES:
        codes = codes[np.sort(rng.permutation(len(codes))[:MOST_CANDIDATES])]
    of = groups(found, codes, most=MOST_HYPOTHESES, least_share=1e-3)
    truth = rng.choice(len(of.rows), size=COURSES, p=of.probability)
    share = rng.beta(of.a, of.b, size=(COURSES, len(of.a)))
    failing = share if of.form == "binary" else 1 - (1 - share) ** of.rounds
    causes, _ = found.hypotheses.cause_numbers()
    belongs = np.equal.outer(causes[of.rows], np.unique(causes[of.rows])).astype(float)
    uses = np.column_stack([found.hypotheses.uses(f)[of.rows] for f in range(factors)]).astype(float)
    branches = Branches.start(of, COURSES)
    isolated_at = np.full(COURSES, MOST_COUPONS + 1)
    settled_at = np.full((COURSES, factors), MOST_COUPONS + 1)
    course = np.arange(COURSES)
    owned_by_truth = of.owner[None, :] == truth[:, None]
    for coupons in range(MOST_COUPONS + 1):
        cause = branches.probability @ belongs
        guilt = branches.probability @ uses
        is_isolated = cause.max(axis=1) >= ISOLATED
        isolated_at = np.where(is_isolated, np.minimum(isolated_at, coupons), isolated_at)
        settled = (guilt <= CLEARED) | ((guilt >= ISOLATED) & is_isolated[:, None])
        settled_at = np.where(settled, np.minimum(settled_at, coupons), settled_at)
        if (isolated_at <= MOST_COUPONS).all() and (settled_at <= MOST_COUPONS).all():
            break
        if coupons == MOST_COUPONS:
            break
        picks = np.argmax(branches.gains(), axis=1)
        inside = of.members[:, picks].T > 0
        chance = (failing * (inside & owned_by_truth)).sum(axis=1)
        branches = branches.seen(inside, rng.random(len(course)) < chance)
    return Outlook(_median(isolated_at), tuple(_median(settled_at[:, f]) for f in range(factors)))


def _median(coupons: Integers | Floats) -> int | None:
    middle = int(np.sort(coupons)[(len(coupons) - 1) // 2])
    return None if middle > MOST_COUPONS else middle
