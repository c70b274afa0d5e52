"""How the probabilities moved from load to load, and what proposed coupons would mean."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from labbench.science.isolation import isolate
from labbench.science.trail import trail
from tests.science.sheets import sheet
from tests.science.test_isolation import aliased, broken, confirmed_sheet


def test_a_step_per_load_in_the_order_they_ran():
    steps = trail(confirmed_sheet())
    assert [(step.block, step.coupons, step.failed, step.coupons_so_far) for step in steps] == [
        ("load 1", 6, 3, 6),
        ("load 2", 4, 2, 10),
        ("load 3", 8, 4, 18),
    ]
    assert [step.isolated for step in steps] == [None, "resin = R1", "resin = R1"]
    # Worked example A of the method after its first and second data.
    assert dict(steps[0].hypotheses)["resin = R1"] == pytest.approx(0.380549, abs=5.1e-7)
    assert dict(steps[1].hypotheses)["resin = R1"] == pytest.approx(0.986048, abs=5.1e-7)
    assert steps[2].guilt["lamp"] < steps[1].guilt["lamp"] < steps[0].guilt["lamp"]


def test_the_last_step_agrees_with_the_analysis():
    table = confirmed_sheet()
    assert trail(table)[-1].hypotheses == isolate(table, rng=np.random.default_rng(1)).hypotheses


def test_the_load_that_confirms_is_told():
    assert [step.confirms for step in trail(confirmed_sheet())] == [None, None, True]
    # One more failure in the accused arm is less than the two that are asked for.
    resin, lamp = ["R1"] * 12 + ["R2"] * 12 + ["R1"] * 4 + ["R2"] * 4, ["L1", "L2"] * 16
    failed = [1] * 12 + [0] * 12 + [1, 0, 0, 0] + [0] * 4
    table = sheet({"resin": resin, "lamp": lamp}, failed, blocks=["load 1"] * 24 + ["load 2"] * 8)
    assert [(step.confirms, step.isolated) for step in trail(table)] == [(None, "resin = R1"), (False, "resin = R1")]


def test_another_order_can_be_given():
    steps = trail(confirmed_sheet(), load_order=("load 3", "load 1", "load 2"), most=2)
    assert [step.block for step in steps] == ["load 1", "load 2"]
    assert steps[0].coupons_so_far == 14


def test_coupons_without_a_load_are_in_no_step():
    table = confirmed_sheet()
    assert trail(replace(table, blocks=np.array([None] * 18, dtype=object))) == ()
    assert trail(sheet({"resin": ["R1", "R1"]}, [1, 0], blocks=["a", "b"])) == ()


def test_what_the_outcomes_of_a_proposed_coupon_would_mean():
    found = isolate(aliased(), next_count=4, rng=np.random.default_rng(1))
    first = found.next_coupons[0]
    assert (first.levels, first.count) == ({"resin": "R1", "lamp": "L2"}, 2)
    for failed, (cause, probability) in ((2, first.meaning.if_all_fail), (0, first.meaning.if_all_hold)):
        table = sheet(
            {"resin": ["R1"] * 3 + ["R2"] * 3 + ["R1"] * 2, "lamp": ["L1"] * 3 + ["L2"] * 5},
            [1, 2, 3, 0, 0, 0, *[1] * failed, *[0] * (2 - failed)],
        )
        # The same coupons analysed afresh; the proposal does without the ordering factor.
        after = isolate(table, rng=np.random.default_rng(1)).hypotheses[0]
        assert after == (cause, pytest.approx(probability, abs=0.01))
    assert 0 < first.meaning.expected_failing < 1
    assert 'the cause is "resin = R1"' in first.meaning.why


def test_a_factor_is_not_cleared_by_coupons_that_have_the_cause_anyway():
    """Where R1 fails anyway, nobody sees whether L3 fails too: it ran with R2 once only."""
    resin = ["R1", "R2"] * 12 + ["R1"] * 6 + ["R2"]
    lamp = ["L1", "L1", "L2", "L2"] * 6 + ["L3"] * 7
    found = isolate(sheet({"resin": resin, "lamp": lamp}, [1, 0] * 12 + [1] * 6 + [0]), rng=np.random.default_rng(1))
    assert found.isolated == "resin = R1"
    assert found.verdicts[1].state == "undecided"
    assert "L3 was run on fewer than 2 coupons without resin = R1" in found.verdicts[1].reason
    assert isolate(broken(), rng=np.random.default_rng(1)).verdicts[1].state == "cleared"
