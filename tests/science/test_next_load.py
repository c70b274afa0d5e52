"""The choice of the next load: worked example to its printed digits, information by full enumeration."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import special

from labbench.science.candidates import candidates, completed, impossible_codes, is_possible
from labbench.science.evidence import posterior
from labbench.science.hypotheses import Suspect, hypotheses
from labbench.science.next_load import Branches, failing_chance, groups, informative_load, load_information_nats
from tests.science.runs import RESIN_AND_LAMP, ran, ran_rounds, six_factors

NOTHING_IMPOSSIBLE = np.empty((0, 6), dtype=np.int64)
FIRST = ran([((0, 0), 3, 3), ((1, 1), 0, 3)])
GRID = np.array([[0, 0], [0, 1], [1, 0], [1, 1]])
R1L1, R1L2, R2L1, R2L2 = range(4)


@pytest.fixture
def example_a():
    found = posterior(hypotheses(RESIN_AND_LAMP), FIRST, ordered=False)
    return groups(found, GRID, least_share=0)


def test_example_a_gain_of_one_coupon(example_a):
    """More of the failing combination teaches next to nothing, swapping one factor does."""
    gains = Branches.start(example_a).gains()[0]
    assert gains == pytest.approx([0.004818, 0.346790, 0.346790, 0.006247], abs=5.1e-7)


@pytest.mark.parametrize(("load", "expected"), [((R1L2, R2L1), 0.640050), ((R1L2, R1L2), 0.470513)])
def test_example_a_gain_of_two_coupons(example_a, load, expected):
    assert load_information_nats(example_a, load) == pytest.approx(expected, abs=5.1e-7)


def test_example_a_best_loads(example_a):
    best = {
        count: max(
            load_information_nats(example_a, load) for load in itertools.combinations_with_replacement(range(4), count)
        )
        for count in (3, 4)
    }
    assert best == {3: pytest.approx(0.752187, abs=5.1e-7), 4: pytest.approx(0.861897, abs=5.1e-7)}
    greedy = informative_load(example_a, GRID, 4, rng=np.random.default_rng(1))
    assert sorted(greedy.picks) == [R1L2, R1L2, R2L1, R2L1]
    assert sum(greedy.gains_nats) == pytest.approx(0.861897, abs=5.1e-7)


def test_information_is_what_posteriors_lose_in_entropy():
    """I = H(h) - E H(h | y), each posterior computed afresh from all coupons."""
    suspects = (Suspect("resin", "categorical", tuple("ABC")), Suspect("cure_s", "numeric", (1.0, 2.0, 3.0)))
    space = hypotheses(suspects)
    counts = [((0, 0), 2, 3), ((1, 1), 0, 2), ((2, 0), 1, 2)]
    before = posterior(space, ran(counts), ordered=False)
    load = np.array([[0, 1], [2, 2], [0, 1]])
    expected = special.entr(before.probability).sum()
    for outcomes in itertools.product((0, 1), repeat=3):
        after = posterior(
            space,
            ran(counts + [(tuple(row), failed, 1) for row, failed in zip(load.tolist(), outcomes, strict=True)]),
            ordered=False,
        )
        # P(y) = sum_h P(h) m(D, y | h) / sum_h P(h) m(D | h).
        chance = (space.prior * np.exp(after.log_evidence)).sum() / (space.prior * np.exp(before.log_evidence)).sum()
        expected -= chance * special.entr(after.probability).sum()
    of = groups(before, load, least_share=0)
    assert load_information_nats(of, (0, 1, 2)) == pytest.approx(expected, rel=1e-9)


def test_every_candidate_is_in_one_group_of_each_hypothesis():
    space = hypotheses(six_factors())
    found = posterior(space, ran([((0,) * 6, 9, 12)]))
    codes = candidates(
        six_factors(), np.zeros((1, 6), dtype=np.int64), NOTHING_IMPOSSIBLE, rng=np.random.default_rng(3)
    )
    of = groups(found, codes, least_share=0)
    # 2 x 508 groups of hypotheses with two sides, 2 of none, 4 of each of the 6 shape-free ones.
    assert len(of.owner) == 1042
    memberships = np.zeros((len(of.rows), len(codes)))
    np.add.at(memberships, of.owner, of.members)
    assert (memberships == 1).all()


def test_thinning_keeps_the_expected_information_close():
    space = hypotheses(RESIN_AND_LAMP)
    of = groups(posterior(space, FIRST), GRID)
    exact = informative_load(of, GRID, 8, rng=np.random.default_rng(1), most_branches=10_000)
    thinned = informative_load(of, GRID, 8, rng=np.random.default_rng(1))
    assert sum(thinned.gains_nats) == pytest.approx(sum(exact.gains_nats), rel=0.1)


def test_among_equal_coupons_rare_levels_come_first():
    suspects = (*RESIN_AND_LAMP, Suspect("cover", "categorical", ("on", "off")))
    data = ran([((0, 0, 0), 3, 3), ((1, 1, 0), 0, 3)])
    codes = candidates(suspects, data.codes, NOTHING_IMPOSSIBLE, rng=np.random.default_rng(0))
    of = groups(posterior(hypotheses(suspects), data), codes)
    coupons = tuple(np.bincount(data.codes[:, factor], minlength=2) for factor in range(3))
    load = informative_load(of, codes, 6, rng=np.random.default_rng(0), level_coupons=coupons)
    assert (codes[list(load.picks), 2] == 1).sum() >= 3


def test_chance_to_fail_within_the_rounds_agrees_with_the_beta_function():
    a, b = np.array([3.0, 1.5]), np.array([4.0, 30.0])
    for rounds in (1, 3, 100):
        expected = 1 - special.beta(a, b + rounds) / special.beta(a, b)
        assert failing_chance(a, b, "rounds", rounds) == pytest.approx(expected, rel=1e-9)


def test_by_rounds_the_swap_still_tells_most():
    data = ran_rounds([((0, 0), 1, 0)] * 3 + [((1, 1), 0, 3)] * 2 + [((1, 1), 0, 1)])
    of = groups(posterior(hypotheses(RESIN_AND_LAMP), data), GRID)
    gains = Branches.start(of).gains()[0]
    assert min(gains[R1L2], gains[R2L1]) > 10 * max(gains[R1L1], gains[R2L2])


def test_impossible_combinations_are_no_candidates():
    impossible = impossible_codes(RESIN_AND_LAMP, ({"resin": "R1", "lamp": "L2"},))
    assert candidates(RESIN_AND_LAMP, GRID, impossible, rng=np.random.default_rng(0)).tolist() == [
        [0, 0],
        [1, 0],
        [1, 1],
    ]


def test_impossible_combinations_with_factors_that_are_not_varied():
    impossible = (
        {"glass": "G1", "lamp": "L2"},
        {"glass": "G2", "resin": "R1"},
        {"resin": "R9"},
    )
    assert impossible_codes(RESIN_AND_LAMP, impossible, usual={"glass": "G1"}).tolist() == [[-1, 1]]


def test_many_combinations_are_sampled_and_possible():
    impossible = impossible_codes(six_factors(), ({"factor0": "A", "factor1": "A"}, {"cure_time_s": 240.0}))
    codes = candidates(six_factors(), np.zeros((4, 6), dtype=np.int64), impossible, rng=np.random.default_rng(0))
    assert 200 < len(codes) <= 512
    assert is_possible(codes, impossible).all()
    assert len(np.unique(codes, axis=0)) == len(codes)


def test_nothing_can_be_run():
    everything = tuple({"resin": resin} for resin in ("R1", "R2"))
    impossible = impossible_codes(RESIN_AND_LAMP, everything)
    codes = candidates(RESIN_AND_LAMP, GRID, impossible, rng=np.random.default_rng(0))
    assert len(codes) == 0
    assert completed({0: 0}, GRID, RESIN_AND_LAMP, impossible) is None


def test_a_combination_is_completed_by_changing_as_little_as_needed():
    impossible = impossible_codes(six_factors(), ({"factor0": "B", "factor1": "A"},))
    near = np.zeros((1, 6), dtype=np.int64)
    row = completed({0: 1}, near, six_factors(), impossible)
    assert row[0] == 1
    assert row[1] != 0
    assert (row[2:] == 0).all()
