"""What the other two calibrations leave out: three levels, strata, bounds, censored strengths. Run on request:

python -m pytest tests/benchmarks/test_calibration_of_strata_and_bounds.py -s     (LABBENCH_SAMPLES=2000 for more samples)

Arms that do not differ, seeded; what has few outcomes is enumerated.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from scipy import stats

from labbench.science.against_margin import shares_against, strengths_against
from labbench.science.comparisons import censored_strength
from labbench.science.contingency import fisher_freeman_halton
from labbench.science.demonstration import demonstrated_reliability
from labbench.science.levels import differences_to_rest
from labbench.science.log_rank_permutation import permutation_log_rank
from labbench.science.restricted_mean import restricted_mean
from labbench.science.stratified import cochran_mantel_haenszel
from labbench.science.strength import strength_summary
from labbench.science.survival import log_rank
from tests.benchmarks.test_calibration import SAMPLES, SHARES, SIZES, outcomes, show

SPREAD = np.sqrt(0.05 * 0.95 / SAMPLES)


def is_alarm(test):
    return test.p_value is not None and test.p_value <= 0.05


def covers(low, high, truth):
    return (low is None or low <= truth + 1e-12) and (high is None or truth <= high + 1e-12)


def test_bounds_and_non_inferiority_of_shares():
    rows = {
        name: {} for name in ("share at least held (one-sided)", "not worse at the margin 0.3", "alike at the margin")
    }
    for n, share in product(SIZES, SHARES):
        failed = np.arange(n + 1)
        bound = np.array([demonstrated_reliability(n, 0.95, failures=int(x)) for x in failed])
        rows["share at least held (one-sided)"][n, share] = stats.binom.pmf(failed, n, share)[bound <= 1 - share].sum()
        # The worst case: more failures by just the margin.
        better = max(share - 0.3, 0.0)
        x1, x2, _ = outcomes(n, share)
        weight = stats.binom.pmf(x1, n, better + 0.3) * stats.binom.pmf(x2, n, better)
        level = alike = 0.0
        for a, b, w in zip(x1, x2, weight, strict=True):
            found = shares_against((int(a), int(b)), (n, n), "reference repairs", margin=0.3, alpha=0.05)
            level += w * (found.non_inferiority_p_value <= 0.05)
            alike += w * (
                differences_to_rest(np.array([a, b]), np.array([n, n]), confidence=0.95, margin=0.3)[
                    0
                ].equivalence_p_value
                <= 0.05
            )
        rows["not worse at the margin 0.3"][n, share] = level
        rows["alike at the margin"][n, share] = alike
    show("Coverage of the one-sided bound (wanted 0.95), false alarms against a margin, enumerated", rows)
    assert min(rows["share at least held (one-sided)"].values()) >= 0.95 - 1e-9


def test_three_levels_and_strata():
    names = ("Fisher-Freeman-Halton, 3 levels", "generalised CMH, 3 levels", "log-rank, 3 levels", "log-rank by block")
    rows = {name: {} for name in (*names, "mean rounds (coverage)")}
    rng = np.random.default_rng(6)
    for n, share in product(SIZES, SHARES):
        alarms, covered = dict.fromkeys(names, 0), 0
        hazard = 1 - (1 - share) ** (1 / 3)
        truth = ((1 - hazard) ** np.arange(3)).sum()
        codes, blocks = np.repeat([0, 1, 2], n), np.tile(np.arange(3), n)
        for _ in range(SAMPLES):
            seen = rng.geometric(hazard, 3 * n)
            failed, times = seen <= 3, np.minimum(seen, 3).astype(float)
            counts = np.bincount(codes[failed], minlength=3)
            strata = rng.binomial(n, share, (3, 3)).astype(float)
            tests = (
                fisher_freeman_halton(counts, np.full(3, n), rng=rng),
                cochran_mantel_haenszel(strata, np.full((3, 3), float(n))),
                log_rank(times, failed, codes, 3),
                log_rank(times, failed, codes, 3, strata=blocks),
            )
            for name, test in zip(names, tests, strict=True):
                alarms[name] += is_alarm(test)
            mean = restricted_mean(times[:n], failed[:n], up_to=3)
            covered += covers(mean.interval.low, mean.interval.high, truth)
        for name in names:
            rows[name][n, share] = alarms[name] / SAMPLES
        rows["mean rounds (coverage)"][n, share] = covered / SAMPLES
    show("Share of false alarms at 0.05, three levels and strata, simulated", rows)
    assert max(rows[names[0]].values()) <= 0.05 + 4 * SPREAD
    assert min(rows["mean rounds (coverage)"].values()) >= 0.95 - 0.02 - 4 * SPREAD


@pytest.mark.parametrize("censored", [0.2, 0.4])
def test_censored_strength(censored):
    """Machine limit at the quantile that censors so large a share."""
    names = ("modulus", "characteristic strength", "B10 lower bound", "log-rank (alarms)", "relabelled (alarms)")
    rng = np.random.default_rng(7)
    limit, truth = 60 * (-np.log(censored)) ** (1 / 8), 60 * (-np.log(0.9)) ** (1 / 8)
    print(f"\n{censored:.0%} of the stresses censored\n\n| n | " + " | ".join(names) + " |\n| --- |" + " --- |" * 5)
    for n in (*SIZES, 30):
        count = dict.fromkeys(names, 0)
        for _ in range(SAMPLES):
            strength = 60 * rng.weibull(8, 2 * n)
            is_bound = strength > limit
            strength = np.minimum(strength, limit)
            found = strength_summary(strength[:n], np.zeros(0), is_censored=is_bound[:n])
            limits = found.weibull_limits
            count["modulus"] += covers(limits.modulus.low, limits.modulus.high, 8)
            scale = limits.characteristic_strength
            count["characteristic strength"] += covers(scale.low, scale.high, 60)
            count["B10 lower bound"] += found.b10 is None or found.b10.lower_bound <= truth
            codes = np.repeat([0, 1], n)
            count[names[3]] += is_alarm(censored_strength(strength, is_bound, codes))
            if n < 10:
                count[names[4]] += is_alarm(permutation_log_rank(strength, ~is_bound, codes, rng=rng))
        shown = [f"{count[name] / SAMPLES:.3f}" for name in names]
        print(f"| {n} | " + " | ".join([*shown[:4], shown[4] if n < 10 else "not run"]) + " |")
    assert count["B10 lower bound"] / SAMPLES > 0.93


def test_three_arms_of_strength_against_the_rest():
    rng = np.random.default_rng(8)
    print("\n| n per arm | strength alike at the margin 0.15 (alarms) |\n| --- | --- |")
    for n in SIZES:
        alarms = 0
        for _ in range(SAMPLES):
            x, y = 60 * rng.weibull(8, n), 60 / 0.85 * rng.weibull(8, 2 * n)
            p_value = strengths_against(x, y, "other levels", margin=0.15, alpha=0.05).equivalence_p_value
            alarms += p_value is not None and p_value <= 0.05
        print(f"| {n} | {alarms / SAMPLES:.3f} |")
        assert alarms / SAMPLES <= 0.05 + 5 * SPREAD
