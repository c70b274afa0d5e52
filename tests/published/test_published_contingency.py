"""Tables of counts against published examples; sources in statistics.md under the id given to `expected`."""

import numpy as np
import pytest

from labbench.science.contingency import fisher_freeman_halton
from labbench.science.intervals import clopper_pearson, wilson
from labbench.science.multiplicity import holm
from labbench.science.proportions import newcombe_difference, score_difference
from labbench.science.stratified import breslow_day, cochran_mantel_haenszel, mantel_haenszel
from labbench.science.trend import cochran_armitage
from labbench.science.unconditional import boschloo

EXACT = {"rel": 1e-9, "abs": 1e-14}


def ffh(failed, coupons, **options):
    return fisher_freeman_halton(np.array(failed), np.array(coupons), rng=np.random.default_rng(1), **options)


def counts(table, rows, column, *, first):
    """Counts of a 2 x k table file: those with `column` = first, and all, per value of `rows`."""
    names = list(dict.fromkeys(table[rows]))
    x = [int(table["count"][(table[rows] == name) & (table[column] == first)].sum()) for name in names]
    n = [int(table["count"][table[rows] == name].sum()) for name in names]
    return x, n


def test_fisher_tea_tasting(table, expected):
    t = table("tea_tasting")
    x, n = counts(t, *list(t)[:2], first=t[list(t)[1]][0])
    assert ffh(x, n).p_value == pytest.approx(expected("fisher_tea", "p two-sided"), **EXACT)


def test_fisher_convict_twins(table, expected):
    x, n = counts(table("convict_twins"), "twin", "conviction", first="convicted")
    assert ffh(x, n).p_value == pytest.approx(expected("fisher_twins", "p two-sided"), **EXACT)


def test_freeman_halton_arthritis_three_levels(table, expected):
    x, n = counts(table("arthritis"), "improved", "treatment", first="treated")
    found = ffh(x, n)
    assert found.p_value == pytest.approx(expected("ffh_arthritis", "Freeman-Halton p"), **EXACT)
    assert found.exactness == "exact"


def test_freeman_halton_simulated_agrees_within_its_standard_error(table, expected):
    x, n = counts(table("arthritis"), "improved", "treatment", first="treated")
    found = ffh(x, n, node_limit=0)
    assert found.exactness == "simulated"
    assert abs(found.p_value - expected("ffh_arthritis", "Freeman-Halton p")) < 4 * found.standard_error


def test_boschloo_vaccine(expected):
    value = expected("uncond_vaccine", "Boschloo p two-sided")
    assert boschloo(7, 15, 12, 15).p_value == pytest.approx(value, rel=1e-8)
    assert boschloo(12, 15, 7, 15).p_value == pytest.approx(value, rel=1e-8)


@pytest.mark.parametrize("case", ["56/70 - 48/80", "6/7 - 2/7", "5/56 - 0/29"])
def test_difference_of_shares(case, expected):
    first, second = case.split(" - ")
    x1, n1, x2, n2 = (np.array([float(part)]) for part in [*first.split("/"), *second.split("/")])
    id_ = "riskdiff_newcombe"
    low, high = newcombe_difference(x1, n1, x2, n2)
    assert low[0] == pytest.approx(expected(id_, f"{case} Newcombe hybrid score lower"), **EXACT)
    assert high[0] == pytest.approx(expected(id_, f"{case} Newcombe hybrid score upper"), **EXACT)
    low, high = score_difference(x1, n1, x2, n2)
    assert low[0] == pytest.approx(expected(id_, f"{case} Miettinen-Nurminen lower"), rel=1e-9)
    assert high[0] == pytest.approx(expected(id_, f"{case} Miettinen-Nurminen upper"), rel=1e-9)
    low, high = score_difference(x1, n1, x2, n2, variance="Mee")
    assert low[0] == pytest.approx(expected(id_, f"{case} Mee (no N/(N-1)) lower"), rel=1e-9)
    assert high[0] == pytest.approx(expected(id_, f"{case} Mee upper"), rel=1e-9)


