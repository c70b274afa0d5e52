"""Power and sample sizes: what small arms can't show, the saw-tooth, bad input."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy import stats

from labbench.science.power import _p_values, demonstration, fisher_power, power_document, two_arms
from labbench.science.unconditional import fisher_p_values


def test_three_per_arm_can_never_convince():
    """Three of three against none of three: p = 2 / C(6, 3) = 0.10, so the power at 0.05 is nil."""
    assert stats.fisher_exact(np.array([[3, 0], [0, 3]])).pvalue == pytest.approx(0.1)
    assert fisher_power(0.0, 1.0, 3) == 0
    assert fisher_power(0.0, 1.0, 3, alpha=0.1) == 1


@pytest.mark.parametrize(("p1", "p2", "n", "alpha"), [(0.05, 0.7, 6, 0.05), (0.2, 0.5, 11, 0.1), (0.3, 0.3, 9, 0.05)])
def test_agrees_with_enumeration(p1, p2, n, alpha):
    expected = 0.0
    for x in range(n + 1):
        for y in range(n + 1):
            p_value = stats.fisher_exact(np.array([[x, n - x], [y, n - y]])).pvalue
            if p_value <= alpha:
                expected += stats.binom.pmf(x, n, p1) * stats.binom.pmf(y, n, p2)
    assert fisher_power(p1, p2, n, alpha=alpha) == pytest.approx(expected, rel=1e-9)


def test_the_number_holds_for_all_larger_ones():
    arms = two_arms(0.05, 0.7, power=0.8)
    powers = {n: fisher_power(0.05, 0.7, n) for n in range(2, 60)}
    assert all(power >= 0.8 for n, power in powers.items() if n >= arms.n_per_arm)
    assert powers[arms.n_per_arm - 1] < 0.8
    assert [(row.n_per_arm, row.power) for row in arms.table] == [(n, powers[n]) for n in range(2, 31)]


def test_power_does_not_rise_steadily():
    powers = [row.power for row in two_arms(0.05, 0.7).table]
    assert min(np.diff(powers)) < 0


def test_many_coupons():
    """The normal approximation without continuity correction needs 138 per arm; the exact test some more."""
    arms = two_arms(0.05, 0.15, power=0.8)
    powers = {n: fisher_power(0.05, 0.15, n) for n in range(120, 180)}
    assert arms.n_first == min(n for n, power in powers.items() if power >= 0.8)
    assert arms.n_per_arm == max(n for n, power in powers.items() if power < 0.8) + 1
    assert 138 <= arms.n_first <= arms.n_per_arm < 170


@pytest.mark.parametrize(
    ("shares", "reason"), [((0.2, 0.2), "fail alike"), ((0.05, 0.051), "more than 500 coupons per arm are needed")]
)
def test_what_no_number_shows(shares, reason):
    arms = two_arms(*shares)
    assert (arms.n_per_arm, arms.power) == (None, None)
    assert reason in arms.reason
    assert len(arms.table) == 29


@pytest.mark.parametrize("n", [1, 2, 7, 20])
def test_every_p_value_is_that_of_any_two_arms(n):
    assert _p_values(n) == pytest.approx(fisher_p_values(n, n), rel=1e-9)


def test_order_of_the_arms_does_not_matter():
    assert fisher_power(0.7, 0.05, 9) == pytest.approx(fisher_power(0.05, 0.7, 9), rel=1e-12)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: two_arms(-0.1, 0.5), "baseline -0.1 is not between 0 and 1"),
        (lambda: two_arms(0.1, float("nan")), "failing nan is not between 0 and 1"),
        (lambda: two_arms(0.1, 0.5, alpha=0), "alpha 0 is not between 0 and 1, both excluded"),
        (lambda: two_arms(0.1, 0.5, power=1), "power 1 is not between 0 and 1, both excluded"),
        (lambda: fisher_power(0.1, 0.5, 0), "0 coupons per arm are not possible"),
        (lambda: demonstration(1.0, 0.9), "reliability 1 is not between 0 and 1"),
        (lambda: demonstration(0.9, 0.9, -1), "-1 failures are not possible"),
        (lambda: demonstration(1 - 1e-12, 0.9), "too near 1"),
    ],
)
def test_what_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_a_failure_more_takes_more_coupons():
    sizes = [demonstration(0.9, 0.9, failures).n for failures in range(8)]
    assert sizes == sorted(set(sizes))
    assert demonstration(0.9, 0.9).reached_confidence == pytest.approx(1 - 0.9**22, rel=1e-9)


def test_document():
    """Keys and plain JSON numbers."""
    document = power_document(two_arms(0.05, 0.7), demonstration(0.9, 0.9))
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert document["two_arms"]["table"][0].keys() == {"n_per_arm", "power"}
    assert {"n", "failures", "reliability", "confidence"} <= document["demonstration"].keys()
    assert power_document(None, None) == {"two_arms": None, "demonstration": None}
    assert "reason" in power_document(two_arms(0.2, 0.2), None)["two_arms"]
