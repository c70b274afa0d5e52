"""Do the intervals cover and the tests hold their level at the numbers a lab has? Run on request:

python -m pytest tests/benchmarks/test_calibration.py -s     (LABBENCH_SAMPLES=2000 for more samples)

Two arms of n coupons that fail alike; whatever has a finite number of outcomes is enumerated (no simulation error), the rest
simulated with a fixed seed (standard error 0.01 with 500 samples).
"""

from __future__ import annotations

import os
from itertools import product

import numpy as np
import pytest
from scipy import stats

from labbench.science.comparisons import kruskal_wallis, rank_permutation, welch_anova, worst_rank
from labbench.science.contingency import fisher_freeman_halton
from labbench.science.equivalence import equivalent_shares
from labbench.science.intervals import clopper_pearson, wilson
from labbench.science.log_rank_permutation import permutation_log_rank
from labbench.science.odds import exact_odds_ratio
from labbench.science.penalised import BinomialModel
from labbench.science.proportions import newcombe_difference, score_difference
from labbench.science.strength import strength_ratio
from labbench.science.survival import log_rank
from labbench.science.trend import cochran_armitage
from labbench.science.unconditional import boschloo
from labbench.science.weibull import weibull_fit
from labbench.science.weibull_limits import percentile_bound, weibull_limits

SIZES, SHARES = (3, 6, 12), (0.05, 0.3, 0.7)
SAMPLES = int(os.environ.get("LABBENCH_SAMPLES", "500"))


def show(title, rows):
    print(f"\n{title}\n")
    names = list(rows)
    print("| n per arm | share | " + " | ".join(names) + " |")
    print("| --- | --- |" + " --- |" * len(names))
    for n, share in product(SIZES, SHARES):
        print(f"| {n} | {share} | " + " | ".join(f"{rows[name][n, share]:.3f}" for name in names) + " |")


