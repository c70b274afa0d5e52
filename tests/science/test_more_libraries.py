"""The methods that `test_against_libraries` leaves out, on random data: scipy, statsmodels, firthmodels."""

import math
import warnings

import numpy as np
import pytest
import statsmodels.api as sm
from firthmodels import FirthLogisticRegression
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import optimize, stats
from statsmodels.stats.contingency_tables import Table
from statsmodels.stats.proportion import confint_proportions_2indep
from statsmodels.stats.proportion import test_proportions_2indep as two_shares

from labbench.science.against_margin import shares_against, strengths_against
from labbench.science.comparisons import censored_strength
from labbench.science.pairwise import dunn, games_howell
from labbench.science.penalised import BinomialModel, profile_limits
from labbench.science.permutation import permutation_test
from labbench.science.proportions import newcombe_difference, score_difference, score_statistic
from labbench.science.regression import adjusted_tests
from labbench.science.stratified import cochran_mantel_haenszel
from labbench.science.strength import strength_ratio
from labbench.science.studentised_range import studentised_range_tail
from labbench.science.survival import kaplan_meier
from labbench.science.trend import cochran_armitage
from labbench.science.weibull import weibull_fit
from labbench.science.weibull_limits import percentile
from tests.science.sheets import column

settings.register_profile("science", deadline=None, max_examples=30, derandomize=True)
settings.load_profile("science")

share = st.integers(2, 15).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


def arrays(*values):
    return [np.array([float(value)]) for value in values]


def slow_score_statistic(x1, n1, x2, n2, difference):
    """Miettinen and Nurminen's z with the restricted shares by a root search of the likelihood's slope (not the cubic)."""

    def slope(p):
        q = p - difference
        parts = ((x1, p), (x1 - n1, 1 - p), (x2, q), (x2 - n2, 1 - q))
        return sum(count / share for count, share in parts if count)

    low, high = max(0.0, difference) + 1e-12, min(1.0, 1 + difference) - 1e-12
    if slope(low) < 0:
        p = low
    elif slope(high) > 0:
        p = high
    else:
        p = optimize.brentq(slope, low, high, xtol=1e-16, rtol=1e-15)
    q, total = p - difference, n1 + n2
    variance = (p * (1 - p) / n1 + q * (1 - q) / n2) * total / (total - 1)
    return (x1 / n1 - x2 / n2 - difference) / math.sqrt(variance)


@given(share, share, st.floats(-0.6, 0.6))
def test_score_statistic_of_a_difference(first, second, difference):
    (x1, n1), (x2, n2) = first, second
    ours = score_statistic(*arrays(x1, n1, x2, n2), np.array([difference]))[0]
    # Next to shares of 0 and 1 the search ends 1e-12 away from them.
    assume(abs(ours) < 1e3 and abs(difference) > 1e-3)
    assert ours == pytest.approx(slow_score_statistic(x1, n1, x2, n2, difference), rel=1e-6, abs=1e-7)


@given(share, share)
def test_score_statistic_without_a_difference_is_the_pooled_one(first, second):
    # Only there: with a difference the restricted estimates of statsmodels 0.15 do not maximise the likelihood.
    (x1, n1), (x2, n2) = first, second
    assume(0 < x1 < n1 and 0 < x2 < n2)
    ours = score_statistic(*arrays(x1, n1, x2, n2), np.zeros(1))[0]
    theirs = two_shares(x1, n1, x2, n2, value=0, method="score", compare="diff", correction=True)
    assert ours == pytest.approx(theirs.statistic, rel=1e-8, abs=1e-10)


