"""Designs fixed in advance, and what they can't tell apart."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labbench.science.candidates import impossible_codes, is_possible
from labbench.science.design_aliases import alias_table
from labbench.science.designs import (
    RIDGE,
    d_optimal_subset,
    fraction_sizes,
    fractional_factorial,
    full_factorial,
    main_effects,
    one_factor_swaps,
    spread,
)
from labbench.science.hypotheses import Suspect


def factors(*sizes):
    return tuple(
        Suspect(f"f{n}", "categorical", tuple(f"l{level}" for level in range(size))) for n, size in enumerate(sizes)
    )


def start(suspects):
    return np.zeros(len(suspects), dtype=np.int64)


def nothing(suspects):
    return impossible_codes(suspects, ())


def log_determinant(codes, suspects):
    effects = main_effects(codes, suspects)
    return np.linalg.slogdet(effects.T @ effects)[1]


def test_swaps_change_one_factor_each_and_repeat_every_arm():
    suspects = factors(2, 3)
    made = one_factor_swaps(suspects, np.array([1, 0]), per_arm=2, impossible=nothing(suspects))
    assert made.codes.tolist() == [[1, 0], [1, 0], [0, 0], [0, 0], [1, 1], [1, 1], [1, 2], [1, 2]]
    assert (made.wanted, made.reason) == (8, None)


def test_swaps_that_can_not_be_made_are_counted():
    suspects = factors(2, 3)
    blocked = impossible_codes(suspects, ({"f0": "l0", "f1": "l2"},))
    made = one_factor_swaps(suspects, start(suspects), per_arm=2, impossible=blocked)
    assert (len(made), made.wanted, made.reason) == (6, 8, "1 of 4 arms can't be made")
    blocked = impossible_codes(suspects, ({"f0": "l0", "f1": "l0"},))
    made = one_factor_swaps(suspects, start(suspects), per_arm=2, impossible=blocked)
    assert (len(made), made.reason) == (0, "the baseline itself can't be made")


def test_a_factorial_has_every_combination_once_but_not_too_many():
    suspects = factors(2, 3, 4)
    made = full_factorial(suspects, impossible=nothing(suspects))
    assert len({tuple(row) for row in made.codes}) == len(made) == 24
    many = factors(*[4] * 10)
    made = full_factorial(many, impossible=nothing(many))
    assert (len(made), made.wanted) == (0, 4**10)


@pytest.mark.parametrize(("count", "runs"), [(3, 4), (7, 8), (15, 16)])
def test_a_saturated_two_level_fraction_is_orthogonal(count, runs):
    # NIST/SEMATECH e-Handbook, 5.3.3.4: 2^(3-1), 2^(7-4) and 2^(15-11) of resolution III.
    suspects = factors(*[2] * count)
    effects = main_effects(
        fractional_factorial(suspects, start(suspects), runs=runs, impossible=nothing(suspects)).codes, suspects
    )
    assert np.array_equal(effects.T @ effects, runs * np.eye(count + 1))


@pytest.mark.parametrize(("count", "runs"), [(4, 8), (8, 16), (6, 16)])
def test_a_two_level_fraction_of_resolution_four_keeps_factors_clear_of_pairs(count, runs):
    # The same table: 2^(4-1), 2^(8-4) and 2^(6-2) of resolution IV: no factor is aliased with two others together.
    suspects = factors(*[2] * count)
    made = fractional_factorial(suspects, start(suspects), runs=runs, impossible=nothing(suspects))
    assert alias_table(made.codes, suspects).aliases == ()


def test_the_half_of_three_factors_aliases_each_with_the_two_others():
    # 2^(3-1) with I = ABC: A = BC, B = AC, C = AB (NIST/SEMATECH e-Handbook, 5.3.3.4.2).
    suspects = factors(2, 2, 2)
    table = alias_table(
        fractional_factorial(suspects, start(suspects), runs=4, impossible=nothing(suspects)).codes, suspects
    )
    assert {(alias.factor, alias.others) for alias in table.aliases} == {(0, (1, 2)), (1, (0, 2)), (2, (0, 1))}
    assert all(alias.is_whole for alias in table.aliases)


@given(st.lists(st.integers(2, 5), min_size=2, max_size=5), st.data())
@settings(max_examples=30, deadline=None)
def test_in_any_fraction_no_two_factors_change_together(sizes, data):
    suspects = factors(*sizes)
    if not fraction_sizes(suspects):
        return
    runs = data.draw(st.sampled_from(fraction_sizes(suspects)))
    baseline = np.array([data.draw(st.integers(0, size - 1)) for size in sizes])
    codes = fractional_factorial(suspects, baseline, runs=runs, impossible=nothing(suspects)).codes
    assert len(codes) == runs
    assert (codes == baseline).all(axis=1).any()
    for one, two in combinations(range(len(sizes)), 2):
        table = np.zeros((sizes[one], sizes[two]))
        np.add.at(table, (codes[:, one], codes[:, two]), 1)
        # Counts are those of independence: no association of the two factors at all.
        assert np.allclose(table, np.outer(table.sum(axis=1), table.sum(axis=0)) / runs)
    assert all(len(alias.others) == 2 for alias in alias_table(codes, suspects).aliases)


def test_a_fraction_without_room_or_with_too_many_levels_says_so():
    suspects = factors(4, 4, 4)
    made = fractional_factorial(suspects, start(suspects), runs=8, impossible=nothing(suspects))
    assert (len(made), made.reason) == (0, "8 coupons have no room for these factors")
    suspects = factors(40, 2)
    made = fractional_factorial(suspects, start(suspects), runs=64, impossible=nothing(suspects))
    assert "more than 8 levels" in made.reason
    with pytest.raises(ValueError, match="not a power of two"):
        fractional_factorial(suspects, start(suspects), runs=12, impossible=nothing(suspects))


@pytest.mark.parametrize(("count", "size"), [(3, 4), (7, 8)])
def test_a_d_optimal_subset_reaches_the_bound_of_hadamard(count, size):
    # J. Hadamard (1893): |X'X| of n rows of -1 and 1 is at most n^n, reached where such a matrix exists, as for 4 and 8.
    suspects = factors(*[2] * count)
    rng = np.random.default_rng(3)
    made = d_optimal_subset(suspects, size=size, impossible=nothing(suspects), rng=rng)
    assert log_determinant(made.codes, suspects) == pytest.approx(size * np.log(size))


def test_with_more_combinations_than_are_considered_the_subset_is_nearly_the_best():
    # 2^11 combinations of which 384 drawn at random are considered; a Hadamard matrix of 12 has the efficiency 1.
    suspects = factors(*[2] * 11)
    made = d_optimal_subset(suspects, size=12, impossible=nothing(suspects), rng=np.random.default_rng(3))
    assert np.exp(log_determinant(made.codes, suspects) / 12) / 12 > 0.85


def test_a_d_optimal_subset_is_best_of_all_subsets_of_a_small_case():
    suspects = factors(2, 3)
    blocked = impossible_codes(suspects, ({"f0": "l1", "f1": "l2"},))
    grid = full_factorial(suspects, impossible=blocked).codes
    best = max(log_determinant(grid[list(rows)], suspects) for rows in combinations(range(len(grid)), 4))
    made = d_optimal_subset(suspects, size=4, impossible=blocked, rng=np.random.default_rng(1))
    assert log_determinant(made.codes, suspects) == pytest.approx(best)


def test_a_d_optimal_subset_keeps_to_what_can_be_made_and_to_the_stock():
    suspects = factors(3, 3, 2)
    blocked = impossible_codes(suspects, ({"f0": "l0", "f1": "l1"},))
    left = ((2, None, None), (None, None, None), (None, 3))
    made = d_optimal_subset(suspects, size=10, impossible=blocked, rng=np.random.default_rng(1), left=left)
    assert len(made) == 10
    assert is_possible(made.codes, blocked).all()
    assert np.bincount(made.codes[:, 0], minlength=3)[0] <= 2
    assert np.bincount(made.codes[:, 2], minlength=2)[1] <= 3


def test_a_d_optimal_subset_says_why_there_is_none():
    suspects = factors(2, 2)
    rng = np.random.default_rng(1)
    nowhere = impossible_codes(suspects, tuple({"f0": a, "f1": b} for a in ("l0", "l1") for b in ("l0", "l1")))
    assert (
        d_optimal_subset(suspects, size=4, impossible=nowhere, rng=rng).reason == "no combination of levels can be made"
    )
    short = d_optimal_subset(suspects, size=4, impossible=nothing(suspects), rng=rng, left=((1, 1), (None, None)))
    assert (len(short), short.reason) == (0, "the stock is not enough for 4 coupons")


def test_fewer_coupons_than_effects_are_a_design_still():
    suspects = factors(4, 4, 4)
    made = d_optimal_subset(suspects, size=5, impossible=nothing(suspects), rng=np.random.default_rng(1))
    assert len(made) == 5


def test_factors_that_change_together_are_aliased_and_one_that_stays_is_named():
    suspects = factors(2, 2, 2)
    codes = np.array([[0, 0, 1], [1, 1, 1], [0, 0, 1], [1, 1, 1]])
    table = alias_table(codes, suspects)
    assert table.not_varied == (2,)
    assert {(alias.factor, alias.others, alias.is_whole) for alias in table.aliases} == {
        (0, (1,), True),
        (1, (0,), True),
    }


def test_partly_aliased_factors_have_the_correlation_of_their_table():
    # For two factors of two levels the canonical correlation is the phi coefficient: here (9 - 1) / 16 by hand.
    codes = np.array([[0, 0]] * 3 + [[0, 1]] + [[1, 0]] + [[1, 1]] * 3)
    (first, _) = alias_table(codes, factors(2, 2)).aliases
    assert first.correlation == pytest.approx(0.5)
    assert not first.is_whole


@pytest.mark.parametrize("coupons", [3, 30])
def test_what_a_coupon_adds_is_the_growth_of_the_determinant(coupons):
    """By the definition, for fewer and for more coupons than effects."""
    suspects = (Suspect("resin", "categorical", tuple("abcd")), Suspect("lamp", "categorical", tuple("abcde")))
    rng = np.random.default_rng(1)
    pool, rows = (main_effects(rng.integers(0, 4, (n, 2)), suspects) for n in (6, coupons))

    def determinant(effects):
        return np.linalg.slogdet(effects.T @ effects + RIDGE * np.eye(effects.shape[1]))[1]

    grown = [np.expm1(determinant(np.vstack((rows, one))) - determinant(rows)) for one in pool]
    assert spread(pool, rows) == pytest.approx(grown, rel=1e-6)


def test_ten_factors_of_forty_levels_are_no_long_wait():
    suspects = tuple(Suspect(f"factor{n}", "categorical", tuple(f"V{level}" for level in range(40))) for n in range(10))
    nothing = impossible_codes(suspects, ())
    design = d_optimal_subset(suspects, size=33, impossible=nothing, rng=np.random.default_rng(1))
    assert (design.codes.shape, design.reason) == ((33, 10), None)

    def determinant(codes):
        effects = main_effects(codes, suspects)
        return np.linalg.slogdet(effects.T @ effects + RIDGE * np.eye(effects.shape[1]))[1]

    rng = np.random.default_rng(2)
    assert determinant(design.codes) > max(determinant(rng.integers(0, 40, (33, 10))) for _ in range(5))
