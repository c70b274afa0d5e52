"""Do the intervals over rounds and of the models cover, do their tests hold their level? Run on request:

python -m pytest tests/benchmarks/test_calibration_of_models.py -s     (LABBENCH_SAMPLES=2000 for more samples)

Arms of n coupons that fail alike within three rounds, simulated with a fixed seed. A limit or p-value that the data do not
allow (nobody failed, say) counts as covering and as no alarm: nothing false was said.
"""

from __future__ import annotations

from itertools import product

import numpy as np

from labbench.science.against_margin import strengths_against
from labbench.science.hazard import hazard_tests
from labbench.science.ordered import exact_trend, jonckheere
from labbench.science.pairwise import dunn, games_howell
from labbench.science.regression import adjusted_tests
from labbench.science.restricted_mean import restricted_mean
from labbench.science.sheet import FactorColumn
from labbench.science.stratified import breslow_day, cochran_mantel_haenszel, mantel_haenszel
from labbench.science.survival import kaplan_meier
from tests.benchmarks.test_calibration import SAMPLES, SHARES, SIZES, show

ROUNDS = 3


def covers(low, high, truth):
    return (low is None or low <= truth + 1e-12) and (high is None or truth <= high + 1e-12)


def is_alarm(test):
    return test is not None and test.p_value is not None and test.p_value <= 0.05


def test_coverage_over_rounds_and_of_models():
    names = (
        "Kaplan-Meier, round 2",
        "restricted mean rounds",
        "Firth odds ratio",
        "hazard ratio",
        "Mantel-Haenszel odds ratio",
    )
    rows = {name: {} for name in names}
    tests = {
        name: {} for name in ("Cochran-Mantel-Haenszel", "Breslow-Day", "exact trend", "hazard regression", "its check")
    }
    rng = np.random.default_rng(4)
    for n, share in product(SIZES, SHARES):
        covered, alarms = dict.fromkeys(names, 0), dict.fromkeys(tests, 0)
        per_round = 1 - (1 - share) ** (1 / ROUNDS)
        surviving = (1 - per_round) ** np.arange(ROUNDS + 1)
        codes = np.repeat([0, 1], n)
        factor = FactorColumn("resin", "categorical", ("A", "B"), codes)
        everyone, no_block = np.ones(2 * n, dtype=bool), np.full(2 * n, -1)
        for _ in range(SAMPLES):
            seen = rng.geometric(per_round, 2 * n)
            failed, times = seen <= ROUNDS, np.minimum(seen, ROUNDS).astype(float)
            step = next((s for s in kaplan_meier(times[:n], failed[:n]) if s.round == 2), None)
            covered[names[0]] += step is None or covers(step.low, step.high, surviving[2])
            mean = restricted_mean(times[:n], failed[:n], up_to=ROUNDS)
            covered[names[1]] += covers(mean.interval.low, mean.interval.high, surviving[:ROUNDS].sum())
            adjusted = adjusted_tests((factor,), failed, everyone)[0]
            covered[names[2]] += all(covers(t.interval.low, t.interval.high, 1.0) for t in adjusted.terms)
            hazard = hazard_tests((factor,), no_block, times, failed, everyone)[0]
            covered[names[3]] += all(covers(t.interval.low, t.interval.high, 1.0) for t in hazard.terms)
            # Two strata with arms of n coupons each.
            counts, coupons = rng.binomial(n, share, (2, 2)).astype(float), np.full((2, 2), float(n))
            odds = mantel_haenszel(counts, coupons)
            covered[names[4]] += covers(odds.interval.low, odds.interval.high, 1.0)
            few = np.array([failed[:n].sum(), failed[n:].sum()])
            found = (
                cochran_mantel_haenszel(counts, coupons),
                breslow_day(counts, coupons),
                exact_trend(few, np.array([n, n]), np.array([0.0, 1.0]), rng=rng),
                hazard.test,
                hazard.proportional,
            )
            for name, test in zip(tests, found, strict=True):
                alarms[name] += is_alarm(test)
        for name in names:
            rows[name][n, share] = covered[name] / SAMPLES
        for name in tests:
            tests[name][n, share] = alarms[name] / SAMPLES
    show("Coverage of 95 % intervals over rounds and of models, simulated", rows)
    show("Share of false alarms at 0.05 over strata, rounds and models, simulated", tests)
    assert max(tests["exact trend"].values()) <= 0.05 + 4 * np.sqrt(0.05 * 0.95 / SAMPLES)


def test_level_of_comparisons_of_strength():
    names = ("Games-Howell", "Dunn", "Jonckheere", "alike at the margin", "not worse at the margin")
    rng = np.random.default_rng(5)
    print("\nShare of false alarms at 0.05, strength, three arms, simulated\n")
    print("| n per arm | " + " | ".join(names) + " |\n| --- |" + " --- |" * len(names))
    for n in SIZES:
        alarms, codes = dict.fromkeys(names, 0), np.repeat([0, 1, 2], n)
        for _ in range(SAMPLES):
            strength = 60 * rng.weibull(8, 3 * n)
            # Any pair that seems to differ is a false alarm.
            alarms[names[0]] += any(is_alarm(pair) for pair in games_howell(strength, codes, 3))
            alarms[names[1]] += any(is_alarm(pair) for pair in dunn(strength, codes, 3))
            alarms[names[2]] += is_alarm(jonckheere(strength, codes))
            # The worst case: weaker by just the margin.
            other = 60 / 0.85 * rng.weibull(8, n)
            against = strengths_against(strength[:n], other, "reference repairs", margin=0.15, alpha=0.05)
            alarms[names[3]] += against.equivalence_p_value is not None and against.equivalence_p_value <= 0.05
            alarms[names[4]] += against.non_inferiority_p_value is not None and against.non_inferiority_p_value <= 0.05
        print(f"| {n} | " + " | ".join(f"{alarms[name] / SAMPLES:.3f}" for name in names) + " |")
        assert alarms["alike at the margin"] / SAMPLES <= 0.05 + 5 * np.sqrt(0.05 * 0.95 / SAMPLES)
