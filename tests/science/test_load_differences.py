"""Coupons that are alike but fare differently from load to load."""

from __future__ import annotations

import numpy as np
import pytest

from labbench.science.isolation import isolate
from tests.science.sheets import sheet


def warned(table):
    warnings = isolate(table, rng=np.random.default_rng(1)).warnings
    return [words for words in warnings if "from load to load" in words]


def two_loads(first, second):
    """The same four combinations three times in both loads, so many of twelve failing."""
    resin, lamp = ["R1", "R2"] * 12, ["L1", "L1", "L2", "L2"] * 6
    failed = [1] * first + [0] * (12 - first) + [1] * second + [0] * (12 - second)
    return sheet({"resin": resin, "lamp": lamp}, failed, blocks=["Load 1"] * 12 + ["Load 2"] * 12)


def test_the_same_combinations_all_failing_and_all_holding_is_said():
    (words,) = warned(two_loads(12, 0))
    assert "Coupons with the same levels fared differently from load to load" in words
    assert "12 of 12 failed in Load 1, 0 of 12 failed in Load 2 (p < 0.0001)" in words
    found = isolate(two_loads(12, 0), rng=np.random.default_rng(1))
    assert found.isolated is None
    assert all(verdict.state in {"undecided", "confounded"} for verdict in found.verdicts)


def test_a_difference_that_chance_makes_is_not():
    assert warned(two_loads(6, 5)) == []


def test_a_load_in_which_everything_fails_is_seen_beside_a_likely_cause():
    """No combination came up twice: only the likely cause says which coupons should fare alike."""
    resin = ["R1", "R2"] * 28
    lamp = [f"L{number}" for number in range(56)]
    failed = [1, 0] * 24 + [1] * 8
    table = sheet({"resin": resin, "lamp": lamp}, failed, blocks=["Load 1"] * 24 + ["Load 2"] * 24 + ["Load 3"] * 8)
    (words,) = warned(table)
    assert "Coupons that should fare alike" in words
    assert "4 of 4 failed in Load 3" in words


@pytest.mark.parametrize("blocks", [None, ["Load 1"] * 24])
def test_one_load_or_none_says_nothing(blocks):
    resin, lamp = ["R1", "R2"] * 12, ["L1", "L1", "L2", "L2"] * 6
    assert warned(sheet({"resin": resin, "lamp": lamp}, [1] * 12 + [0] * 12, blocks=blocks)) == []
