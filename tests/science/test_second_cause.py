"""A second cause at even odds: by hand, and why a factor is not cleared too early."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import beta

from labbench.science.evidence import posterior
from labbench.science.hypotheses import Suspect, hypotheses
from labbench.science.second_cause import second_cause_chances
from tests.science.runs import RESIN_AND_LAMP, ran

EXAMPLE_A = [((0, 0), 3, 3), ((1, 1), 0, 3), ((0, 1), 2, 2), ((1, 0), 0, 2)]


def split(failed, held, others_failed, others_held):
    return beta(3 + failed, 1 + held) / beta(3, 1) * beta(1 + others_failed, 9 + others_held) / beta(1, 9)


def test_by_hand():
    """Resin R1 failed in 5 of 5; without it L1 held in 2 of 2 and L2 in 3 of 3."""
    found = posterior(hypotheses(RESIN_AND_LAMP), ran(EXAMPLE_A))
    row = [found.hypotheses.text(n) for n in range(len(found.hypotheses))].index("resin = R1")
    ratio = (split(5, 2, 0, 3) + split(5, 3, 0, 2)) / 2 / split(5, 0, 0, 5)
    assert second_cause_chances(found, row, ran(EXAMPLE_A)) == pytest.approx((0, ratio / (1 + ratio)), rel=1e-12)


def test_the_level_of_the_failed_repair_is_weighed_by_itself():
    """The larger of the mean over levels and of that level alone."""
    found = posterior(hypotheses(RESIN_AND_LAMP), ran(EXAMPLE_A))
    row = [found.hypotheses.text(n) for n in range(len(found.hypotheses))].index("resin = R1")
    first, second = (split(5, held, 0, 5 - held) / split(5, 0, 0, 5) for held in (2, 3))
    assert first > (first + second) / 2 > second
    for level, ratio in ((0, first), (1, (first + second) / 2), (-1, (first + second) / 2)):
        chances = second_cause_chances(found, row, ran(EXAMPLE_A), baseline=np.array([0, level]))
        assert chances == pytest.approx((0, ratio / (1 + ratio)), rel=1e-12)


def test_levels_that_never_ran_without_the_cause_are_open():
    """A coupon with the cause fails whatever else is on it: it says nothing about a second cause."""
    suspects = (*RESIN_AND_LAMP, Suspect("cover", "categorical", ("on", "off")))
    counts = [((0, 0, 0), 4, 4), ((0, 1, 1), 4, 4), ((1, 0, 1), 0, 4), ((1, 1, 1), 0, 4)]
    found = posterior(hypotheses(suspects), ran(counts))
    row = [found.hypotheses.text(n) for n in range(len(found.hypotheses))].index("resin = R1")
    resin, lamp, cover = second_cause_chances(found, row, ran(counts))
    assert resin == 0
    assert lamp < 0.01
    # One of the two levels is as good as the cause alone, the other one ruled out: odds of 1/2.
    assert cover == pytest.approx(1 / 3, abs=0.01)


def test_nothing_where_none_is_likeliest():
    nothing = ran([((r, lamp), 6, 6) for r in range(2) for lamp in range(2)])
    found = posterior(hypotheses(RESIN_AND_LAMP), nothing)
    assert second_cause_chances(found, 1, nothing) == (0, 0)
    assert second_cause_chances(found, 2, nothing.only(np.zeros(len(nothing), dtype=bool))) == (0, 0)
