"""Permutation tests, exact odds ratios, equivalence, limits; sources in statistics.md under the id given to `expected`."""

import numpy as np
import pytest
from scipy import stats

from labbench.science.demonstration import demonstrated_reliability, demonstration_coupons
from labbench.science.equivalence import equivalent_means, equivalent_shares
from labbench.science.log_rank_permutation import log_rank_scores, permutation_log_rank
from labbench.science.odds import exact_odds_ratio
from labbench.science.ordered import jonckheere
from labbench.science.permutation import permutation_test
from labbench.science.proportions import newcombe_difference, score_difference
from labbench.science.restricted_mean import restricted_mean
from labbench.science.weibull import weibull_fit
from labbench.science.weibull_limits import (
    delta_percentile_bound,
    percentile,
    percentile_bound,
    profile_weibull_limits,
    unbiasing_factor,
)


def codes_of(names):
    return np.unique(names, return_inverse=True)[1].ravel()


def rng():
    return np.random.default_rng(1)


def test_odds_ratio_tea_tasting(expected):
    # 3 of 4 milk-first cups recognised against 1 of 4.
    found = exact_odds_ratio(np.array([[1.0, 3.0]]), np.array([[4.0, 4.0]]))
    assert found.ratio == pytest.approx(expected("fisher_tea", "conditional MLE odds ratio"), rel=1e-9)
    assert found.interval.low == pytest.approx(expected("fisher_tea", "95% exact CI lower (two-sided)"), rel=1e-9)
    assert found.interval.high == pytest.approx(expected("fisher_tea", "95% exact CI upper (two-sided)"), rel=1e-9)
    assert found.p_value == pytest.approx(expected("fisher_tea", "p two-sided"), rel=1e-9)


def test_odds_ratio_convict_twins(table, expected):
    t = table("convict_twins")
    counts = {(a, b): n for a, b, n in zip(t["twin"], t["conviction"], t["count"], strict=True)}
    dizygotic, monozygotic = counts["dizygotic", "convicted"], counts["monozygotic", "convicted"]
    sizes = [sum(n for (twin, _), n in counts.items() if twin == name) for name in ("monozygotic", "dizygotic")]
    found = exact_odds_ratio(np.array([[monozygotic, dizygotic]]), np.array([sizes]))
    assert found.ratio == pytest.approx(expected("fisher_twins", "conditional MLE odds ratio"), rel=1e-9)
    assert found.interval.low == pytest.approx(expected("fisher_twins", "95% exact CI lower"), rel=1e-9)
    assert found.interval.high == pytest.approx(expected("fisher_twins", "95% exact CI upper"), rel=1e-9)


def test_exact_logistic_regression_on_one_factor(table, expected):
    t = table("drug_exact_logistic")
    rows = {(s, d): (x, n) for s, d, x, n in zip(t["sex"], t["treatment"], t["recovered"], t["n"], strict=True)}
    x = np.array([[rows[sex, treatment][0] for treatment in (0, 1)] for sex in (0, 1)])
    n = np.array([[rows[sex, treatment][1] for treatment in (0, 1)] for sex in (0, 1)])
    found = exact_odds_ratio(x, n)
    id_ = "exact_logistic_drug"
    assert found.p_value == pytest.approx(expected(id_, "exact p two-sided (sum of small probabilities)"), rel=1e-9)
    assert found.ratio == pytest.approx(expected(id_, "conditional MLE odds ratio"), rel=1e-9)
    assert found.interval.low == pytest.approx(expected(id_, "exact 95% CI odds ratio lower"), rel=1e-9)
    assert found.interval.high == pytest.approx(expected(id_, "exact 95% CI odds ratio upper"), rel=1e-9)


@pytest.mark.parametrize(
    ("id_", "file", "columns"),
    [
        ("cmh_ucb", "ucb_admissions", ("dept", "gender", "Male", "admit", "Admitted")),
        ("cmh_centers", "infection_centers", ("center", "treatment", "drug", "response", "success")),
    ],
)
def test_exact_common_odds_ratio(id_, file, columns, table, expected):
    stratum, row, second, outcome, counted = columns
    t = table(file)
    names = list(dict.fromkeys(t[stratum]))
    sides = [t[row] != second, t[row] == second]
    n = np.array([[t["count"][(t[stratum] == s) & side].sum() for side in sides] for s in names])
    hit = t[outcome] == counted
    x = np.array([[t["count"][(t[stratum] == s) & side & hit].sum() for side in sides] for s in names])
    found = exact_odds_ratio(x, n)
    assert found.p_value == pytest.approx(expected(id_, "exact conditional p two-sided"), rel=1e-9)
    assert found.ratio == pytest.approx(expected(id_, "exact conditional MLE odds ratio"), rel=1e-9)


