"""Exact and iterative methods against slow, obvious versions, and other people's programs."""

import math
from itertools import permutations, product

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import integrate, stats
from statsmodels.stats.weightstats import ttost_ind

from labbench.science.demonstration import demonstrated_reliability, demonstration_coupons
from labbench.science.equivalence import equivalent_means, equivalent_shares
from labbench.science.hazard import hazard_tests
from labbench.science.log_rank_permutation import permutation_log_rank
from labbench.science.odds import exact_odds_ratio
from labbench.science.ordered import exact_trend, jonckheere
from labbench.science.pairwise import dunn, games_howell
from labbench.science.penalised import BinomialModel, profile_limits
from labbench.science.permutation import permutation_test
from labbench.science.restricted_mean import restricted_mean
from labbench.science.studentised_range import studentised_range_quantile, studentised_range_tail
from labbench.science.survival import kaplan_meier
from labbench.science.turnbull import turnbull
from labbench.science.weibull import weibull_fit
from labbench.science.weibull_limits import percentile_bound, weibull_limits
from tests.science.sheets import column

settings.register_profile("science", deadline=None, max_examples=30, derandomize=True)
settings.load_profile("science")


def rng():
    return np.random.default_rng(1)


small_groups = st.lists(st.tuples(st.integers(0, 6), st.integers(0, 2)), min_size=3, max_size=7)


@given(small_groups)
def test_relabelling_counts_every_permutation(pairs):
    scores = np.array([score / 7 for score, _ in pairs])
    codes = np.unique([code for _, code in pairs], return_inverse=True)[1]
    assume(codes.max() > 0 and np.ptp(scores) > 0)
    sizes = np.bincount(codes)

    def statistic(order):
        centred = scores[list(order)] - scores.mean()
        return (np.bincount(codes, weights=centred) ** 2 / sizes).sum()

    every = np.array([statistic(order) for order in permutations(range(len(scores)))])
    share = (every >= statistic(range(len(scores))) - 1e-9).mean()
    found = permutation_test(scores, codes, method="test", rng=rng())
    assert found.exactness == "exact"
    assert found.p_value == pytest.approx(share, rel=1e-9)


@given(small_groups)
def test_jonckheere_counts_every_permutation(pairs):
    values = np.array([float(value) for value, _ in pairs])
    codes = np.unique([code for _, code in pairs], return_inverse=True)[1]
    assume(codes.max() > 0 and np.ptp(values) > 0)

    def pairs_in_order(order):
        v = values[list(order)]
        earlier = codes[:, None] < codes
        return ((v[:, None] < v) * earlier).sum() + ((v[:, None] == v) * earlier).sum() / 2

    every = np.array([pairs_in_order(order) for order in permutations(range(len(values)))])
    observed = pairs_in_order(range(len(values)))
    share = (np.abs(every - every.mean()) >= abs(observed - every.mean()) - 1e-9).mean()
    found = jonckheere(values, codes)
    assert found.p_value == pytest.approx(share, rel=1e-9)
    assert found.statistic == pytest.approx((observed - every.mean()) / every.std(), rel=1e-9, abs=1e-12)


@given(st.lists(st.integers(1, 4).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), min_size=2, max_size=4))
def test_exact_trend_counts_every_table(pairs):
    failed, coupons = np.array([x for x, _ in pairs]), np.array([n for _, n in pairs])
    assume(0 < failed.sum() < coupons.sum())
    doses = np.arange(len(pairs)) ** 2 * 1.5
    tables = [x for x in product(*(range(n + 1) for n in coupons)) if sum(x) == failed.sum()]
    ways = np.array([math.prod(math.comb(n, x) for n, x in zip(coupons, row, strict=True)) for row in tables])
    centre = (coupons * doses).sum() / coupons.sum() * failed.sum()
    far = np.abs(np.array(tables) @ doses - centre) >= abs(failed @ doses - centre) - 1e-9
    found = exact_trend(failed, coupons, doses, rng=rng())
    assert found.p_value == pytest.approx(ways[far].sum() / ways.sum(), rel=1e-9)


def test_relabelled_log_rank_of_few_coupons():
    # Three fail at once under one level, none under the other: 2 of the 20 ways to pick three of six.
    times, failed = np.array([1.0, 1, 1, 3, 3, 3]), np.array([True] * 3 + [False] * 3)
    found = permutation_log_rank(times, failed, np.array([0, 0, 0, 1, 1, 1]), rng=rng())
    assert found.p_value == pytest.approx(0.1, rel=1e-12)


