"""Aliased factors: the measure against a library, the kinds, the coupon that breaks them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats.contingency import association

from labbench.science.candidates import impossible_codes
from labbench.science.confounding import confounded_pairs, cramers_v, is_one_to_one
from labbench.science.evidence import posterior
from labbench.science.hypotheses import Suspect, hypotheses
from tests.science.runs import RESIN_AND_LAMP, ran

THREE = (*RESIN_AND_LAMP, Suspect("cover", "categorical", ("on", "off", "half")))


def pairs(suspects, counts, impossible=()):
    data = ran(counts)
    return confounded_pairs(posterior(hypotheses(suspects), data), data, impossible_codes(suspects, impossible))


@given(st.lists(st.lists(st.integers(1, 30), min_size=3, max_size=3), min_size=2, max_size=5))
@settings(max_examples=40, deadline=None)
def test_cramers_v_agrees_with_scipy(rows):
    table = np.array(rows)
    assert cramers_v(table.astype(float)) == pytest.approx(association(table, method="cramer"), abs=1e-9)


def test_levels_that_did_not_run_have_no_part_in_the_measure():
    table = np.array([[3.0, 0, 0], [0, 4, 0], [0, 0, 0]])
    assert cramers_v(table) == pytest.approx(1)
    assert is_one_to_one(table)
    assert cramers_v(np.array([[3.0, 2], [0, 0]])) is None


def test_one_way_nesting_is_not_full():
    """Each lamp with one resin only, but a resin with two lamps."""
    table = np.array([[3.0, 4, 0], [0, 0, 5]])
    assert cramers_v(table) == pytest.approx(1)
    assert not is_one_to_one(table)


def test_full_aliases_among_three_factors():
    found = pairs(THREE, [((0, 0, 0), 2, 2), ((0, 0, 1), 2, 2), ((1, 1, 0), 0, 2), ((1, 1, 1), 0, 2)])
    assert [(pair.factors, pair.kind) for pair in found] == [(("resin", "lamp"), "full")]
    breaking = found[0].breaking_coupon
    assert (breaking["resin"], breaking["lamp"]) in (("R1", "L2"), ("R2", "L1"))
    # The third factor as in a coupon that ran.
    assert breaking["cover"] in ("on", "off")


def test_the_breaking_coupon_can_be_made():
    counts = [((0, 0, 0), 3, 3), ((1, 1, 0), 0, 3)]
    impossible = ({"resin": "R1", "lamp": "L2", "cover": "on"}, {"resin": "R2", "lamp": "L1"})
    found = next(pair for pair in pairs(THREE, counts, impossible) if pair.factors == ("resin", "lamp"))
    assert found.breaking_coupon == {"resin": "R1", "lamp": "L2", "cover": "off"} or (
        found.breaking_coupon == {"resin": "R1", "lamp": "L2", "cover": "half"}
    )


def test_no_coupon_breaks_what_can_only_be_made_together():
    impossible = ({"resin": "R1", "lamp": "L2"}, {"resin": "R2", "lamp": "L1"})
    (found,) = pairs(RESIN_AND_LAMP, [((0, 0), 3, 3), ((1, 1), 0, 3)], impossible)
    assert (found.kind, found.breaking_coupon) == ("full", None)


def test_crossed_factors_are_partly_aliased_while_the_data_favour_neither():
    """Two failures, both with R1 and L1: crossed, yet nothing tells the two apart."""
    found = pairs(RESIN_AND_LAMP, [((0, 0), 2, 2), ((0, 1), 1, 2), ((1, 0), 1, 2), ((1, 1), 0, 2)])
    assert [(pair.kind, pair.cramers_v) for pair in found] == [("partial", pytest.approx(0))]


def test_crossed_factors_with_a_clear_cause_are_not_aliased():
    assert pairs(RESIN_AND_LAMP, [((0, 0), 3, 3), ((0, 1), 3, 3), ((1, 0), 0, 3), ((1, 1), 0, 3)]) == ()


def test_a_factor_that_was_not_varied_is_aliased_with_nothing():
    assert pairs(RESIN_AND_LAMP, [((0, 0), 5, 5)]) == ()
    assert pairs(RESIN_AND_LAMP, [((0, 0), 5, 5), ((1, 0), 0, 5)]) == ()