def test_exact_log_rank_glioma(table, expected):
    t = table("glioma")
    third = t["grade"] == "grade3"
    times, failed = t["time"][third], t["event"][third] == 1
    codes = (t["group"][third] == "rit").astype(int)
    scores = log_rank_scores(times, failed)
    assert scores[codes == 1].sum() == pytest.approx(expected("exact_logrank_glioma", "O-E, rit arm"), rel=1e-9)
    found = permutation_log_rank(times, failed, codes, rng=rng())
    assert found.exactness == "exact"
    assert found.p_value == pytest.approx(expected("exact_logrank_glioma", "exact p two-sided"), rel=1e-9)


def test_simulated_log_rank_agrees_within_its_standard_error(table, expected):
    t = table("glioma")
    third = t["grade"] == "grade3"
    scores = log_rank_scores(t["time"][third], t["event"][third] == 1)
    codes = (t["group"][third] == "rit").astype(int)
    found = permutation_test(scores, codes, method="log-rank", rng=rng(), node_limit=0)
    assert found.exactness == "simulated"
    assert abs(found.p_value - expected("exact_logrank_glioma", "exact p two-sided")) < 4 * found.standard_error


def test_exact_rank_sum_sleep(table, expected):
    t = table("student_sleep")
    found = permutation_test(stats.rankdata(t["extra"]), codes_of(t["group"]), method="rank sum", rng=rng())
    name = "rank-sum p, exact permutation of mid-ranks"
    assert found.p_value == pytest.approx(expected("welch_sleep", name), rel=1e-9)


def test_exact_worst_ranks(table, expected):
    t = table("worst_rank")
    failed = ~np.isnan(t["failed_round"])
    ranks = stats.rankdata(np.where(failed, 0.0, t["strength_mpa"]))
    found = permutation_test(ranks, codes_of(t["resin"]), method="worst ranks", rng=rng())
    assert found.p_value == pytest.approx(expected("worst_rank_made", "p exact, untimed"), rel=1e-9)


def test_jonckheere_piecework(table, expected):
    t = table("piecework_motivation")
    found = jonckheere(t["pieces"], t["group"].astype(int))
    assert found.statistic == pytest.approx(expected("jt_piecework", "z"), rel=1e-9)
    assert found.exactness == "exact"
    assert found.p_value == pytest.approx(expected("jt_piecework", "p two-sided, exact permutation"), rel=1e-9)


def test_restricted_mean_cirrhosis(table, expected):
    t = table("pbc_rmst")
    for arm in (0, 1):
        rows = t["arm"] == arm
        found = restricted_mean(t["time_years"][rows], t["status"][rows] == 1, up_to=10.0)
        assert found.rounds == pytest.approx(expected("rmst_pbc", f"RMST arm {arm}"), rel=1e-9)
        assert found.standard_error == pytest.approx(expected("rmst_pbc", f"se arm {arm}"), rel=1e-9)


@pytest.mark.parametrize(
    ("id_", "file", "column", "censored"),
    [
        ("weibull_bearings", "ball_bearings", "million_revolutions", None),
        ("weibull_glass_fibre", "glass_fibre_1_5cm", "strength", None),
        ("weibull_nist_censored", "nist_censored_20_units", "hours", "failed"),
    ],
)
def test_weibull_limits(id_, file, column, censored, table, expected):
    t = table(file)
    is_censored = None if censored is None else t[censored] == 0
    fit = weibull_fit(t[column], is_censored=is_censored)
    limits = profile_weibull_limits(t[column], fit, is_censored=is_censored)
    for name, interval in (("shape", limits.modulus), ("scale", limits.characteristic_strength)):
        assert interval.low == pytest.approx(expected(id_, f"{name} 95% profile lower"), rel=1e-7)
        assert interval.high == pytest.approx(expected(id_, f"{name} 95% profile upper"), rel=1e-7)
    assert percentile(fit, 0.9) == pytest.approx(expected(id_, "10th percentile (ML)"), rel=1e-9)
    if censored is not None:
        bound = delta_percentile_bound(fit, 0.9)
        name = "10th percentile, one-sided 95% lower bound (delta method on log)"
        assert bound.lower_bound == pytest.approx(expected(id_, name), rel=1e-7)


