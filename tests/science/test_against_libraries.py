"""Random data through other people's programs: statsmodels, scipy, firthmodels."""

import math
import warnings
from itertools import product

import numpy as np
import pytest
import statsmodels.api as sm
from firthmodels import FirthLogisticRegression
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.contingency_tables import StratifiedTable
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.oneway import anova_oneway
from statsmodels.stats.proportion import proportion_confint

from labbench.science.comparisons import kruskal_wallis, welch_anova
from labbench.science.contingency import fisher_freeman_halton
from labbench.science.intervals import clopper_pearson, wilson
from labbench.science.multiplicity import holm
from labbench.science.penalised import BinomialModel
from labbench.science.proportions import newcombe_difference, score_statistic
from labbench.science.stratified import breslow_day, cochran_mantel_haenszel, mantel_haenszel
from labbench.science.survival import kaplan_meier, log_rank
from labbench.science.unconditional import boschloo
from labbench.science.weibull import weibull_fit

# No deadline: the machine that runs this may be busy.
settings.register_profile("science", deadline=None, max_examples=40, derandomize=True)
settings.load_profile("science")

level = st.integers(1, 12).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
levels = st.lists(level, min_size=2, max_size=4)


def counts(pairs):
    return np.array([x for x, _ in pairs]), np.array([n for _, n in pairs])


def slow_freeman_halton(failed, coupons):
    """Every table with the margins, one by one."""
    tables = [x for x in product(*(range(n + 1) for n in coupons)) if sum(x) == sum(failed)]
    weights = [math.prod(math.comb(n, x) for n, x in zip(coupons, row, strict=True)) for row in tables]
    observed = math.prod(math.comb(n, x) for n, x in zip(coupons, failed, strict=True))
    return sum(weight for weight in weights if weight <= observed) / sum(weights)


@given(levels)
def test_freeman_halton_against_enumeration_in_whole_numbers(pairs):
    failed, coupons = counts(pairs)
    found = fisher_freeman_halton(failed, coupons, rng=np.random.default_rng(1))
    assert found.exactness == "exact"
    assert found.p_value == pytest.approx(slow_freeman_halton(failed.tolist(), coupons.tolist()), rel=1e-9)


@given(st.integers(2, 60), st.integers(2, 60), st.data())
def test_freeman_halton_of_two_levels_is_fishers_test(n1, n2, data):
    x1, x2 = data.draw(st.integers(0, n1)), data.draw(st.integers(0, n2))
    found = fisher_freeman_halton(np.array([x1, x2]), np.array([n1, n2]), rng=np.random.default_rng(1))
    assert found.p_value == pytest.approx(stats.fisher_exact([[x1, n1 - x1], [x2, n2 - x2]]).pvalue, rel=1e-8)


@given(st.integers(1, 15), st.data())
@settings(max_examples=15)
def test_boschloo_of_equal_arms(n, data):
    # scipy doubles the smaller one-sided p-value, which is the same for equal arms; it takes the samples as columns.
    x1, x2 = data.draw(st.integers(0, n)), data.draw(st.integers(0, n))
    assume(boschloo(x1, n, x2, n).p_value < 1)
    reference = stats.boschloo_exact([[x1, x2], [n - x1, n - x2]], n=64).pvalue
    # scipy's optimiser may stop below the supremum, never above it.
    found = boschloo(x1, n, x2, n).p_value
    assert found >= reference * (1 - 1e-9)
    assert found == pytest.approx(reference, rel=1e-4)


@given(level, st.floats(0.5, 0.999))
def test_intervals_of_one_share(pair, confidence):
    x, n = pair
    for ours, name in ((clopper_pearson, "beta"), (wilson, "wilson")):
        low, high = ours(np.array([x]), np.array([n]), confidence=confidence)
        reference = proportion_confint(x, n, alpha=1 - confidence, method=name)
        assert low[0] == pytest.approx(reference[0], rel=1e-8, abs=1e-12)
        assert high[0] == pytest.approx(reference[1], rel=1e-8, abs=1e-12)