@pytest.mark.parametrize("case", ["81/263", "0/20"])
def test_one_share(case, expected):
    x, n = (np.array([int(part)]) for part in case.split("/"))
    for name, limits in (("Wilson", wilson(x, n)), ("Clopper-Pearson", clopper_pearson(x, n))):
        assert limits[0][0] == pytest.approx(expected("single_proportion", f"{case} {name} lower"), **EXACT)
        assert limits[1][0] == pytest.approx(expected("single_proportion", f"{case} {name} upper"), **EXACT)


def strata(t, stratum, row, column, *, second, counted):
    """(strata, 2) counts with `second` as the second row level and `counted` as the counted outcome."""
    names = list(dict.fromkeys(t[stratum]))
    first = next(name for name in t[row] if name != second)
    n = [[t["count"][(t[stratum] == s) & (t[row] == r)].sum() for r in (first, second)] for s in names]
    x = [
        [t["count"][(t[stratum] == s) & (t[row] == r) & (t[column] == counted)].sum() for r in (first, second)]
        for s in names
    ]
    return np.array(x), np.array(n)


@pytest.mark.parametrize(
    ("id_", "file", "columns", "breslow_day_name", "tarone_name"),
    [
        (
            "cmh_ucb",
            "ucb_admissions",
            {"stratum": "dept", "row": "gender", "column": "admit", "second": "Male", "counted": "Admitted"},
            "Breslow-Day chi-square",
            "Tarone-corrected Breslow-Day chi-square",
        ),
        (
            "cmh_centers",
            "infection_centers",
            {"stratum": "center", "row": "treatment", "column": "response", "second": "drug", "counted": "success"},
            "Breslow-Day chi-square (7 df)",
            "Tarone-corrected chi-square",
        ),
    ],
)
def test_mantel_haenszel(id_, file, columns, breslow_day_name, tarone_name, table, expected):
    x, n = strata(table(file), **columns)
    test = cochran_mantel_haenszel(x, n)
    assert test.statistic == pytest.approx(expected(id_, "CMH chi-square, no correction"), rel=1e-9)
    assert test.p_value == pytest.approx(expected(id_, "p, no correction"), rel=1e-9)
    assert test.df == 1
    odds = mantel_haenszel(x, n)
    assert odds.ratio == pytest.approx(expected(id_, "Mantel-Haenszel common odds ratio"), rel=1e-9)
    assert odds.interval.low == pytest.approx(expected(id_, "95% CI lower (RBG)"), rel=1e-9)
    assert odds.interval.high == pytest.approx(expected(id_, "95% CI upper (RBG)"), rel=1e-9)
    assert breslow_day(x, n, tarone=False).statistic == pytest.approx(expected(id_, breslow_day_name), rel=1e-9)
    assert breslow_day(x, n).statistic == pytest.approx(expected(id_, tarone_name), rel=1e-9)
    assert breslow_day(x, n).df == len(n) - 1


def test_trend_smokers(table, expected):
    t = table("trend_smokers")
    x, n = t["smokers"].astype(int), t["patients"].astype(int)
    found = cochran_armitage(x, n, t["score"])
    assert found.statistic == pytest.approx(expected("trend_smokers", "trend z scores 1-4"), rel=1e-9)
    assert found.p_value == pytest.approx(expected("trend_smokers", "trend p scores 1-4"), rel=1e-9)
    last = cochran_armitage(x, n, np.array([0.0, 0, 0, 1]))
    assert last.statistic**2 == pytest.approx(expected("trend_smokers", "trend chi-square scores 0,0,0,1"), rel=1e-9)


def test_holm(table, expected):
    adjusted = holm(list(table("p_values_bh1995")["p"]))
    for number, value in enumerate(adjusted, start=1):
        assert value == pytest.approx(expected("holm_bh", f"Holm-adjusted p[{number}]"), rel=1e-9)
