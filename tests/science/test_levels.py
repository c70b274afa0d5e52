"""One level by itself and against the rest."""

import numpy as np
import pytest

from labbench.science.document import document
from labbench.science.equivalence import equivalent_shares
from labbench.science.evaluation import evaluate
from labbench.science.levels import differences_to_rest
from labbench.science.strength import strength_ratio
from labbench.science.survival import log_rank
from labbench.science.weibull import weibull_fit
from tests.science.sheets import random_sheet, sheet


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


def test_fracture_away_from_the_repair_and_the_machines_limit_are_censored():
    strengths = [40.0, 44.0, 48.0, 52.0, 60.0, 60.0]
    origins = ["at_repair", None, "at_repair", "elsewhere", "machine_limit", "machine_limit"]
    coupons = sheet({"resin": ["A"] * 6}, [0] * 6, strength_mpa=strengths, origins=origins)
    found = document(evaluate(coupons))
    strength = found["factors"][0]["levels"][0]["strength"]
    fit = weibull_fit(np.array(strengths), is_censored=np.arange(6) >= 3)
    assert strength["weibull_modulus"] == pytest.approx(fit.modulus, rel=1e-12)
    assert (strength["n"], strength["censored"]) == (6, 3)
    assert strength["weibull"]["unbiased_modulus"] is None
    assert "3 of 6 stresses are lower bounds" in strength["reason"]
    # A complete sample of the same numbers looks weaker.
    complete = document(evaluate(sheet({"resin": ["A"] * 6}, [0] * 6, strength_mpa=strengths)))
    assert strength["weibull"]["b10"]["exactness"] == "asymptotic"
    plain = complete["factors"][0]["levels"][0]["strength"]
    assert strength["characteristic_strength_mpa"] > plain["characteristic_strength_mpa"]
    assert any("3 stresses of test coupons are only known to be exceeded" in words for words in found["warnings"])


def test_new_glass_breaks_away_from_a_repair_always():
    origins = ["elsewhere", "elsewhere", "machine_limit", "elsewhere"]
    coupons = sheet(
        {"resin": ["A"] * 4}, [0] * 4, strength_mpa=[50.0] * 4, origins=origins, roles=["pristine"] * 3 + ["test"]
    )
    assert list(coupons.is_strength_censored) == [False, False, True, True]
    assert any("1 pristine control did not break" in words for words in document(evaluate(coupons))["warnings"])


def test_strengths_with_bounds_are_compared_by_the_log_rank_test():
    resins, strengths = list("AAAAAABBBBBB"), [40.0, 41, 42, 43, 44, 60, 50, 52, 53, 60, 60, 60]
    origins = [None] * 5 + ["machine_limit"] + [None] * 3 + ["machine_limit"] * 3
    found = document(evaluate(sheet({"resin": resins}, [0] * 12, strength_mpa=strengths, origins=origins)))
    test = found["factors"][0]["strength"]["log_rank"]
    bounds = np.array([origin is not None for origin in origins])
    plain = log_rank(np.array(strengths), ~bounds, np.repeat([0, 1], 6), 2)
    assert test["statistic"] == pytest.approx(plain.statistic, rel=1e-12)
    assert test["relabelled"]["exactness"] == "exact"


def test_the_margin_of_strength_is_its_own():
    coupons = sheet({"resin": list("AAAABBBB")}, [0] * 8, strength_mpa=[50.0, 51, 52, 53, 48, 49, 50, 51])
    found = document(evaluate(coupons, margin=0.2, strength_margin=0.1))
    (row,) = found["factors"][0]["levels"][0]["against_margin"]
    assert (row["margin"], found["parameters"]["strength_margin"]) == (0.1, 0.1)
    assert found["factors"][0]["levels"][0]["difference_to_rest"]["equivalence"]["margin"] == 0.2
    with pytest.raises(ValueError, match=r"strength margin 1\.0 is not between 0 and 1"):
        evaluate(coupons, strength_margin=1.0)


def test_every_result_has_method_coupons_kind_and_sentence():
    found = document(evaluate(random_sheet(40, 3, 2)))

    def check(part):
        if isinstance(part, list):
            for inner in part:
                check(inner)
        elif isinstance(part, dict):
            if "p_value" in part:
                assert {"method", "exactness", "n_used", "n_missing", "sentence", "family"} <= set(part), part
                assert part["sentence"].endswith(".")
            for inner in part.values():
                check(inner)

    check(found["factors"])