@given(st.integers(2, 25), st.integers(2, 25), st.data())
def test_exact_odds_ratio_is_scipys(n1, n2, data):
    x1, x2 = data.draw(st.integers(0, n1)), data.draw(st.integers(0, n2))
    assume(0 < x1 + x2 < n1 + n2)
    found = exact_odds_ratio(np.array([[float(x1), x2]]), np.array([[float(n1), n2]]))
    reference = stats.contingency.odds_ratio([[x2, n2 - x2], [x1, n1 - x1]])
    limits = reference.confidence_interval()
    if found.ratio is not None:
        assert found.ratio == pytest.approx(reference.statistic, rel=1e-6)
    for ours, theirs in ((found.interval.low, limits.low), (found.interval.high, limits.high)):
        assert ours == (None if np.isinf(theirs) else pytest.approx(theirs, rel=1e-6, abs=1e-12))


@given(st.integers(0, 1000), st.integers(2, 4), st.integers(2, 9))
@settings(max_examples=2)
def test_games_howell_is_scipys(seed, groups, size):
    random = np.random.default_rng(seed)
    values = 60 + random.standard_normal(groups * size) * np.repeat(np.arange(1, groups + 1), size)
    codes = np.repeat(np.arange(groups), size)
    reference = stats.tukey_hsd(*(values[codes == g] for g in range(groups)), equal_var=False)
    limits = reference.confidence_interval()
    for pair in games_howell(values, codes, groups):
        i, j = pair.first, pair.second
        assert pair.p_value == pytest.approx(reference.pvalue[j, i], rel=1e-5, abs=1e-9)
        assert pair.interval.low == pytest.approx(limits.low[j, i], rel=1e-5, abs=1e-6)
        assert pair.interval.high == pytest.approx(limits.high[j, i], rel=1e-5, abs=1e-6)


@given(st.floats(0.3, 12), st.integers(2, 10), st.floats(2, 300))
def test_studentised_range_is_scipys(q, groups, df):
    assert studentised_range_tail(q, groups, df) == pytest.approx(
        stats.studentized_range.sf(q, groups, df), rel=1e-6, abs=1e-9
    )


def test_studentised_range_quantile_of_the_tables():
    # E. S. Pearson and H. O. Hartley, Biometrika Tables (value from memory): q(0.95; 3, 10) = 3.88.
    assert studentised_range_quantile(0.95, 3, 10) == pytest.approx(3.88, abs=0.005)


def test_dunn_by_hand():
    # Ranks 1 2 | 3 4 | 5 6: mean ranks 1.5, 3.5, 5.5; variance 6 · 7 / 12 (1/2 + 1/2) = 3.5.
    values, codes = np.array([1.0, 2, 3, 4, 5, 6]), np.array([0, 0, 1, 1, 2, 2])
    found = {(pair.first, pair.second): pair for pair in dunn(values, codes, 3)}
    assert found[0, 2].statistic == pytest.approx(4 / math.sqrt(3.5))
    assert found[0, 1].statistic == pytest.approx(2 / math.sqrt(3.5))
    assert found[0, 2].p_value == pytest.approx(3 * math.erfc(4 / math.sqrt(7)), rel=1e-9)


intervals = st.lists(st.tuples(st.integers(0, 5), st.integers(1, 3), st.booleans()), min_size=1, max_size=15)


@given(intervals)
def test_turnbull_satisfies_the_kuhn_tucker_conditions(rows):
    left = np.array([float(a) for a, _, _ in rows])
    right = np.array([math.inf if never else float(a + width) for a, width, never in rows])
    found = turnbull(left, right)
    assert found.has_converged
    assert sum(part.mass for part in found.masses) == pytest.approx(1, abs=1e-9)
    # No unit mass placed anywhere raises the likelihood.
    inside = np.array([[a <= m.after and m.up_to <= b for m in found.masses] for a, b in zip(left, right, strict=True)])
    likelihood = inside @ np.array([m.mass for m in found.masses])
    for a, b in zip(left, right, strict=True):
        for at in (a + 0.5, min(b, 99.0)):
            covers = (left < at) & (at <= right)
            assert (covers / likelihood).mean() <= 1 + 1e-6


@given(st.lists(st.tuples(st.integers(1, 6), st.booleans()), min_size=1, max_size=20))
def test_turnbull_is_kaplan_meier_when_every_round_was_looked_at(rows):
    times = np.array([float(time) for time, _ in rows])
    failed = np.array([fails for _, fails in rows])
    found = turnbull(np.where(failed, times - 1, times), np.where(failed, times, np.inf))
    for step in kaplan_meier(times, failed):
        beyond = sum(part.mass for part in found.masses if part.after >= step.round)
        assert beyond == pytest.approx(step.survival, abs=1e-7)