@given(level, level, st.floats(-0.95, 0.95))
def test_restricted_likelihood_behind_the_score_statistic(first, second, difference):
    # The restricted estimate maximises the likelihood on a fine grid of what is possible.
    (x1, n1), (x2, n2) = first, second
    low, high = max(0.0, difference), min(1.0, 1 + difference)
    p = np.linspace(low, high, 20_001)
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = [
            np.where(count == 0, 0.0, count * np.log(np.clip(share, 0, 1)))
            for count, share in ((x1, p), (n1 - x1, 1 - p), (x2, p - difference), (n2 - x2, 1 - p + difference))
        ]
    best = p[np.argmax(np.sum(parts, axis=0))]
    spread = (best * (1 - best) / n1 + (best - difference) * (1 - best + difference) / n2) * (n1 + n2) / (n1 + n2 - 1)
    assume(spread > 1e-6)
    z = score_statistic(*(np.array([float(v)]) for v in (x1, n1, x2, n2)), np.array([difference]))[0]
    assert z == pytest.approx((x1 / n1 - x2 / n2 - difference) / math.sqrt(spread), rel=2e-2, abs=1e-3)


@given(level, level)
def test_newcombe_turns_around_when_arms_are_swapped(first, second):
    a = [np.array([float(v)]) for v in first]
    b = [np.array([float(v)]) for v in second]
    low, high = newcombe_difference(*a, *b)
    swapped_low, swapped_high = newcombe_difference(*b, *a)
    assert low[0] == pytest.approx(-swapped_high[0], abs=1e-12)
    assert high[0] == pytest.approx(-swapped_low[0], abs=1e-12)


strata = st.lists(st.tuples(level, level), min_size=2, max_size=5)


@given(strata)
def test_mantel_haenszel(pairs):
    x = np.array([[a[0], b[0]] for a, b in pairs], dtype=float)
    n = np.array([[a[1], b[1]] for a, b in pairs], dtype=float)
    odds = mantel_haenszel(x, n)
    assume(odds.ratio is not None)
    tables = [np.array([[b, nb - b], [a, na - a]]) for (a, na), (b, nb) in pairs]
    reference = StratifiedTable([table.astype(float) for table in tables])
    assert odds.ratio == pytest.approx(reference.oddsratio_pooled, rel=1e-8)
    low, high = reference.oddsratio_pooled_confint()
    assert odds.interval.low == pytest.approx(low, rel=1e-8)
    assert odds.interval.high == pytest.approx(high, rel=1e-8)
    test = cochran_mantel_haenszel(x, n)
    assert test.statistic == pytest.approx(reference.test_null_odds().statistic, rel=1e-8, abs=1e-12)
    # Their homogeneity test has no answer when a stratum has an empty margin or the ratio is one.
    if all(table.sum(axis=0).all() for table in tables) and abs(odds.ratio - 1) > 1e-6:
        assert breslow_day(x, n).statistic == pytest.approx(
            reference.test_equal_odds(adjust=True).statistic, rel=1e-6, abs=1e-8
        )


@given(st.lists(st.lists(level, min_size=3, max_size=3), min_size=1, max_size=1))
def test_generalised_mantel_haenszel_of_one_stratum_is_pearson_times_n_minus_one_over_n(one):
    failed, coupons = counts(one[0])
    assume(0 < failed.sum() < coupons.sum())
    found = cochran_mantel_haenszel(failed[None].astype(float), coupons[None].astype(float))
    pearson = stats.chi2_contingency(np.array([failed, coupons - failed]), correction=False)
    total = coupons.sum()
    assert found.statistic == pytest.approx(pearson.statistic * (total - 1) / total, rel=1e-9, abs=1e-12)
    assert found.df == 2


coupon_lives = st.lists(st.tuples(st.integers(1, 6), st.booleans(), st.integers(0, 2)), min_size=4, max_size=40)


@given(coupon_lives)
def test_kaplan_meier_and_log_rank(lives):
    times = np.array([float(time) for time, _, _ in lives])
    failed = np.array([fails for _, fails, _ in lives])
    codes = np.array([group for _, _, group in lives])
    assume(failed.any() and len(np.unique(codes)) > 1)
    reference = sm.SurvfuncRight(times, failed.astype(int))
    ours = {step.round: step for step in kaplan_meier(times, failed)}
    for time, survival, error in zip(reference.surv_times, reference.surv_prob, reference.surv_prob_se, strict=True):
        assert ours[time].survival == pytest.approx(survival, abs=1e-12)
        if 0 < survival < 1:
            assert ours[time].standard_error == pytest.approx(error, rel=1e-9)
    found = log_rank(times, failed, codes, 3)
    assume(found.p_value is not None and found.df == len(np.unique(codes)) - 1)
    statistic, p_value = sm.duration.survdiff(times, failed.astype(int), codes)
    assert found.statistic == pytest.approx(statistic, rel=1e-8, abs=1e-10)
    assert found.p_value == pytest.approx(p_value, rel=1e-8)


