"""Power of several arms, of equivalence and of strength, against slow and obvious versions and published numbers."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import optimize, stats

from labbench.science.contingency import fisher_freeman_halton
from labbench.science.power import fisher_power
from labbench.science.power_curves import (
    equivalence_curve,
    equivalence_power,
    several_arms_curve,
    several_arms_power,
    strength_curve,
    strength_power,
)


@pytest.mark.parametrize("n", [3, 5, 8, 12])
def test_two_arms_are_fishers_test(n):
    assert several_arms_power((0.05, 0.7), n) == pytest.approx(fisher_power(0.05, 0.7, n), rel=1e-9)


def test_three_arms_by_a_plain_loop_over_all_tables():
    shares, n, alpha = (0.1, 0.4, 0.9), 4, 0.05
    power = 0.0
    for failed in itertools.product(range(n + 1), repeat=3):
        found = fisher_freeman_halton(np.array(failed), np.full(3, n), rng=np.random.default_rng(1))
        if found.p_value is not None and found.p_value <= alpha:
            power += np.prod([stats.binom.pmf(x, n, share) for x, share in zip(failed, shares, strict=True)])
    assert several_arms_power(shares, n, alpha=alpha) == pytest.approx(power, rel=1e-9)


def test_arms_that_fail_alike_are_found_different_no_more_often_than_alpha():
    assert several_arms_power((0.3, 0.3, 0.3), 8) <= 0.05
    assert equivalence_power(0.3, 0.0, 20, margin=0.15) < 0.02


def test_equivalence_by_a_plain_loop():
    """Restricted shares found by a search instead of the closed form."""
    n, margin = 8, 0.4

    def z(x, y, difference):
        def minus_log_likelihood(q):
            p = q + difference
            return -(stats.binom.logpmf(x, n, p) + stats.binom.logpmf(y, n, q))

        low, high = max(0.0, -difference), min(1.0, 1 - difference)
        q = optimize.minimize_scalar(
            minus_log_likelihood, bounds=(low, high), method="bounded", options={"xatol": 1e-10}
        ).x
        p = q + difference
        return (x / n - y / n - difference) / np.sqrt((p * (1 - p) + q * (1 - q)) / n)

    power = 0.0
    for x, y in itertools.product(range(n + 1), repeat=2):
        if z(x, y, -margin) >= stats.norm.isf(0.05) and z(x, y, margin) <= -stats.norm.isf(0.05):
            power += stats.binom.pmf(x, n, 0.1) * stats.binom.pmf(y, n, 0.1)
    assert equivalence_power(0.1, 0.1, n, margin=margin) == pytest.approx(power, rel=1e-9)


def test_coupons_for_equivalence_are_near_the_normal_formula():
    """n = 2 p (1 - p) (z_0.95 + z_0.9)^2 / margin^2 for two one-sided tests without a true difference, 80 % power:
    69 per arm at 10 %, 160 at 30 %; a normal approximation (Chow, Shao and Wang,
    Sample Size Calculations in Clinical Research, chapter 4; from memory).
    """
    z = stats.norm.isf(0.05) + stats.norm.isf(0.1)
    for share in (0.1, 0.3):
        n = round(2 * share * (1 - share) * z**2 / 0.15**2)
        assert equivalence_power(share, share, n, margin=0.15) == pytest.approx(0.8, abs=0.06)


def test_strength_is_near_the_noncentral_t_of_normal_strengths():
    """Weibull strengths of modulus 3.6 are nearly normal: the power of the t-test of two arms by its noncentral t."""
    ratio, n, modulus = 0.75, 12, 3.6
    mean, sd = stats.weibull_min.mean(modulus), stats.weibull_min.std(modulus)
    pooled = np.sqrt((sd**2 + (ratio * sd) ** 2) / 2)
    shift = (1 - ratio) * mean / (pooled * np.sqrt(2 / n))
    limit = stats.t.isf(0.025, 2 * n - 2)
    expected = stats.nct.sf(limit, 2 * n - 2, shift) + stats.nct.cdf(-limit, 2 * n - 2, shift)
    found = strength_power(ratio, n, weibull_modulus=modulus, rng=np.random.default_rng(1))
    assert found.power == pytest.approx(expected, abs=0.025 + 3 * found.standard_error)
    alike = strength_power(1.0, n, weibull_modulus=modulus, rng=np.random.default_rng(1))
    assert alike.power == pytest.approx(0.05, abs=0.015)


def test_curves_name_the_smallest_size_that_is_enough():
    curve = several_arms_curve((0.05, 0.05, 0.7), range(2, 13))
    assert curve.exactness == "exact"
    powers = {point.n_per_arm: point.power for point in curve.points}
    assert powers[curve.n_per_arm] >= 0.8 > powers[curve.n_per_arm - 1]
    assert equivalence_curve(0.1, 0.1, (10, 20), margin=0.15).n_per_arm is None
    steps = []
    strength = strength_curve(
        0.7, (3, 6, 12), weibull_modulus=6, rng=np.random.default_rng(2), progress=lambda *of: steps.append(of)
    )
    assert steps == [(1, 3), (2, 3), (3, 3)]
    assert [point.power for point in strength.points] == sorted(point.power for point in strength.points)


def test_what_can_not_be_enumerated_says_so():
    (point,) = several_arms_curve((0.1,) * 8, (20,)).points
    assert (point.power, point.reason) == (None, "too many outcomes to enumerate")
    assert strength_power(0.5, 1, weibull_modulus=6, rng=np.random.default_rng(1)).power == 0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: several_arms_power((0.1, 1.2), 5), "failure share 1.2"),
        (lambda: several_arms_power((0.1, 0.2), 0), "0 coupons per arm"),
        (lambda: equivalence_power(0.1, 0.1, 5, margin=0), "margin 0"),
        (lambda: equivalence_curve(0.1, 0.1, (5,), margin=0.1, power=1), "power 1"),
        (lambda: strength_power(0, 5, weibull_modulus=5, rng=np.random.default_rng(1)), "is not from 0.01 to 100"),
    ],
)
def test_bad_input_is_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