def outcomes(n, share):
    """Both arms' counts and the probability of each pair."""
    x1, x2 = (grid.ravel() for grid in np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij"))
    return x1, x2, stats.binom.pmf(x1, n, share) * stats.binom.pmf(x2, n, share)


def test_coverage_of_intervals():
    rows = {name: {} for name in ("Clopper-Pearson", "Wilson", "Miettinen-Nurminen", "Newcombe", "exact odds ratio")}
    for n, share in product(SIZES, SHARES):
        x = np.arange(n + 1)
        pmf = stats.binom.pmf(x, n, share)
        for name, limits in (("Clopper-Pearson", clopper_pearson), ("Wilson", wilson)):
            low, high = limits(x, np.full(n + 1, n))
            rows[name][n, share] = pmf[(low <= share) & (share <= high)].sum()
        x1, x2, weight = outcomes(n, share)
        counts = [x1.astype(float), np.full(len(x1), float(n)), x2.astype(float), np.full(len(x1), float(n))]
        for name, limits in (("Miettinen-Nurminen", score_difference), ("Newcombe", newcombe_difference)):
            low, high = limits(*counts)
            rows[name][n, share] = weight[(low <= 1e-12) & (high >= -1e-12)].sum()
        covered = 0.0
        for a, b, w in zip(x1, x2, weight, strict=True):
            odds = exact_odds_ratio(np.array([[float(a), b]]), np.array([[float(n), n]]))
            low, high = odds.interval.low or 0.0, odds.interval.high or np.inf
            covered += w * (low <= 1 <= high)
        rows["exact odds ratio"][n, share] = covered
    show("Coverage of 95 % intervals, enumerated", rows)
    for exact in ("Clopper-Pearson", "exact odds ratio"):
        assert min(rows[exact].values()) >= 0.95 - 1e-9
    assert min(rows["Miettinen-Nurminen"].values()) > 0.92
    assert min(rows["Newcombe"].values()) > 0.92


def test_level_of_tests_on_shares():
    names = ("Fisher", "Boschloo", "Cochran-Armitage", "Firth likelihood ratio", "equivalence at its margin 0.3")
    rows = {name: {} for name in names}
    rng = np.random.default_rng(1)
    for n, share in product(SIZES, SHARES):
        x1, x2, weight = outcomes(n, share)
        rejected = dict.fromkeys(names, 0.0)
        for a, b, w in zip(x1, x2, weight, strict=True):
            failed, coupons = np.array([a, b]), np.array([n, n])
            tests = {
                "Fisher": fisher_freeman_halton(failed, coupons, rng=rng),
                "Boschloo": boschloo(int(a), n, int(b), n),
                "Cochran-Armitage": cochran_armitage(failed, coupons, np.array([0.0, 1.0])),
            }
            for name, test in tests.items():
                rejected[name] += w * (test.p_value is not None and test.p_value <= 0.05)
            if 0 < a + b < 2 * n:
                model = BinomialModel(np.array([[1.0, 0], [1, 1]]), failed.astype(float), coupons.astype(float))
                drop = model.fit().log_likelihood - model.fit(free=np.array([True, False])).log_likelihood
                rejected["Firth likelihood ratio"] += w * (stats.chi2.sf(2 * drop, 1) <= 0.05)
        # The worst case of an equivalence test: a difference of exactly the margin.
        other = share + 0.3 if share < 0.7 else share - 0.3
        far = stats.binom.pmf(x1, n, share) * stats.binom.pmf(x2, n, other)
        for a, b, w in zip(x1, x2, far, strict=True):
            rejected[names[-1]] += w * bool(equivalent_shares(int(a), n, int(b), n, margin=0.3).is_equivalent)
        for name in names:
            rows[name][n, share] = rejected[name]
    show("Share of false alarms at 0.05, enumerated", rows)
    for exact in ("Fisher", "Boschloo"):
        assert max(rows[exact].values()) <= 0.05 + 1e-9


def test_level_of_tests_over_rounds_and_of_strength():
    names = ("log-rank", "log-rank by relabelling", "Kruskal-Wallis", "by relabelling", "Welch", "worst rank")
    rows = {name: {} for name in names}
    rng = np.random.default_rng(2)
    for n, share in product(SIZES, SHARES):
        alarms = dict.fromkeys(names, 0)
        hazard = 1 - (1 - share) ** (1 / 3)
        for _ in range(SAMPLES):
            codes = np.repeat([0, 1], n)
            rounds = rng.geometric(hazard, 2 * n)
            failed = rounds <= 3
            times = np.minimum(rounds, 3).astype(float)
            strength = np.where(failed, np.nan, 60 * rng.weibull(8, 2 * n))
            held = ~failed
            tests = {
                "log-rank": log_rank(times, failed, codes, 2),
                "log-rank by relabelling": permutation_log_rank(times, failed, codes, rng=rng),
                "Kruskal-Wallis": kruskal_wallis(strength[held], codes[held]),
                "by relabelling": rank_permutation(strength[held], codes[held], rng=rng),
                "Welch": welch_anova(strength[held], codes[held]) if held.any() else None,
                "worst rank": worst_rank(strength, failed, codes),
            }
            for name, test in tests.items():
                alarms[name] += test is not None and test.p_value is not None and test.p_value <= 0.05
        for name in names:
            rows[name][n, share] = alarms[name] / SAMPLES
    show("Share of false alarms at 0.05, simulated", rows)
    for exact in ("log-rank by relabelling", "by relabelling"):
        assert max(rows[exact].values()) <= 0.05 + 4 * np.sqrt(0.05 * 0.95 / SAMPLES)


@pytest.mark.parametrize("n", [3, 6, 12])
def test_coverage_of_strength_limits(n):
    rng = np.random.default_rng(3)
    covered = dict.fromkeys(("modulus", "characteristic strength", "B10 lower bound", "percent of new glass"), 0)
    truth, share = 60 * (-np.log(0.9)) ** (1 / 8), 0.75
    for _ in range(SAMPLES):
        x = 60 * rng.weibull(8, n)
        fit = weibull_fit(x)
        limits = weibull_limits(x, fit)
        covered["modulus"] += limits.modulus.low <= 8 <= limits.modulus.high
        covered["characteristic strength"] += (
            limits.characteristic_strength.low <= 60 <= limits.characteristic_strength.high
        )
        covered["B10 lower bound"] += percentile_bound(x, fit, 0.9).lower_bound <= truth
        ratio = strength_ratio(x, 60 / share * rng.weibull(8, n))
        covered["percent of new glass"] += ratio.interval.low <= share <= ratio.interval.high
    print(f"\nn = {n}: " + ", ".join(f"{name} {count / SAMPLES:.3f}" for name, count in covered.items()))
    for exact in ("modulus", "characteristic strength", "B10 lower bound"):
        assert abs(covered[exact] / SAMPLES - 0.95) < 4 * np.sqrt(0.95 * 0.05 / SAMPLES)
    assert covered["percent of new glass"] / SAMPLES > 0.90
