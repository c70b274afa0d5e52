"""The chance that a plan isolates the cause, played."""

import numpy as np
import pytest

from labbench.science.candidates import impossible_codes
from labbench.science.designs import full_factorial
from labbench.science.hypotheses import Suspect
from labbench.science.plan_chances import Assumed, fixed_plan_chance, sequential_plan_chance

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
