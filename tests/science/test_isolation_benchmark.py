"""Sums over simulated studies: the same in any order, quantiles and rates by hand."""

from __future__ import annotations

import json
from collections import Counter

import pytest

from labbench.science.isolation_benchmark import (
    PLANS,
    Plan,
    Tally,
    benchmark_row,
    chunks,
    mixed_row,
    play_chunk,
    prior_shares,
)
from labbench.science.isolation_simulation import TRUTHS

BY_EYE = Plan("by eye", "by eye", per_arm=3)


def test_chunks_cover_every_study_once():
    made = chunks(60, plans=PLANS[:2], size=25)
    assert sum(chunk.studies for chunk in made) == 2 * 5 * 60
    numbers = [n for c in made if c.truth == "both" and c.plan is PLANS[0] for n in range(c.first, c.first + c.studies)]
    assert numbers == list(range(60))
    with pytest.raises(ValueError, match="at least one study"):
        chunks(0)


def test_any_split_gives_the_same_sums():
    def total(size):
        tally = Tally()
        for chunk in chunks(30, plans=[BY_EYE], truths=["single"], size=size):
            tally.add(play_chunk(chunk, seed=3))
        return tally

    whole = total(30)
    assert whole == total(7)
    assert Tally.of_plain(json.loads(json.dumps(whole.plain()))) == whole
    assert whole.coupons == {21: 30}


def test_by_eye_rates_are_those_of_the_binomial_distribution():
    """One guilty factor: missed unless its three coupons hold, false if one of five other arms of three holds."""
    tally = Tally()
    for chunk in chunks(2000, plans=[BY_EYE], truths=["single"], size=2000):
        tally.add(play_chunk(chunk, seed=1))
    row = benchmark_row("by eye", "single", tally)
    for rate, expected in ((row.missed, 1 - 0.95**3), (row.false, 1 - (1 - 0.2**3) ** 5)):
        assert rate.share == pytest.approx(expected, abs=4 * (expected * (1 - expected) / 2000) ** 0.5)
        assert rate.low < rate.share < rate.high


def test_a_row_by_hand():
    tally = Tally(10, 1, 2, 0, 0, Counter({12: 4, 24: 5, 60: 1}), Counter({1: 4, 2: 5, 5: 1}))
    row = benchmark_row("plan", "single", tally)
    assert (row.false.share, row.missed.share) == (0.1, 0.2)
    assert row.missed.standard_error == pytest.approx((0.2 * 0.8 / 10) ** 0.5)
    assert (row.median_coupons, row.ninety_percent_coupons, row.median_loads) == (24, 24, 2)


def test_a_mixture_weighs_the_truths():
    tallies = {
        truth: Tally(100, 0, 50 if truth == "either" else 0, 0, 0, Counter({12 * (n + 1): 100}), Counter({n + 1: 100}))
        for n, truth in enumerate(TRUTHS)
    }
    row = mixed_row("plan", "mixed", tallies, prior_shares())
    assert row.missed.share == pytest.approx(0.1 * 0.5)
    assert row.missed.standard_error == pytest.approx(0.1 * 0.05)
    # Half of the studies have one guilty level and took 12 coupons.
    assert row.median_coupons == 12
    assert mixed_row("plan", "mixed", tallies, dict.fromkeys(TRUTHS, 0.2)).median_coupons == 36
