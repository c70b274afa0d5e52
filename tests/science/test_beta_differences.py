"""Chances about the difference of two Beta variables, against sums, quadrature and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, special, stats

from labbench.science.beta_differences import chance_above, chance_of_spread


def summed(a: int, b: int, c: int, d: int) -> float:
    """P(X > Y) for whole parameters, by the finite sum over the negative hypergeometric distribution."""
    i = np.arange(a)
    return float(
        np.exp(special.betaln(c + i, b + d) - np.log(b + i) - special.betaln(1 + i, b) - special.betaln(c, d)).sum()
    )


def one(a, b, c, d, **options) -> float:
    return float(chance_above(*(np.array([float(value)]) for value in (a, b, c, d)), **options)[0])


def test_prior_chance_that_an_exposed_group_fails_more():
    """Worked example of the method: Beta(3, 1) above Beta(1, 9), 219/220."""
    assert one(3, 1, 1, 9) == pytest.approx(219 / 220, rel=1e-12)


@pytest.mark.parametrize(
    "parameters",
    [(1, 1, 1, 1), (3, 1, 1, 9), (6, 1, 1, 15), (1, 9, 3, 1), (40, 8, 3, 90), (2, 60, 50, 1), (300, 20, 5, 2)],
)
def test_agrees_with_the_finite_sum(parameters):
    assert one(*parameters) == pytest.approx(summed(*parameters), rel=1e-9)


def test_no_loss_with_very_many_coupons():
    assert one(20_003, 30_001, 20_001, 30_009) == pytest.approx(summed(20_003, 30_001, 20_001, 30_009), rel=1e-7)


@pytest.mark.parametrize("margin", [0.05, 0.15, 0.5])
@pytest.mark.parametrize("parameters", [(3, 1, 1, 9), (8, 1, 1, 14), (5, 6, 2, 21), (1.5, 40, 1, 80)])
def test_margin_agrees_with_quadrature(parameters, margin):
    a, b, c, d = parameters
    expected, _ = integrate.quad(
        lambda y: stats.beta.pdf(y, c, d) * stats.beta.sf(y + margin, a, b), 0, 1 - margin, limit=400, epsabs=1e-12
    )
    assert one(a, b, c, d, margin=margin) == pytest.approx(expected, abs=1e-8)


def test_margin_over_rounds_agrees_with_simulation():
    rng = np.random.default_rng(5)
    x, y = rng.beta(3, 5, 400_000), rng.beta(1, 25, 400_000)
    gap = (1 - (1 - x) ** 3) - (1 - (1 - y) ** 3)
    share = (gap > 0.4).mean()
    assert one(3, 5, 1, 25, margin=0.4, rounds=3) == pytest.approx(
        share, abs=4 * np.sqrt(share * (1 - share) / 400_000)
    )


def test_spread_of_two_is_the_two_sided_difference():
    two_sided = one(4, 3, 2, 9, margin=0.2) + one(2, 9, 4, 3, margin=0.2)
    assert chance_of_spread(np.array([4.0, 2.0]), np.array([3.0, 9.0]), margin=0.2) == pytest.approx(
        two_sided, abs=2e-4
    )


def test_spread_of_several_agrees_with_simulation():
    rng = np.random.default_rng(6)
    a, b = np.array([1.0, 3, 2, 1]), np.array([8.0, 9, 20, 5])
    draws = rng.beta(a, b, (400_000, 4))
    share = (np.ptp(draws, axis=1) > 0.3).mean()
    found = chance_of_spread(a, b, margin=0.3)
    assert found == pytest.approx(share, abs=5 * np.sqrt(share * (1 - share) / 400_000))
