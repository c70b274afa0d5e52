"""What a load has to keep to: stock, hard-to-change factors, levels that are used up."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from labbench.science.candidates import candidates
from labbench.science.confirmation import cause_of, confirmation_load
from labbench.science.evidence import posterior
from labbench.science.hypotheses import hypotheses
from labbench.science.isolation import isolate
from labbench.science.load_limits import LoadRoom, load_limits
from labbench.science.next_load import groups, informative_load
from labbench.science.sheet import RunnableLevels
from tests.science.runs import RESIN_AND_LAMP, ran, six_factors
from tests.science.sheets import sheet

NOTHING_IMPOSSIBLE = np.empty((0, 6), dtype=np.int64)


def runnable(suspects, **limits):
    return RunnableLevels({suspect.name: suspect.levels for suspect in suspects}, (), **limits)


def load_of_12(**limits):
    """The first load after two failures of the baseline."""
    suspects = six_factors()
    found = posterior(hypotheses(suspects), ran([((0,) * 6, 2, 2)]))
    rng = np.random.default_rng(1)
    codes = candidates(suspects, np.zeros((2, 6), dtype=np.int64), NOTHING_IMPOSSIBLE, rng=rng)
    given = load_limits(suspects, runnable(suspects, **limits))
    load = informative_load(groups(found, codes), codes, 12, rng=rng, limits=given)
    return codes[list(load.picks)]


def test_without_limits_the_load_is_as_it_was():
    suspects = six_factors()
    found = posterior(hypotheses(suspects), ran([((0,) * 6, 2, 2)]))
    rng = np.random.default_rng(1)
    codes = candidates(suspects, np.zeros((2, 6), dtype=np.int64), NOTHING_IMPOSSIBLE, rng=rng)
    plain = informative_load(groups(found, codes), codes, 12, rng=rng)
    assert (codes[list(plain.picks)] == load_of_12()).all()


def test_no_more_coupons_of_a_level_than_the_stock_is_enough_for():
    load = load_of_12(left={"factor0": {"A": 2, "B": 1}, "cure_time_s": {30.0: 0}})
    used = Counter(load[:, 0].tolist())
    assert len(load) == 12
    assert used[0] <= 2
    assert used[1] <= 1
    assert 0 not in load[:, 5]


def test_a_hard_factor_has_few_levels_in_one_load():
    load = load_of_12(levels_per_load={"factor1": 1, "factor2": 2})
    assert len(load) == 12
    assert len(set(load[:, 1].tolist())) == 1
    assert len(set(load[:, 2].tolist())) <= 2
    assert len(set(load[:, 3].tolist())) > 2


def test_a_load_ends_where_the_stock_ends():
    assert len(load_of_12(left={"factor0": {"A": 2, "B": 1, "C": 0, "D": 1}})) == 4
    assert len(load_of_12(left={"factor0": dict.fromkeys("ABCD", 0)})) == 0


def test_room_counts_coupons_and_levels():
    limits = load_limits(
        RESIN_AND_LAMP, runnable(RESIN_AND_LAMP, left={"resin": {"R1": 1}}, levels_per_load={"lamp": 1})
    )
    grid = np.array([[0, 0], [0, 1], [1, 0], [1, 1]])
    room = LoadRoom(limits)
    assert room.allows(grid).tolist() == [True] * 4
    room.take(grid[1])
    # R1 is used up, and the load has its one lamp.
    assert room.allows(grid).tolist() == [False, False, False, True]
    # Another load begins afresh.
    assert LoadRoom(limits).allows(grid).all()


def test_levels_of_factors_that_are_not_varied_can_run_short():
    limits = load_limits(RESIN_AND_LAMP, runnable(RESIN_AND_LAMP, left={"glass": {"G1": 1}}), usual={"glass": "G1"})
    room = LoadRoom(limits)
    room.take(np.array([0, 0]))
    assert not room.allows(np.array([[1, 1]])).any()


def test_used_up_levels_count_as_impossible():
    limits = load_limits(RESIN_AND_LAMP, runnable(RESIN_AND_LAMP, left={"lamp": {"L2": 0, "L1": 3}}))
    assert limits.used_up().tolist() == [[-1, 1]]


def isolated_resin():
    random = np.random.default_rng(5)
    codes = np.column_stack([random.permutation(np.arange(32) % 4) for _ in range(6)])
    found = posterior(hypotheses(six_factors()), ran([(tuple(row), int(row[0] == 0), 1) for row in codes.tolist()]))
    row, probability = cause_of(found)
    assert (found.hypotheses.text(row), probability > 0.95) == ("factor0 = A", True)
    return found, row


@pytest.mark.parametrize(
    ("limits", "accused", "others"),
    [
        ({}, 4, 4),
        ({"levels_per_load": {"factor0": 2, "factor1": 1}}, 4, 4),
        ({"left": {"factor0": {"A": 3}}}, 3, 4),
        ({"left": {"factor1": dict.fromkeys("ABCD", 1)}}, 2, 2),
    ],
)
def test_the_confirmation_load_keeps_to_them(limits, accused, others):
    found, row = isolated_resin()
    given = load_limits(six_factors(), runnable(six_factors(), **limits))
    load = confirmation_load(
        found,
        row,
        np.zeros((1, 6), dtype=np.int64),
        NOTHING_IMPOSSIBLE,
        count=12,
        limits=given,
        rng=np.random.default_rng(1),
    )
    assert ((load[:, 0] == 0).sum(), (load[:, 0] != 0).sum()) == (accused, others)
    room = LoadRoom(given)
    for coupon in load:
        assert room.allows(coupon[None]).all()
        room.take(coupon)


def test_one_level_of_the_cause_in_a_load_can_confirm_nothing():
    found, row = isolated_resin()
    given = load_limits(six_factors(), runnable(six_factors(), levels_per_load={"factor0": 1}))
    ran_ = np.zeros((1, 6), dtype=np.int64)
    load = confirmation_load(found, row, ran_, NOTHING_IMPOSSIBLE, count=12, limits=given, rng=np.random.default_rng(1))
    assert len(load) == 0


def test_in_the_arm_without_the_cause_every_level_comes_up():
    """There a second cause would show: each of four levels once."""
    found, row = isolated_resin()
    codes = np.array([[0, 0, 0, 0, 0, 0]])
    load = confirmation_load(found, row, codes, NOTHING_IMPOSSIBLE, count=12, rng=np.random.default_rng(1))
    for factor in range(1, 6):
        assert len(set(load[load[:, 0] != 0][:, factor].tolist())) == 4


def aliased():
    return sheet(
        {"resin": ["R1"] * 3 + ["R2"] * 3, "lamp": ["L1"] * 3 + ["L2"] * 3, "glass": ["G1"] * 6}, [1, 2, 3, 0, 0, 0]
    )


def next_load(**limits):
    levels = {"resin": ("R1", "R2"), "lamp": ("L1", "L2"), "glass": ("G1",)}
    given = RunnableLevels(levels, (), **limits)
    return isolate(aliased(), next_count=6, runnable=given, rng=np.random.default_rng(1))


def test_a_search_says_how_far_the_stock_goes():
    found = next_load(left={"glass": {"G1": 3}})
    assert sum(coupon.count for coupon in found.next_coupons) == 3
    assert "The stock is enough for 3 of the 6 coupons only." in found.warnings


def test_a_search_without_anything_left_says_so():
    for limits in ({"lamp": {"L1": 0, "L2": 0}}, {"glass": {"G1": 0}}):
        found = next_load(left=limits)
        assert found.next_coupons == ()
        assert any("used up" in warning or "stock" in warning for warning in found.warnings)


def test_what_is_used_up_breaks_no_alias():
    """With L2 gone only R2 with L1 tells the two factors apart."""
    found = next_load(left={"lamp": {"L2": 0}})
    assert found.confounded[0].breaking_coupon == {"resin": "R2", "lamp": "L1"}
    assert all(coupon.levels["lamp"] == "L1" for coupon in found.next_coupons)