@given(share, share)
def test_limits_of_a_difference(first, second):
    (x1, n1), (x2, n2) = first, second
    newcombe = confint_proportions_2indep(x1, n1, x2, n2, method="newcomb", compare="diff")
    low, high = newcombe_difference(*arrays(x1, n1, x2, n2))
    assert (low[0], high[0]) == pytest.approx(newcombe, rel=1e-8, abs=1e-12)
    for limit in score_difference(*arrays(x1, n1, x2, n2)):
        if abs(limit[0]) < 1 - 1e-9:
            z = slow_score_statistic(x1, n1, x2, n2, float(limit[0]))
            assert abs(z) == pytest.approx(stats.norm.ppf(0.975), rel=1e-6)


@given(share, share)
def test_shares_against_a_margin(first, second):
    (x1, n1), (x2, n2) = first, second
    found = shares_against((x1, x2), (n1, n2), "reference repairs", margin=0.2, alpha=0.05)
    below, above = (slow_score_statistic(x1, n1, x2, n2, margin) for margin in (0.2, -0.2))
    assert found.non_inferiority_p_value == pytest.approx(stats.norm.cdf(below), rel=1e-5, abs=1e-12)
    assert found.equivalence_p_value == pytest.approx(
        max(stats.norm.cdf(below), stats.norm.sf(above)), rel=1e-5, abs=1e-12
    )


@given(st.lists(share, min_size=2, max_size=5))
def test_trend(pairs):
    failed, coupons = np.array([x for x, _ in pairs]), np.array([n for _, n in pairs])
    assume(0 < failed.sum() < coupons.sum())
    doses = np.arange(len(pairs)) ** 1.5
    found = cochran_armitage(failed, coupons, doses)
    # Theirs divides the variance by N - 1 where Armitage's has N.
    theirs = Table(np.column_stack([coupons - failed, failed]), shift_zeros=False).test_ordinal_association(
        row_scores=doses, col_scores=np.array([0.0, 1.0])
    )
    total = coupons.sum()
    assert found.statistic == pytest.approx(theirs.zscore * math.sqrt(total / (total - 1)), rel=1e-8, abs=1e-10)


coupon_lives = st.lists(st.tuples(st.integers(1, 5), st.booleans(), st.integers(0, 3)), min_size=6, max_size=40)


