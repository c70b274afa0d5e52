"""Coupons to loads, people and turns at random."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labbench.science.random_allocation import allocate


def arms(*sizes, repeats=1):
    grid = np.indices(sizes).reshape(len(sizes), -1).T.astype(np.int64)
    return np.repeat(grid, repeats, axis=0)


@given(st.integers(1, 40), st.integers(1, 12), st.integers(1, 4), st.integers(0, 100))
@settings(max_examples=25, deadline=None)
def test_every_coupon_has_a_load_with_room_a_turn_of_its_own_and_a_person(count, places, people, seed):
    codes = np.random.default_rng(seed).integers(3, size=(count, 2))
    drawn = allocate(codes, places=places, rng=np.random.default_rng(seed), people=people)
    sizes = np.bincount(drawn.load)
    assert drawn.loads == len(sizes) == -(-count // places)
    assert sizes.max() <= places
    assert sizes.max() - sizes.min() <= 1
    assert sorted(drawn.turn) == list(range(count))
    # Load after load.
    assert (np.diff(drawn.load[np.argsort(drawn.turn)]) >= 0).all()
    for load in range(drawn.loads):
        shares = np.bincount(drawn.person[drawn.load == load], minlength=people)
        assert shares.max() - shares.min() <= 1


def test_levels_are_spread_evenly_over_loads_and_people():
    codes = arms(2, 3, repeats=4)
    drawn = allocate(codes, places=12, rng=np.random.default_rng(1), people=2)
    for groups in (drawn.load, drawn.person):
        for factor, size in enumerate((2, 3)):
            table = np.zeros((size, 2), dtype=int)
            np.add.at(table, (codes[:, factor], groups), 1)
            assert (np.abs(table[:, 0] - table[:, 1]) <= 2).all(), table


def test_the_seed_repeats_the_draw_and_another_one_does_not():
    codes = arms(2, 3, repeats=3)
    one, again, other = (allocate(codes, places=9, rng=np.random.default_rng(seed)) for seed in (5, 5, 6))
    assert np.array_equal(one.turn, again.turn)
    assert np.array_equal(one.load, again.load)
    assert not np.array_equal(one.turn, other.turn)


def test_what_is_hard_to_change_is_changed_once_a_level_in_each_load():
    codes = arms(3, 2, repeats=2)
    drawn = allocate(codes, places=6, rng=np.random.default_rng(2), hard=(0,))
    for load in range(drawn.loads):
        members = np.flatnonzero(drawn.load == load)
        in_order = codes[members[np.argsort(drawn.turn[members])], 0]
        assert np.count_nonzero(np.diff(in_order)) == len(set(in_order)) - 1


def test_a_load_has_no_more_levels_than_a_session_allows():
    codes = arms(4, 3)
    drawn = allocate(codes, places=6, rng=np.random.default_rng(2), levels_per_load=(2, None))
    assert all(len(set(codes[drawn.load == load, 0])) <= 2 for load in range(drawn.loads))
    assert np.bincount(drawn.load).max() <= 6


def test_nothing_and_no_room():
    assert allocate(np.empty((0, 2), dtype=np.int64), places=3, rng=np.random.default_rng(1)).loads == 0
    with pytest.raises(ValueError, match="a load needs a place"):
        allocate(arms(2), places=0, rng=np.random.default_rng(1))
