"""The chance that a plan isolates the cause, played."""

import numpy as np
import pytest

from labbench.science.candidates import impossible_codes
from labbench.science.designs import full_factorial
from labbench.science.hypotheses import Suspect, hypotheses
from labbench.science.load_limits import load_limits
from labbench.science.plan_chances import (
    Assumed,
    drawn_truth,
    fixed_plan_chance,
    is_thinkable,
    next_codes,
    sequential_plan_chance,
)
from labbench.science.sheet import RunnableLevels

SUSPECTS = tuple(Suspect(name, "categorical", ("a", "b")) for name in ("resin", "lamp", "cover"))
NOTHING = impossible_codes(SUSPECTS, ())
CERTAIN = Assumed(np.zeros(3, dtype=np.int64), 1.0, 0.0)


def factorial(repeats):
    return np.repeat(full_factorial(SUSPECTS, impossible=NOTHING).codes, repeats, axis=0)


def fixed(codes, **details):
    loads = np.zeros(len(codes), dtype=np.int64)
    asked = {"assumed": CERTAIN, "cause": "single", "studies": 20, "seed": 1} | details
    return fixed_plan_chance(SUSPECTS, codes, loads, **asked)


def test_where_the_cause_always_fails_and_else_all_hold_a_factorial_finds_it():
    found = fixed(factorial(3))
    assert (found.found.share, found.wrong.share, found.mean_coupons, found.mean_loads) == (1.0, 0.0, 24.0, 1.0)
    # All of twenty: the error is that of 21 of 22, by hand sqrt(21 / 22 * 1 / 22 / 20).
    assert found.found.standard_error == pytest.approx(np.sqrt(21 / 22 / 22 / 20))


def test_a_plan_that_changes_two_factors_together_never_tells_them_apart():
    codes = np.repeat(np.array([[0, 0, 0], [1, 1, 0]]), 10, axis=0)
    assert fixed(codes).found.share == 0.0


def test_the_same_seed_plays_the_same_studies_and_progress_is_told():
    told = []
    again = fixed(factorial(1), studies=5, progress=lambda done, total: told.append((done, total)))
    assert again == fixed(factorial(1), studies=5)
    assert told == [(number, 5) for number in range(1, 6)]


def test_a_cause_of_two_factors_takes_two():
    one = SUSPECTS[:1]
    codes = np.array([[0], [1]])
    asked = {"assumed": Assumed(np.zeros(1, dtype=np.int64), 0.8, 0.05), "studies": 2, "seed": 1}
    assert fixed_plan_chance(one, codes, np.zeros(2, dtype=np.int64), cause="both", **asked) is None
    assert fixed_plan_chance(one, codes, np.zeros(2, dtype=np.int64), cause="single", **asked) is not None


def sequential(**details):
    asked = {"places": 6, "most_loads": 3, "impossible": NOTHING, "assumed": CERTAIN, "cause": "single"}
    return sequential_plan_chance(SUSPECTS, **(asked | {"studies": 5, "seed": 1} | details))


def test_the_sequential_plan_finds_a_clear_cause_and_stops():
    found = sequential()
    assert found.found.share == 1.0
    assert found.mean_loads < 3
    assert found.mean_coupons == found.mean_loads * 6


def test_nothing_that_can_be_made_is_no_plan():
    nowhere = impossible_codes(SUSPECTS, ({"resin": "a"}, {"resin": "b"}))
    assert sequential(impossible=nowhere) is None


def test_two_causes_of_which_one_is_enough_are_found_as_two():
    # Every combination three times: what fails fails always, so the pair is the only explanation.
    found = fixed(factorial(3), cause="either")
    assert (found.cause, found.found.share, found.wrong.share) == ("either", 1.0, 0.0)


TIMED = (Suspect("cure_time_s", "numeric", (60.0, 90.0, 120.0, 240.0)), *SUSPECTS[:1])


@pytest.mark.parametrize(
    ("baseline", "shares"),
    [
        # From the baseline's level to the end that lies farther: by hand, in equal steps.
        (0, [0.8, 0.55, 0.3, 0.05]),
        (1, [0.8, 0.8, 0.425, 0.05]),
        (3, [0.05, 0.3, 0.55, 0.8]),
    ],
)
def test_graded_failures_fall_from_the_baseline_to_the_far_end(baseline, shares):
    assumed = Assumed(np.array([baseline, 0]), 0.8, 0.05)
    truth, _ = drawn_truth(TIMED, "graded", assumed, 0, 1)
    assert truth.guilty == (0,)
    assert truth.failing(np.array([[level, 0] for level in range(4)])) == pytest.approx(shares)


def test_a_matter_of_degrees_takes_a_numeric_factor_of_three_levels():
    assert is_thinkable(TIMED, "graded")
    assert not is_thinkable(SUSPECTS, "graded")
    assert not is_thinkable((Suspect("cure_time_s", "numeric", (60.0, 90.0)),), "graded")
    assert sequential(cause="graded") is None


def limits(**stated):
    return load_limits(SUSPECTS, RunnableLevels({}, (), **stated))


def test_a_load_keeps_to_stock_and_to_the_levels_of_one_session():
    space = hypotheses(SUSPECTS)
    nothing = np.empty((0, 3), dtype=np.int64)
    bound = limits(left={"resin": {"a": 3}}, levels_per_load={"lamp": 1})
    first = next_codes(space, nothing, None, 6, NOTHING, 1, limits=bound)
    assert (first[:, 0] == 0).sum() <= 3
    assert len(set(first[:, 1])) == 1
    # The second load has what the first left.
    second = next_codes(space, first, np.zeros(len(first), dtype=np.bool_), 6, NOTHING, 1, limits=bound)
    assert (np.concatenate((first, second))[:, 0] == 0).sum() <= 3


def test_a_study_ends_when_the_stock_is_at_its_end():
    # Four coupons of the cover in all: the lamp is never told from the rest for sure, and no load is run beyond them.
    bound = limits(left={"cover": {"a": 2, "b": 2}})
    found = sequential(limits=bound, assumed=Assumed(np.zeros(3, dtype=np.int64), 0.6, 0.4), studies=10)
    assert found.mean_coupons == 4
    assert found.mean_loads == 1
