"""Simulated studies: they play what they say, and the search finds planted causes."""

from __future__ import annotations

import numpy as np
import pytest

from labbench.science.isolation_simulation import FACTORS, TRUTHS, Played, Scenario, draw_truth, play


@pytest.mark.parametrize("truth", TRUTHS)
def test_the_baseline_has_the_cause(truth):
    for seed in range(20):
        known = draw_truth(Scenario(truth), FACTORS, np.random.default_rng(seed))
        assert known.failing(known.baseline[None, :])[0] == pytest.approx(0.8)
        assert len(known.guilty) == {"single": 1, "both": 2, "either": 2, "graded": 1, "none": 0}[truth]


@pytest.mark.parametrize(("truth", "with_one", "with_none"), [("both", 0.05, 0.05), ("either", 0.8, 0.05)])
def test_pairs_fail_as_they_should(truth, with_one, with_none):
    known = draw_truth(Scenario(truth), FACTORS, np.random.default_rng(3))
    swapped = known.baseline.copy()
    for factor, expected in zip(known.guilty, (with_one, with_none), strict=True):
        swapped[factor] = (swapped[factor] + 1) % len(FACTORS[factor].levels)
        assert known.failing(swapped[None, :])[0] == pytest.approx(expected)


def test_graded_causes_fall_from_the_baseline():
    known = draw_truth(Scenario("graded"), FACTORS, np.random.default_rng(5))
    assert FACTORS[known.guilty[0]].kind == "numeric"
    steps = np.diff(known.shares)
    assert (steps > 0).all() or (steps < 0).all()


def test_planted_single_causes_are_found():
    """Deterministic failures: four studies, none of them wrong."""
    scenario = Scenario("single", failing=1.0, holding=0.0)
    studies = [play(scenario, rng=np.random.default_rng(seed)) for seed in range(4)]
    assert all(study.accused == study.guilty and not study.guilty_cleared for study in studies)
    assert all(study.coupons % 12 == 0 for study in studies)


def test_fixed_strategies_run_a_fixed_number_of_coupons():
    rng = np.random.default_rng(1)
    single = Scenario("single", failing=1.0, holding=0.0)
    one = play(single, strategy="one at a time", per_arm=8, rng=rng)
    factorial = play(single, strategy="factorial", rng=rng)
    array = play(single, strategy="array", array_coupons=16, rng=rng)
    assert (one.coupons, factorial.coupons, array.coupons) == (56, 64, 16)
    assert one.accused == one.guilty
    assert factorial.accused == factorial.guilty


def test_same_seed_same_study():
    assert play(Scenario("both"), rng=np.random.default_rng(4)) == play(Scenario("both"), rng=np.random.default_rng(4))


def test_one_arm_per_factor_judged_in_three_ways():
    single = Scenario("single", failing=1.0, holding=0.0)
    by_eye = play(single, strategy="by eye", per_arm=3, rng=np.random.default_rng(2))
    against = play(single, strategy="against baseline", per_arm=11, rng=np.random.default_rng(2))
    assert (by_eye.coupons, against.coupons) == (21, 77)
    assert by_eye.accused == against.accused == by_eye.guilty == against.guilty
    # 3 of 3 against 0 of 3 convinces no test: p = 0.05 one-sided, Holm over six factors 0.3.
    assert play(single, strategy="against baseline", per_arm=3, rng=np.random.default_rng(2)).accused == ()


def test_what_counts_as_an_error():
    right, wrong = Played((0,), (0,), 24, True, False), Played((1,), (0,), 36, True, True)
    half, open_ = Played((0,), (0, 1), 12, True, True), Played((), (0,), 60, False, False)
    assert [study.is_false for study in (right, wrong, half, open_)] == [False, True, False, False]
    assert [study.is_missed for study in (right, wrong, half, open_)] == [False, True, True, True]
    nothing = Played((), (), 60, False, False)
    assert not nothing.is_false
    assert not nothing.is_missed


def test_a_study_without_a_cause_ends_by_naming_nothing():
    studies = [play(Scenario("none", failing=1.0), rng=np.random.default_rng(seed)) for seed in range(3)]
    assert all(study.ended and study.accused == () for study in studies)