@given(coupon_lives)
def test_generalised_mantel_haenszel_over_strata(lives):
    # One time only: then their stratified log-rank test is the Mantel-Haenszel test of the tables.
    strata, failed, codes = (np.array(part) for part in zip(*lives, strict=True))
    assume(failed.any() and not failed.all() and len(np.unique(codes)) > 1)
    shape = (6, 4)
    coupons = np.bincount(strata * 4 + codes, minlength=24).reshape(shape).astype(float)
    counts = np.bincount(strata * 4 + codes, weights=failed, minlength=24).reshape(shape)
    found = cochran_mantel_haenszel(counts, coupons)
    assume(found.p_value is not None and found.df == len(np.unique(codes)) - 1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        statistic, p_value = sm.duration.survdiff(np.ones(len(codes)), failed.astype(int), codes, strata=strata)
    assert found.statistic == pytest.approx(statistic, rel=1e-8, abs=1e-10)
    assert found.p_value == pytest.approx(p_value, rel=1e-8)


@given(coupon_lives, st.floats(0.6, 0.99))
def test_kaplan_meier_limits(lives, confidence):
    times = np.array([float(time) for time, _, _ in lives])
    failed = np.array([fails for _, fails, _ in lives])
    curve = stats.ecdf(stats.CensoredData.right_censored(times, ~failed)).sf
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        limits = curve.confidence_interval(confidence, method="log-log")
    ours = {step.round: step for step in kaplan_meier(times, failed, confidence=confidence)}
    for at, low, high in zip(curve.quantiles, limits.low.probabilities, limits.high.probabilities, strict=True):
        if ours[at].low is not None:
            assert (ours[at].low, ours[at].high) == pytest.approx((low, high), rel=1e-8)


@given(st.integers(0, 10_000), st.integers(2, 12), st.integers(2, 12), st.floats(0.6, 0.999))
def test_ratio_of_strengths_is_welchs_interval_of_values_over_their_means(seed, n, m, confidence):
    random = np.random.default_rng(seed)
    x, y = random.uniform(20, 60, n), random.uniform(50, 90, m)
    found = strength_ratio(x, y, confidence=confidence)
    limits = stats.ttest_ind(x / x.mean(), y / y.mean(), equal_var=False).confidence_interval(confidence)
    assert found.ratio == pytest.approx(x.mean() / y.mean(), rel=1e-12)
    assert found.interval.low == pytest.approx(found.ratio * math.exp(limits.low), rel=1e-8)
    assert found.interval.high == pytest.approx(found.ratio * math.exp(limits.high), rel=1e-8)


@given(st.integers(0, 10_000), st.integers(2, 9), st.integers(2, 9), st.floats(0.05, 0.4))
def test_strengths_against_a_margin_is_a_t_test_of_logarithms(seed, n, m, margin):
    random = np.random.default_rng(seed)
    x, y = random.uniform(20, 60, n), random.uniform(30, 60, m)
    found = strengths_against(x, y, "other levels", margin=margin, alpha=0.05)
    shifted = stats.ttest_ind(np.log(x) - math.log(1 - margin), np.log(y), equal_var=False, alternative="greater")
    assert found.non_inferiority_p_value == pytest.approx(shifted.pvalue, rel=1e-8)
    limits = stats.ttest_ind(np.log(x), np.log(y), equal_var=False).confidence_interval(0.90)
    assert found.interval.low == pytest.approx(math.exp(limits.low), rel=1e-8)


stresses = st.lists(st.tuples(st.integers(20, 60), st.booleans(), st.integers(0, 2)), min_size=4, max_size=30)


@given(stresses)
def test_censored_strength(coupons):
    values = np.array([float(value) for value, _, _ in coupons])
    is_bound = np.array([bound for _, bound, _ in coupons])
    codes = np.array([code for _, _, code in coupons])
    assume(len(np.unique(codes)) > 1)
    found = censored_strength(values, is_bound, codes)
    assume(found.p_value is not None and found.df == len(np.unique(codes)) - 1)
    statistic, p_value = sm.duration.survdiff(values, (~is_bound).astype(int), codes)
    assert found.statistic == pytest.approx(statistic, rel=1e-8, abs=1e-10)
    assert found.p_value == pytest.approx(p_value, rel=1e-8)


@given(st.integers(0, 10_000), st.integers(4, 60), st.floats(0.7, 30), st.floats(0.0, 0.7))
def test_weibull_fit_with_bounds_is_where_the_likelihood_is_flat(seed, n, modulus, share_censored):
    random = np.random.default_rng(seed)
    x, is_bound = 60 * random.weibull(modulus, n), random.random(n) < share_censored
    assume((~is_bound).sum() >= 2)
    fit = weibull_fit(x, is_censored=is_bound)

    def log_likelihood(log_m, log_s):
        m, s = math.exp(log_m), math.exp(log_s)
        return (
            stats.weibull_min.logpdf(x[~is_bound], m, 0, s).sum() + stats.weibull_min.logsf(x[is_bound], m, 0, s).sum()
        )

    at = np.log([fit.modulus, fit.characteristic_strength])
    assert fit.log_likelihood == pytest.approx(log_likelihood(*at), rel=1e-9, abs=1e-9)
    found = optimize.minimize(
        lambda b: -log_likelihood(*b), at + np.array([0.01, 0.002]), method="BFGS", options={"gtol": 1e-9}
    )
    assert -found.fun <= fit.log_likelihood + 1e-8
    assert fit.modulus == pytest.approx(math.exp(found.x[0]), rel=1e-4)
    assert percentile(fit, 0.9) == pytest.approx(
        stats.weibull_min.ppf(0.1, fit.modulus, 0, fit.characteristic_strength), rel=1e-10
    )


@given(st.lists(st.tuples(st.integers(1, 20), st.integers(0, 1)), min_size=4, max_size=30))
def test_dunn_of_two_levels_is_the_kruskal_wallis_test(pairs):
    values, codes = np.array([float(value) for value, _ in pairs]), np.array([code for _, code in pairs])
    assume(0 < codes.sum() < len(codes) and np.ptp(values) > 0)
    (found,) = dunn(values, codes, 2)
    reference = stats.kruskal(values[codes == 0], values[codes == 1])
    assert found.statistic**2 == pytest.approx(reference.statistic, rel=1e-8, abs=1e-10)
    assert found.p_value == pytest.approx(reference.pvalue, rel=1e-8)


@given(st.integers(0, 10_000), st.integers(3, 12), st.integers(3, 12))
def test_games_howell_of_two_levels_is_welchs_t_test(seed, n, m):
    random = np.random.default_rng(seed)
    x, y = random.normal(60, 4, n), random.normal(63, 9, m)
    (found,) = games_howell(np.concatenate([x, y]), np.repeat([0, 1], [n, m]), 2)
    reference = stats.ttest_ind(y, x, equal_var=False)
    limits = reference.confidence_interval()
    assert found.p_value == pytest.approx(reference.pvalue, rel=1e-8)
    assert (found.interval.low, found.interval.high) == pytest.approx((limits.low, limits.high), rel=1e-8)


@pytest.mark.parametrize(("q", "groups", "df"), [(3.5, 3, 4.2), (4.7, 4, 11.0), (6.0, 8, 2.5), (2.0, 5, 60.0)])
def test_studentised_range_to_nine_digits(q, groups, df):
    assert studentised_range_tail(q, groups, df) == pytest.approx(stats.studentized_range.sf(q, groups, df), rel=1e-8)


@given(st.lists(st.integers(0, 9), min_size=4, max_size=9), st.data())
@settings(max_examples=15)
def test_relabelling_two_levels_is_scipys_exact_permutation_test(values, data):
    x = np.array(values, dtype=float)
    n = data.draw(st.integers(2, len(x) - 2))
    assume(np.ptp(x) > 0)
    codes = np.repeat([0, 1], [n, len(x) - n])

    def far(a, b, axis):
        return np.abs(a.mean(axis=axis) - b.mean(axis=axis))

    reference = stats.permutation_test((x[:n], x[n:]), far, vectorized=True, alternative="greater", n_resamples=np.inf)
    found = permutation_test(x, codes, method="test", rng=np.random.default_rng(1))
    assert found.p_value == pytest.approx(reference.pvalue, rel=1e-9)


@given(st.integers(0, 10_000))
@settings(max_examples=5)
def test_firth_tests_and_profile_limits(seed):
    random = np.random.default_rng(seed)
    n = 40
    resin, lamp = random.integers(0, 2, n), random.integers(0, 2, n)
    failed = random.random(n) < np.where(resin == 1, 0.7, 0.2)
    columns = np.column_stack([resin, lamp]).astype(float)
    assume(0 < failed.sum() < n and np.linalg.matrix_rank(np.column_stack([np.ones(n), columns])) == 3)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference = FirthLogisticRegression(max_iter=500, gtol=1e-7, xtol=1e-7).fit(columns, failed.astype(int))
        limits = reference.conf_int(method="pl")
        reference.lrt()
    model = BinomialModel(np.column_stack([np.ones(n), columns]), failed.astype(float), np.ones(n))
    fit = model.fit()
    for term in (0, 1):
        assert profile_limits(model, fit, term + 1) == pytest.approx(tuple(limits[term]), rel=1e-4, abs=1e-4)
    factors = (column("resin", list(map(str, resin))), column("lamp", list(map(str, lamp))))
    tests = adjusted_tests(factors, failed, np.ones(n, dtype=bool))
    for number, found in enumerate(tests):
        assert found.test.p_value == pytest.approx(reference.lrt_pvalues_[number], rel=1e-5)