@given(st.lists(st.tuples(st.integers(1, 6), st.booleans()), min_size=2, max_size=20))
def test_restricted_mean_is_the_area_under_the_curve(rows):
    times = np.array([float(time) for time, _ in rows])
    failed = np.array([fails for _, fails in rows])
    found = restricted_mean(times, failed, up_to=4.0)
    assume(found.rounds is not None)
    steps = kaplan_meier(times, failed)
    edges = [0.0, *(step.round for step in steps if step.round < 4), 4.0]
    heights = [1.0, *(step.survival for step in steps if step.round < 4)]
    area = sum(height * (b - a) for height, a, b in zip(heights, edges[:-1], edges[1:], strict=True))
    assert found.rounds == pytest.approx(area, rel=1e-12)


@given(st.integers(0, 1000))
@settings(max_examples=10)
def test_cloglog_without_penalty_is_statsmodels(seed):
    random = np.random.default_rng(seed)
    design = np.column_stack([np.ones(12), random.standard_normal((12, 2))])
    coupons = random.integers(5, 20, 12).astype(float)
    failed = np.clip(random.binomial(coupons.astype(int), 0.35), 1, coupons - 1).astype(float)
    fit = BinomialModel(design, failed, coupons, link="cloglog", penalty=0.0).fit()
    family = sm.families.Binomial(link=sm.families.links.CLogLog())
    reference = sm.GLM(np.column_stack([failed, coupons - failed]), design, family=family).fit(tol=1e-12)
    assert fit.coefficients == pytest.approx(reference.params, rel=1e-6, abs=1e-8)
    assert fit.standard_errors == pytest.approx(reference.bse, rel=1e-5)


@pytest.mark.parametrize("link", ["logit", "cloglog"])
def test_penalised_gradient_is_the_slope_of_the_likelihood(link):
    random = np.random.default_rng(3)
    design = np.column_stack([np.ones(9), random.standard_normal((9, 2))])
    model = BinomialModel(design, random.integers(0, 4, 9).astype(float), np.full(9, 4.0), link=link)
    b = np.array([-0.4, 0.3, 0.8])
    for term in range(3):
        step = np.eye(3)[term] * 1e-5
        slope = (model.at(b + step).log_likelihood - model.at(b - step).log_likelihood) / 2e-5
        assert model.at(b).gradient[term] == pytest.approx(slope, rel=1e-6, abs=1e-8)


@pytest.mark.parametrize("link", ["logit", "cloglog"])
def test_profile_limit_lies_where_the_profile_has_dropped(link):
    design = np.column_stack([np.ones(4), [0, 0, 1, 1], [0, 1, 0, 1]]).astype(float)
    model = BinomialModel(design, np.array([0.0, 1, 3, 5]), np.full(4, 5.0), link=link)
    fit = model.fit()
    for limit in profile_limits(model, fit, 1):
        free = np.array([True, False, True])
        drop = fit.log_likelihood - model.fit(free=free, start=np.array([0.0, limit, 0.0])).log_likelihood
        assert 2 * drop == pytest.approx(stats.chi2.ppf(0.95, 1), rel=1e-6)


def test_hazard_of_one_round_is_a_binomial_regression():
    # 6 of 10 failed under B, 2 of 10 under A, all in round 1: the same fit as on the two shares.
    resin = column("resin", ["A"] * 10 + ["B"] * 10)
    failed = np.array([1] * 2 + [0] * 8 + [1] * 6 + [0] * 4) == 1
    times, everything = np.where(failed, 1.0, 1.0), np.ones(20, dtype=bool)
    (found,) = hazard_tests((resin,), np.full(20, -1), times, failed, everything)
    model = BinomialModel(np.array([[1.0, 0], [1, 1]]), np.array([2.0, 6]), np.array([10.0, 10]), link="cloglog")
    fit, null = model.fit(), model.fit(free=np.array([True, False]))
    assert found.test.statistic == pytest.approx(2 * (fit.log_likelihood - null.log_likelihood), rel=1e-9)
    assert found.terms[0].ratio == pytest.approx(math.exp(fit.coefficients[1]), rel=1e-7)
    assert found.proportional.p_value is None
    assert dict(found.predicted)["A"][0] == pytest.approx(math.exp(-math.exp(fit.coefficients[0])), rel=1e-7)


