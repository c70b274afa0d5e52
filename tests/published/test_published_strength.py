"""Strength and regression against published examples; sources in statistics.md under the id given to `expected`."""

import math

import numpy as np
import pytest

from labbench.science.comparisons import kruskal_wallis, welch_anova, worst_rank
from labbench.science.penalised import BinomialModel, profile_limits
from labbench.science.strength import strength_summary
from labbench.science.weibull import weibull_fit


def codes_of(names):
    return np.unique(names, return_inverse=True)[1].ravel()


@pytest.mark.parametrize(
    ("id_", "file", "column", "censored"),
    [
        ("weibull_bearings", "ball_bearings", "million_revolutions", None),
        ("weibull_glass_fibre", "glass_fibre_1_5cm", "strength", None),
        ("weibull_nist_censored", "nist_censored_20_units", "hours", "failed"),
    ],
)
def test_weibull(id_, file, column, censored, table, expected):
    t = table(file)
    fit = weibull_fit(t[column], is_censored=None if censored is None else t[censored] == 0)
    assert fit.modulus == pytest.approx(expected(id_, "shape (ML)"), rel=1e-9)
    assert fit.characteristic_strength == pytest.approx(expected(id_, "scale (ML)"), rel=1e-9)
    assert fit.log_likelihood == pytest.approx(expected(id_, "log likelihood"), rel=1e-9)
    assert math.sqrt(fit.covariance[1][1]) == pytest.approx(expected(id_, "se of log shape"), rel=1e-7)
    assert math.sqrt(fit.covariance[0][0]) == pytest.approx(expected(id_, "se of log scale"), rel=1e-7)


def test_weibull_carbon_fabric(table, expected):
    fit = weibull_fit(table("carbon_fabric_wt_rtd")["strength_ksi"])
    assert fit.modulus == pytest.approx(expected("basis_carbon", "Weibull shape (ML)"), rel=1e-9)
    assert fit.characteristic_strength == pytest.approx(expected("basis_carbon", "Weibull scale (ML)"), rel=1e-9)


def test_welch_and_kruskal_wallis_plant_growth(table, expected):
    t = table("plant_growth")
    found = welch_anova(t["weight"], codes_of(t["group"]))
    assert found.statistic == pytest.approx(expected("welch_anova_plant", "Welch F"), rel=1e-9)
    assert found.denominator_df == pytest.approx(expected("welch_anova_plant", "Welch denominator df"), rel=1e-9)
    assert found.p_value == pytest.approx(expected("welch_anova_plant", "Welch p"), rel=1e-9)
    found = kruskal_wallis(t["weight"], codes_of(t["group"]))
    assert found.statistic == pytest.approx(expected("welch_anova_plant", "Kruskal-Wallis H"), rel=1e-9)
    assert found.p_value == pytest.approx(expected("welch_anova_plant", "Kruskal-Wallis p"), rel=1e-9)


def test_welch_of_two_is_the_t_test_squared(table, expected):
    t = table("student_sleep")
    found = welch_anova(t["extra"], codes_of(t["group"]))
    assert found.statistic == pytest.approx(expected("welch_sleep", "Welch ANOVA F"), rel=1e-9)
    assert found.denominator_df == pytest.approx(expected("welch_sleep", "df"), rel=1e-9)
    assert found.p_value == pytest.approx(expected("welch_sleep", "p two-sided"), rel=1e-9)


def test_kruskal_wallis_mucociliary(table, expected):
    t = table("mucociliary")
    found = kruskal_wallis(t["half_time_min"], codes_of(t["group"]))
    assert found.statistic == pytest.approx(expected("kw_mucociliary", "H"), rel=1e-9)
    assert found.p_value == pytest.approx(expected("kw_mucociliary", "p"), rel=1e-9)


def test_worst_rank_untimed(table, expected):
    # For two levels the chi-square of Kruskal-Wallis is the square of the rank-sum z without continuity correction.
    t = table("worst_rank")
    found = worst_rank(t["strength_mpa"], ~np.isnan(t["failed_round"]), codes_of(t["resin"]))
    assert found.p_value == pytest.approx(expected("worst_rank_made", "p normal, untimed"), rel=1e-9)


@pytest.mark.parametrize(
    ("id_", "file", "outcome", "terms"),
    [
        ("firth_endometrial", "endometrial", "hg", ["nv", "pi", "eh"]),
        ("firth_uti", "urinary_tract", "case", ["age", "oc", "vic", "vicl", "vis", "dia"]),
    ],
)
def test_firth(id_, file, outcome, terms, table, expected):
    t = table(file)
    design = np.column_stack([np.ones(len(t[outcome])), *(t[term] for term in terms)])
    ones = np.ones(len(design))
    model = BinomialModel(design, t[outcome], ones)
    fit = model.fit()
    for number, term in enumerate(["(Intercept)", *terms]):
        assert fit.coefficients[number] == pytest.approx(expected(id_, f"coef {term}"), rel=1e-7)
        assert fit.standard_errors[number] == pytest.approx(expected(id_, f"se {term}"), rel=1e-7)
        free = np.arange(len(terms) + 1) != number
        restricted = model.fit(free=free)
        statistic = 2 * (fit.log_likelihood - restricted.log_likelihood)
        p_value = math.erfc(math.sqrt(statistic / 2))
        assert p_value == pytest.approx(expected(id_, f"penalised LR p {term}"), rel=1e-6)
        low, high = profile_limits(model, fit, number)
        assert low == pytest.approx(expected(id_, f"profile lower {term}"), rel=1e-6)
        assert high == pytest.approx(expected(id_, f"profile upper {term}"), rel=1e-6)


def test_firth_overall_likelihood_ratio(table, expected):
    t = table("urinary_tract")
    terms = ["age", "oc", "vic", "vicl", "vis", "dia"]
    design = np.column_stack([np.ones(len(t["case"])), *(t[term] for term in terms)])
    ones = np.ones(len(design))
    model = BinomialModel(design, t["case"], ones)
    full, null = model.fit(), model.fit(free=np.arange(7) == 0)
    statistic = 2 * (full.log_likelihood - null.log_likelihood)
    assert statistic == pytest.approx(expected("firth_uti", "overall penalised LR chi-square (6 df)"), rel=1e-8)


@pytest.mark.parametrize(
    ("file", "digits"), [("strd_michelso", 1e-13), ("strd_numacc1", 1e-13), ("strd_numacc3", 1e-8)]
)
def test_mean_and_standard_deviation_keep_their_digits(file, digits, table, expected):
    # Certified by the NIST Statistical Reference Datasets; a one-pass sum of squares fails on these.
    summary = strength_summary(table(file)["value"], np.array([]))
    assert summary.mean_mpa == pytest.approx(expected(file, "mean"), rel=1e-13)
    assert summary.sd_mpa == pytest.approx(expected(file, "standard deviation"), rel=digits)