def test_stratified_log_rank():
    rng = np.random.default_rng(5)
    times, failed = rng.integers(1, 7, 200).astype(float), rng.random(200) < 0.6
    codes, blocks = rng.integers(0, 3, 200), rng.integers(0, 9, 200)
    statistic, _ = sm.duration.survdiff(times, failed.astype(int), codes, strata=blocks)
    assert log_rank(times, failed, codes, 3, strata=blocks).statistic == pytest.approx(statistic, rel=1e-9)


@given(st.integers(0, 10_000), st.integers(10, 60), st.integers(1, 4))
@settings(max_examples=25)
def test_firth(seed, n, terms):
    rng = np.random.default_rng(seed)
    columns = rng.standard_normal((n, terms))
    # A coarse column separates failed from held now and then.
    columns[:, 0] = rng.random(n) < 0.3
    failed = rng.random(n) < 1 / (1 + np.exp(1 - 2 * columns[:, 0]))
    design = np.column_stack([np.ones(n), columns])
    assume(np.linalg.matrix_rank(design) == terms + 1 and 0 < failed.sum() < n)
    with warnings.catch_warnings():
        # Their steps may go round in circles at a coupon that has a term to itself, close to the answer all the same.
        warnings.simplefilter("ignore")
        reference = FirthLogisticRegression(max_iter=500, gtol=1e-10, xtol=1e-10).fit(columns, failed.astype(int))
    fit = BinomialModel(design, failed.astype(float), np.ones(n)).fit()
    assert fit.has_converged
    assert fit.coefficients[0] == pytest.approx(float(reference.intercept_), rel=1e-6, abs=1e-7)
    assert fit.coefficients[1:] == pytest.approx(reference.coef_, rel=1e-6, abs=1e-7)
    assert fit.log_likelihood == pytest.approx(reference.loglik_, rel=1e-9)


def test_firth_grouped_is_firth_on_single_coupons():
    design = np.array([[1.0, 0], [1, 1]])
    grouped = BinomialModel(design, np.array([2.0, 5]), np.array([9.0, 7])).fit()
    single = np.repeat(design, [9, 7], axis=0)
    failed = np.array([1.0] * 2 + [0] * 7 + [1] * 5 + [0] * 2)
    assert grouped.coefficients == pytest.approx(
        BinomialModel(single, failed, np.ones(16)).fit().coefficients, rel=1e-9
    )
    # A saturated table has the closed form log((x + ½) / (n - x + ½)); Firth (1993), sec. 3.
    assert grouped.coefficients[0] == pytest.approx(math.log(2.5 / 7.5), rel=1e-9)


values = st.lists(st.tuples(st.integers(1, 30), st.integers(0, 2)), min_size=6, max_size=30)


@given(values)
def test_kruskal_wallis_and_welch(pairs):
    x = np.array([value / 3 for value, _ in pairs])
    codes = np.array([code for _, code in pairs])
    groups = [x[codes == code] for code in np.unique(codes)]
    assume(len(groups) > 1 and len(np.unique(x)) > 1)
    reference = stats.kruskal(*groups)
    found = kruskal_wallis(x, codes)
    assert found.statistic == pytest.approx(reference.statistic, rel=1e-9, abs=1e-11)
    assert found.p_value == pytest.approx(reference.pvalue, rel=1e-9)
    assume(all(len(group) > 1 and np.ptp(group) > 0 for group in groups))
    welch = anova_oneway(groups, use_var="unequal")
    found = welch_anova(x, codes)
    assert found.statistic == pytest.approx(welch.statistic, rel=1e-8, abs=1e-11)
    assert found.denominator_df == pytest.approx(welch.df_denom, rel=1e-8)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=12))
@settings(max_examples=10)
def test_holm(p_values):
    assert holm(p_values) == pytest.approx(multipletests(p_values, method="holm")[1], rel=1e-12, abs=1e-300)


@given(st.integers(0, 10_000), st.integers(5, 80), st.floats(0.5, 40))
def test_weibull(seed, n, modulus):
    x = 60 * np.random.default_rng(seed).weibull(modulus, n)
    fit = weibull_fit(x)
    # The location is fixed at zero there too; their simplex search stops early, ours solves the equation.
    reference = stats.weibull_min.fit(x, floc=0)
    assert fit.modulus == pytest.approx(reference[0], rel=2e-3)
    assert fit.log_likelihood >= stats.weibull_min.logpdf(x, *reference).sum() - 1e-7
    assert fit.log_likelihood == pytest.approx(
        stats.weibull_min.logpdf(x, fit.modulus, 0, fit.characteristic_strength).sum(), rel=1e-9
    )
