"""One level by itself and against the rest."""

import numpy as np
import pytest

from labbench.science.document import document
from labbench.science.equivalence import equivalent_shares
from labbench.science.evaluation import evaluate
from labbench.science.levels import differences_to_rest
from labbench.science.strength import strength_ratio
from tests.science.sheets import sheet


def test_difference_to_the_rest_is_that_of_the_two_shares():
    first, *_ = differences_to_rest(np.array([3, 1, 0]), np.array([6, 5, 7]), confidence=0.95, margin=0.15)
    assert first.difference == pytest.approx(3 / 6 - 1 / 12)
    assert first.interval.low < first.difference < first.interval.high
    against_rest = equivalent_shares(3, 6, 1, 12, margin=0.15)
    assert first.equivalence_p_value == pytest.approx(against_rest.p_value, rel=1e-12)


def test_a_single_level_has_no_rest():
    assert differences_to_rest(np.array([3]), np.array([6]), confidence=0.95, margin=0.15) == (None,)


def test_survival_lists_every_round_up_to_the_last_look():
    coupons = sheet({"resin": ["A"] * 4}, [2, 0, 0, 0], rounds_survived=[1, 3, 3, 2])
    (level,) = document(evaluate(coupons))["factors"][0]["levels"]
    # One of four at risk fails in round 2; nobody in round 3.
    assert [(row["round"], row["survival"], row["at_risk"]) for row in level["survival"]] == [
        (1, 1.0, 4),
        (2, 0.75, 4),
        (3, 0.75, 2),
    ]
    assert level["survival"][0]["low"] is None
    assert level["survival"][0]["reason"] == "none has failed yet, so Greenwood's formula gives no width"
    assert level["turnbull"] is None
    # Area under 1, 1, 0.75 over three rounds.
    assert level["restricted_mean_rounds"]["rounds"] == pytest.approx(2.75)


def test_skipped_looks_give_turnbull_masses():
    # Seen holding after round 1, found cracked out in round 3: somewhere in (1, 3].
    coupons = sheet({"resin": ["A"] * 4}, [3, 0, 0, 0], rounds_survived=[1, 3, 3, 3])
    (level,) = document(evaluate(coupons))["factors"][0]["levels"]
    (inside, beyond) = level["turnbull"]
    assert (inside["after_round"], inside["up_to_round"]) == (1, 3)
    assert inside["mass"] == pytest.approx(0.25, abs=1e-9)
    assert (beyond["after_round"], beyond["up_to_round"]) == (3, None)
    assert beyond["mass"] == pytest.approx(0.75, abs=1e-9)


def test_percent_of_new_glass_is_a_ratio_of_means():
    strengths = [40.0, 44.0, 48.0, 80.0, 90.0, 100.0]
    coupons = sheet({"resin": ["A"] * 6}, [0] * 6, strength_mpa=strengths, roles=["test"] * 3 + ["pristine"] * 3)
    (level,) = document(evaluate(coupons))["factors"][0]["levels"]
    ratio = level["strength"]["percent_of_pristine"]
    assert ratio["ratio"] == pytest.approx(44 / 90)
    # By hand: se² = 16 / 3 / 44² + 100 / 3 / 90² = 0.0068702; df = 3.818; t = 2.829 (interpolated in a table).
    assert ratio["low"] == pytest.approx(44 / 90 * np.exp(-2.829 * 0.0828867), rel=2e-3)
    assert ratio["high"] == pytest.approx(44 / 90 * np.exp(2.829 * 0.0828867), rel=2e-3)


def test_ratio_turns_over_when_the_groups_are_swapped():
    x, y = np.array([40.0, 44, 48, 43]), np.array([80.0, 90, 100])
    ratio, swapped = strength_ratio(x, y), strength_ratio(y, x)
    assert ratio.interval.low == pytest.approx(1 / swapped.interval.high, rel=1e-12)


def test_cracked_out_coupons_pull_the_worst_rank_test_not_the_mean():
    coupons = sheet(
        {"resin": list("AAAABBBB")},
        [0, 0, 0, 0, 1, 1, 1, 0],
        strength_mpa=[50.0, 51, 52, 53, np.nan, np.nan, np.nan, 54],
    )
    found = document(evaluate(coupons))
    strength = found["factors"][0]["strength"]
    assert strength["worst_rank"]["n_used"] == 8
    assert strength["kruskal_wallis"]["n_used"] == 5
    assert any("3 cracked out before and have no strength" in warning for warning in found["warnings"])
