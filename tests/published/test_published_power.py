"""Exact power of Fisher's test and demonstration tests against published and independently computed values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from labbench.science.power import demonstration, fisher_power, two_arms


def test_power_of_fishers_test(table):
    """`fisher_power.csv`: enumeration in R 4.2.2, the same to 9 digits in scipy; method of Casagrande, Pike and Smith,
    Applied Statistics 27 (1978), 176-180."""
    rows = table("fisher_power")
    for p1, p2, n, expected in zip(rows["p1"], rows["p2"], rows["n"], rows["power_two_sided"], strict=True):
        assert fisher_power(p1, p2, int(n)) == pytest.approx(expected, rel=1e-9)


def test_sample_size_of_fishers_test(table):
    rows = table("fisher_power")
    for p1, p2, first, stays in zip(
        rows["p1"], rows["p2"], rows["n_first_80_two"], rows["n_stays_80_two"], strict=True
    ):
        arms = two_arms(p1, p2, power=0.8)
        assert (arms.n_first, arms.n_per_arm) == (first, stays)
        assert arms.power >= 0.8


def test_demonstration_is_the_clopper_pearson_bound_turned_round():
    """C. J. Clopper and E. S. Pearson, Biometrika 26 (1934): the lower one-sided limit passes R at n, not at n - 1."""
    for reliability, confidence, failures in ((0.9, 0.95, 3), (0.8, 0.9, 1), (0.99, 0.8, 0)):
        n = demonstration(reliability, confidence, failures).n
        lower = stats.beta.ppf(1 - confidence, np.array([n, n - 1]) - failures, failures + 1)
        assert lower[0] >= reliability > lower[1]