def test_conditional_percentile_bounds_carbon_fabric(table, expected):
    x = table("carbon_fabric_wt_rtd")["strength_ksi"]
    fit = weibull_fit(x)
    b10, b1 = percentile_bound(x, fit, 0.90), percentile_bound(x, fit, 0.99)
    assert b10.lower_bound == pytest.approx(expected("basis_carbon", "Weibull B-basis (conditional)"), rel=1e-6)
    assert b1.lower_bound == pytest.approx(expected("basis_carbon", "Weibull A-basis (conditional)"), rel=1e-6)


def test_unbiasing_factors(table):
    t = table("weibull_unbiasing_factors")
    for n, factor in zip(t["n"], t["unbiasing_factor"], strict=True):
        assert unbiasing_factor(int(n)) == pytest.approx(factor, abs=1e-5)
    assert unbiasing_factor(4) is None
    assert unbiasing_factor(9) == pytest.approx(0.838, abs=0.002)


def test_equivalence_of_means_plant_growth(table, expected):
    t = table("plant_growth")
    ctrl, trt1 = t["weight"][t["group"] == "ctrl"], t["weight"][t["group"] == "trt1"]
    found = equivalent_means(ctrl, trt1, margin=1.0)
    id_ = "tost_means_plant"
    assert found.above.statistic == pytest.approx(expected(id_, "Welch t against -1"), rel=1e-9)
    assert found.below.statistic == pytest.approx(expected(id_, "Welch t against +1"), rel=1e-9)
    assert found.above.df == pytest.approx(expected(id_, "Welch df"), rel=1e-9)
    assert found.p_value == pytest.approx(expected(id_, "TOST p (Welch)"), rel=1e-9)
    assert found.above.p_value == pytest.approx(expected(id_, "non-inferiority p (Welch)"), rel=1e-9)
    assert found.interval.low == pytest.approx(expected(id_, "90% CI lower (Welch)"), rel=1e-9)
    assert found.interval.high == pytest.approx(expected(id_, "90% CI upper (Welch)"), rel=1e-9)
    assert found.is_equivalent
    pooled = equivalent_means(ctrl, trt1, margin=1.0, spread="pooled")
    assert pooled.p_value == pytest.approx(expected(id_, "TOST p (pooled)"), rel=1e-9)


def test_non_inferiority_nephroblastoma(expected):
    id_ = "ni_props_nephro"
    found = equivalent_shares(83, 88, 69, 76, margin=0.10, variance="Mee")
    assert found.above.statistic == pytest.approx(expected(id_, "z Farrington-Manning"), rel=1e-9)
    assert found.above.p_value == pytest.approx(expected(id_, "one-sided p"), rel=1e-8)
    assert found.p_value == pytest.approx(
        expected(id_, "equivalence (margin 0.10) TOST p, Farrington-Manning"), rel=1e-8
    )
    assert found.interval.low == pytest.approx(expected(id_, "90% Mee score lower"), rel=1e-9)
    assert found.interval.high == pytest.approx(expected(id_, "90% Mee score upper"), rel=1e-9)
    assert not found.is_equivalent
    found = equivalent_shares(83, 88, 69, 76, margin=0.10)
    assert found.above.statistic == pytest.approx(expected(id_, "z Miettinen-Nurminen"), rel=1e-9)
    arguments = [np.array([float(v)]) for v in (83, 88, 69, 76)]
    low, _ = score_difference(*arguments, confidence=0.9)
    assert low[0] == pytest.approx(expected(id_, "90% Miettinen-Nurminen lower"), rel=1e-9)
    low, high = newcombe_difference(*arguments, confidence=0.9)
    assert low[0] == pytest.approx(expected(id_, "90% Newcombe lower"), rel=1e-9)
    assert high[0] == pytest.approx(expected(id_, "90% Newcombe upper"), rel=1e-9)


def test_demonstration_sample_sizes(table):
    t = table("demonstration_sample_sizes")
    rows = list(zip(t["failures_allowed"], t["reliability"], t["confidence"], t["n"], strict=True))
    assert len(rows) > 10
    for failures, reliability, confidence, n in rows:
        assert demonstration_coupons(reliability, confidence, failures=int(failures)) == n
        assert demonstrated_reliability(int(n), confidence, failures=int(failures)) >= reliability - 1e-12


def test_demonstration_success_run(expected):
    for reliability, confidence in ((0.95, 0.95), (0.99, 0.95), (0.99, 0.90), (0.90, 0.90)):
        name = f"n for R={reliability:.2f}, C={confidence:.2f}, 0 failures"
        assert demonstration_coupons(reliability, confidence) == expected("demonstration", name)
