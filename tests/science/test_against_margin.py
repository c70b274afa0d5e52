"""A level against the margin: its strength, the reference repairs, the reliability it has shown."""

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.weightstats import ttost_ind

from labbench.science.against_margin import demonstration, shares_against, strengths_against
from labbench.science.document import document
from labbench.science.evaluation import evaluate
from tests.science.sheets import sheet


@pytest.mark.parametrize("seed", range(5))
def test_strengths_are_compared_as_statsmodels_does_on_logarithms(seed):
    rng = np.random.default_rng(seed)
    x, y = 50 * rng.weibull(9, 8), 52 * rng.weibull(7, 11)
    found = strengths_against(x, y, "reference repairs", margin=0.15, alpha=0.05)
    edge = -math.log(0.85)
    p_value, above, below = ttost_ind(np.log(x), np.log(y), -edge, edge, usevar="unequal")
    assert found.equivalence_p_value == pytest.approx(p_value, rel=1e-8)
    assert found.non_inferiority_p_value == pytest.approx(above[1], rel=1e-8)
    assert below[1] <= p_value
    assert found.estimate == pytest.approx(stats.gmean(x) / stats.gmean(y), rel=1e-12)
    # Schuirmann (1987): equivalent at 5 % just when the 90 % interval lies within the margin.
    assert (p_value <= 0.05) == (found.interval.low >= 0.85 and found.interval.high <= 1 / 0.85)


def test_shares_not_worse_than_a_reference_are_those_of_another_program():
    # Nephroblastoma, 83 of 88 against 69 of 76 successes, margin 0.10 (Rodary, Com-Nougue and Tournade, Statistics in
    # Medicine 8 (1989), 593-598), here counted as failures: z and 90 % limit by Miettinen and Nurminen's variance as
    # computed by R 4.2.2 (tests/published/statistics.md, ni_props_nephro).
    found = shares_against((5, 7), (88, 76), "reference repairs", margin=0.10, alpha=0.05)
    assert stats.norm.isf(found.non_inferiority_p_value) == pytest.approx(2.948121787, rel=1e-8)
    assert found.interval.high == pytest.approx(0.03367261278, rel=1e-8)
    assert found.estimate == pytest.approx(5 / 88 - 7 / 76)


def test_a_level_demonstrates_what_the_success_run_gives():
    # 22 coupons without failure show 90 % reliability with 90 % confidence: log(0.1) / log(0.9) = 21.85.
    found = demonstration(np.zeros(22, dtype=bool), np.ones(22, dtype=bool), wanted=0.9, confidence=0.9)
    assert found.coupons_needed == 22
    assert found.reliability == pytest.approx(0.1 ** (1 / 22), rel=1e-12)
    one_failed = np.arange(22) == 0
    shown = demonstration(one_failed, np.ones(22, dtype=bool), wanted=0.9, confidence=0.9)
    assert stats.binom.cdf(1, 22, 1 - shown.reliability) == pytest.approx(0.1, rel=1e-9)
    assert stats.binom.cdf(1, shown.coupons_needed, 0.1) <= 0.1 < stats.binom.cdf(1, shown.coupons_needed - 1, 0.1)


def test_coupons_with_rounds_to_go_demonstrate_nothing():
    found = demonstration(np.array([False, False, True]), np.array([True, False, False]), wanted=0.85, confidence=0.95)
    assert (found.coupons, found.failed, found.unfinished) == (2, 1, 1)
    nothing = demonstration(np.zeros(2, dtype=bool), np.zeros(2, dtype=bool), wanted=0.85, confidence=0.95)
    assert nothing.reliability is None
    assert nothing.reason == "no coupon failed or went through all its rounds"


@pytest.mark.parametrize(
    ("x", "y", "reason"),
    [
        ([50.0], [50.0, 51.0], "both groups need two values"),
        ([50.0, 50.0], [51.0, 51.0], "the values do not vary"),
        ([50.0, 0.0], [51.0, 52.0], "a strength is not above zero"),
        ([50.0, -3.0], [51.0, 52.0], "a strength is not above zero"),
    ],
)
def test_a_ratio_that_can_not_be_tested_has_a_reason(x, y, reason):
    found = strengths_against(np.array(x), np.array(y), "other levels", margin=0.15, alpha=0.05)
    assert (found.equivalence_p_value, found.interval.low, found.reason) == (None, None, reason)


def test_the_document_has_the_reference_repairs_beside_each_level():
    resins = ["A"] * 8 + ["B"] * 8 + [None] * 6
    coupons = sheet(
        {"resin": resins},
        [1] + [0] * 7 + [1] * 6 + [0] * 8,
        strength_mpa=[math.nan] + [50.0 + i for i in range(7)] + [math.nan] * 6 + [44.0, 46.0] + [52.0 + i for i in range(6)],
        roles=["test"] * 16 + ["reference"] * 6,
    )  # fmt: skip
    first, second = document(evaluate(coupons))["factors"][0]["levels"]
    asked = [(row["measure"], row["against"]) for row in first["against_margin"]]
    assert asked == [
        ("strength", "other levels"),
        ("failure share", "reference repairs"),
        ("strength", "reference repairs"),
    ]
    shares = second["against_margin"][1]
    assert (shares["coupons"], shares["coupons_against"], shares["margin"]) == (8, 6, 0.15)
    assert shares["estimate"] == pytest.approx(6 / 8)
    assert shares["non_inferiority_p_value"] > 0.9
    assert first["demonstration"]["wanted_reliability"] == pytest.approx(0.85)


def test_beside_what_was_used_stands_what_was_not():
    coupons = sheet({"resin": ["A", "A", "B", "B", None], "lamp": ["L1", None, "L1", "L2", "L2"]}, [1, 0, 0, 1, 0])
    resin = document(evaluate(coupons))["factors"][0]
    assert (resin["association"]["n_used"], resin["association"]["n_missing"]) == (4, 1)
    assert (resin["adjusted"]["n_used"], resin["adjusted"]["n_missing"]) == (3, 2)


@pytest.mark.parametrize("confidence", [0.01, 0.4, 0.5, 0.9999])
def test_any_confidence_gives_a_document(confidence):
    coupons = sheet({"resin": ["A", "B", None] * 4}, [1, 0, 0] * 4, strength_mpa=[40.0 + i for i in range(12)],
                    roles=["test", "test", "reference"] * 4)  # fmt: skip
    levels = document(evaluate(coupons, confidence=confidence))["factors"][0]["levels"]
    assert all(bool(level["against_margin"]) == (confidence > 0.5) for level in levels)