@given(st.integers(0, 1000), st.floats(0.5, 4))
@settings(max_examples=10)
def test_equivalence_of_means_is_statsmodels(seed, margin):
    random = np.random.default_rng(seed)
    first, second = random.normal(60, 4, 9), random.normal(61, 7, 7)
    p_value, lower, upper = ttost_ind(first, second, -margin, margin, usevar="unequal")
    found = equivalent_means(first, second, margin=margin)
    assert found.p_value == pytest.approx(p_value, rel=1e-9)
    assert found.above.p_value == pytest.approx(lower[1], rel=1e-9)
    assert found.below.p_value == pytest.approx(upper[1], rel=1e-9)


@given(st.integers(1, 40), st.integers(1, 40), st.data())
def test_equivalence_is_shown_just_when_the_interval_lies_within(n1, n2, data):
    x1, x2 = data.draw(st.integers(0, n1)), data.draw(st.integers(0, n2))
    found = equivalent_shares(x1, n1, x2, n2, margin=0.25)
    assume(abs(found.p_value - 0.05) > 1e-9)
    assert found.is_equivalent == (found.interval.low > -0.25 and found.interval.high < 0.25)


@given(st.floats(0.5, 0.995), st.floats(0.5, 0.995), st.integers(0, 4))
def test_demonstration_is_just_enough(reliability, confidence, failures):
    n = demonstration_coupons(reliability, confidence, failures=failures)
    assert stats.binom.cdf(failures, n, 1 - reliability) <= 1 - confidence + 1e-12
    if n > failures + 1:
        assert stats.binom.cdf(failures, n - 1, 1 - reliability) > 1 - confidence
    assert demonstrated_reliability(n, confidence, failures=failures) >= reliability - 1e-9


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((1.0, 0.9), "reliability 1 is not between 0 and 1"),
        ((0.9, 0.0), "confidence 0 is not between 0 and 1"),
        ((1 - 1e-12, 0.9), "too near 1"),
    ],
)
def test_demonstration_refuses_the_impossible(arguments, message):
    with pytest.raises(ValueError, match=message):
        demonstration_coupons(*arguments)


def test_conditional_bound_against_plain_integration():
    # The same integral by an adaptive rule on a sample of six.
    x = np.array([41.0, 52, 55, 60, 63, 71])
    fit = weibull_fit(x)
    a, w = fit.modulus * np.log(x / fit.characteristic_strength), math.log(-math.log(0.9))

    def density(z):
        return z ** (len(x) - 2) * math.exp(z * a.sum()) / np.exp(a * z).sum() ** len(x)

    total = integrate.quad(density, 0, 20, epsabs=0, epsrel=1e-11)[0]
    t = fit.modulus * math.log(fit.characteristic_strength / percentile_bound(x, fit, 0.9).lower_bound)

    def below(z):
        return density(z) * stats.gamma.cdf(math.exp(w + t * z) * np.exp(a * z).sum(), len(x))

    assert integrate.quad(below, 0, 20, epsabs=0, epsrel=1e-10)[0] / total == pytest.approx(0.95, abs=1e-7)


def test_conditional_limits_of_the_modulus_against_plain_integration():
    x = np.array([41.0, 52, 55, 60, 63, 71])
    fit = weibull_fit(x)
    a = fit.modulus * np.log(x / fit.characteristic_strength)

    def density(z):
        return z ** (len(x) - 2) * math.exp(z * a.sum()) / np.exp(a * z).sum() ** len(x)

    limits = weibull_limits(x, fit).modulus
    total = integrate.quad(density, 0, 20, epsabs=0, epsrel=1e-11)[0]
    for limit, share in ((limits.low, 0.025), (limits.high, 0.975)):
        below = integrate.quad(density, 0, limit / fit.modulus, epsabs=0, epsrel=1e-11)[0]
        assert below / total == pytest.approx(share, abs=1e-6)


def test_conditional_limits_cover_at_four_coupons():
    random = np.random.default_rng(4)
    hits = np.zeros(2)
    for _ in range(300):
        x = 60 * random.weibull(8, 4)
        limits = weibull_limits(x, weibull_fit(x))
        hits[0] += limits.modulus.low <= 8 <= limits.modulus.high
        hits[1] += limits.characteristic_strength.low <= 60 <= limits.characteristic_strength.high
    # Four standard errors around 0.95.
    assert np.abs(hits / 300 - 0.95).max() < 4 * math.sqrt(0.95 * 0.05 / 300)


def test_weibull_limits_hold_the_estimate_and_narrow_with_coupons():
    x = 60 * np.random.default_rng(2).weibull(9, 600)
    few, many = weibull_limits(x[:12], weibull_fit(x[:12])), weibull_limits(x, weibull_fit(x))
    assert few.modulus.low < weibull_fit(x[:12]).modulus < few.modulus.high
    assert many.modulus.high - many.modulus.low < few.modulus.high - few.modulus.low
