"""Posterior probabilities: worked examples to their printed digits, and brute force on small cases.

The worked examples are the method's own (`docs` of the search for the cause); each printed value was computed by two
independent programs.
"""

from __future__ import annotations

import math
from collections import defaultdict
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from labbench.science.evidence import posterior, runs
from labbench.science.hypotheses import Suspect, hypotheses
from labbench.science.next_load import failing_chance
from tests.science.runs import RESIN_AND_LAMP, ran, ran_rounds
from tests.science.sheets import sheet

FIRST = ran([((0, 0), 3, 3), ((1, 1), 0, 3)])
SECOND = ran([((0, 0), 3, 3), ((1, 1), 0, 3), ((0, 1), 2, 2), ((1, 0), 0, 2)])


def by_text(found, values):
    """Value per cause text; the two kinds of none apart."""
    texts = [found.hypotheses.text(row) for row in range(len(found.hypotheses))]
    texts[:2] = ["none low", "none any"]
    return dict(zip(texts, values, strict=True))


EXAMPLE_A = {
    # cause: evidence, posterior, posterior with the ordering factor
    "resin = R1": (0.375, 0.380454, 0.380549),
    "lamp = L1": (0.375, 0.380454, 0.380549),
    "resin = R1 and lamp = L1": (0.375, 0.152182, 0.152220),
    "resin = R1 or lamp = L1": (0.375, 0.076091, 0.076110),
    "resin = R2": (2.272727e-4, 0.000231, 0.000163),
    "resin = R1 and lamp = L2": (1.648352e-3, 0.000669, 0.000653),
    "none low": (1.648352e-3, 0.000669, 0.000666),
    "none any": (7.142857e-3, 0.005797, 0.005773),
}


@pytest.mark.parametrize("cause", EXAMPLE_A)
def test_example_a_two_factors_that_changed_together(cause):
    evidence, unordered, ordered = EXAMPLE_A[cause]
    space = hypotheses(RESIN_AND_LAMP)
    plain = posterior(space, FIRST, ordered=False)
    assert math.exp(by_text(plain, plain.log_evidence)[cause]) == pytest.approx(evidence, rel=5e-7)
    assert by_text(plain, plain.probability)[cause] == pytest.approx(unordered, abs=5.1e-7)
    with_order = posterior(space, FIRST)
    assert by_text(with_order, with_order.probability)[cause] == pytest.approx(ordered, abs=5.1e-7)


def test_example_a_guilt_and_entropy():
    plain = posterior(hypotheses(RESIN_AND_LAMP), FIRST, ordered=False)
    assert -(plain.probability * np.log(plain.probability)).sum() == pytest.approx(1.283778, abs=5e-7)
    for ordered in (False, True):
        found = posterior(hypotheses(RESIN_AND_LAMP), FIRST, ordered=ordered)
        assert found.guilt(0) == pytest.approx(0.612849, abs=5.1e-7)
        assert found.guilt(1) == pytest.approx(0.612849, abs=5.1e-7)


def test_example_a_four_more_coupons_isolate_the_resin():
    space = hypotheses(RESIN_AND_LAMP)
    plain = by_text(found := posterior(space, SECOND, ordered=False), found.probability)
    assert plain["resin = R1"] == pytest.approx(0.985988, abs=5e-7)
    assert plain["resin = R1 or lamp = L1"] == pytest.approx(0.005113, abs=5e-7)
    assert plain["resin = R1 and lamp = L1"] == pytest.approx(0.004382, abs=5e-7)
    assert found.guilt(1) == pytest.approx(0.012704, abs=5e-7)
    ordered = by_text(found := posterior(space, SECOND), found.probability)
    assert ordered["resin = R1"] == pytest.approx(0.986048, abs=5e-7)


EXPOSED = [((0,), 1, 0), ((0,), 1, 0), ((0,), 2, 1), ((0,), 0, 3)]
UNEXPOSED = [((1,), 3, 2), ((1,), 0, 3), ((1,), 0, 3), ((1,), 0, 3)]


def test_example_b_failures_by_round():
    space = hypotheses((Suspect("resin", "categorical", ("R1", "R2")),))
    found = posterior(space, ran_rounds(EXPOSED + UNEXPOSED), ordered=False)
    evidence = by_text(found, found.log_evidence)
    assert (found.failures[2].tolist(), found.survivals[2].tolist()) == ([3, 1], [4, 11])
    assert evidence["resin = R1"] == pytest.approx(-5.145166 - 4.050044, abs=1.1e-6)
    assert evidence["none low"] == pytest.approx(-12.669221, abs=1e-6)
    assert evidence["none any"] == pytest.approx(-10.837077, abs=1e-6)
    assert evidence["resin = R1"] - evidence["none low"] == pytest.approx(3.474011, abs=5.1e-7)
    assert evidence["resin = R1"] - evidence["none any"] == pytest.approx(1.641867, abs=5.1e-7)
    a, b = found.betas()
    assert failing_chance(a[2], b[2], "rounds", 3) == pytest.approx([0.785714, 0.130303], abs=5.1e-7)


def test_example_b_as_failed_or_held():
    space = hypotheses((Suspect("resin", "categorical", ("R1", "R2")),))
    found = posterior(space, ran([((0,), 3, 4), ((1,), 1, 4)]), ordered=False)
    evidence = by_text(found, found.log_evidence)
    assert evidence["resin = R1"] - evidence["none low"] == pytest.approx(2.650892, abs=5.1e-7)
    assert evidence["resin = R1"] - evidence["none any"] == pytest.approx(0.954031, abs=5.1e-7)


def evidence_by_fractions(a: int, b: int, failed: int, held: int) -> Fraction:
    """B(a + failed, b + held) / B(a, b), coupon by coupon: each draw updates an urn."""
    product = Fraction(1)
    for i in range(failed):
        product *= Fraction(a + i, a + b + i)
    for i in range(held):
        product *= Fraction(b + i, a + b + failed + i)
    return product


def brute_force(suspects, coupons):
    """Posterior without the ordering factor, straight from the definition of the classes; {cause: probability}."""
    weights = {"low": 0.05, "any": 0.10, "single": 0.50, "both": 0.20, "either": 0.10, "free": 0.05}
    found = defaultdict(list)
    found["low"].append(("none low", 1, [(1, 9, coupons)]))
    found["any"].append(("none any", 1, [(1, 1, coupons)]))

    def split(is_exposed):
        return [
            (3, 1, [c for c in coupons if is_exposed(c[0])]),
            (1, 9, [c for c in coupons if not is_exposed(c[0])]),
        ]

    k = len(suspects)
    for f, suspect in enumerate(suspects):
        size = len(suspect.levels)
        sets = {f"{suspect.name} = {level}": {i} for i, level in enumerate(suspect.levels)}
        if suspect.kind == "numeric" and size > 2:
            sets = {f"{suspect.name} <= {suspect.levels[i]:g}": set(range(i + 1)) for i in range(size - 1)}
            sets |= {f"{suspect.name} >= {suspect.levels[i]:g}": set(range(i, size)) for i in range(1, size)}
            sets |= {f"{suspect.name} = {suspect.levels[i]:g}": {i} for i in range(1, size - 1)}
        for text, members in sets.items():
            groups = split(lambda codes, f=f, members=members: codes[f] in members)
            found["single"].append((text, Fraction(1, k * len(sets)), groups))
        if size > 2:
            groups = [(1, 1, [c for c in coupons if c[0][f] == level]) for level in range(size)]
            found["free"].append((suspect.name, 1, groups))
        for g in range(f + 1, k):
            other = suspects[g]
            pairs = k * (k - 1) // 2
            for i, first in enumerate(suspect.levels):
                for j, second in enumerate(other.levels):
                    share = Fraction(1, pairs * size * len(other.levels))
                    first_text = first if isinstance(first, str) else f"{first:g}"
                    second_text = second if isinstance(second, str) else f"{second:g}"
                    left, right = f"{suspect.name} = {first_text}", f"{other.name} = {second_text}"
                    both = split(lambda codes, f=f, g=g, i=i, j=j: codes[f] == i and codes[g] == j)
                    either = split(lambda codes, f=f, g=g, i=i, j=j: codes[f] == i or codes[g] == j)
                    found["both"].append((f"{left} and {right}", share, both))
                    found["either"].append((f"{left} or {right}", share, either))
    total = sum(weights[name] for name in found)
    free = len(found.get("free", ())) or 1
    joint = {}
    for name, members in found.items():
        for text, share, groups in members:
            weight = weights[name] / total * float(share) / (free if name == "free" else 1)
            for a, b, members_of_group in groups:
                failed = sum(outcome for _, outcome in members_of_group)
                weight *= float(evidence_by_fractions(a, b, failed, len(members_of_group) - failed))
            joint[text] = weight
    return {text: weight / sum(joint.values()) for text, weight in joint.items()}


SUSPECTS = (
    Suspect("resin", "categorical", ("R1", "R2", "R3")),
    Suspect("lamp", "categorical", ("L1", "L2")),
    Suspect("cure_time_s", "numeric", (60.0, 90.0, 120.0, 240.0)),
)
COUPONS = st.lists(
    st.tuples(st.tuples(st.integers(0, 2), st.integers(0, 1), st.integers(0, 3)), st.booleans()), max_size=14
)


@given(COUPONS)
@settings(max_examples=60, deadline=None)
def test_agrees_with_brute_force(coupons):
    data = ran([(codes, int(failed), 1) for codes, failed in coupons]) if coupons else ran([((0, 0, 0), 0, 1)])
    if not coupons:
        data = data.only(np.array([False]))
    found = posterior(hypotheses(SUSPECTS), data, ordered=False)
    expected = brute_force(SUSPECTS, coupons)
    mine = by_text(found, found.probability)
    assert mine.keys() == expected.keys()
    assert [mine[cause] for cause in expected] == pytest.approx(list(expected.values()), rel=1e-9)


@given(COUPONS.filter(bool))
@settings(max_examples=25, deadline=None)
def test_ordering_factor_agrees_with_quadrature(coupons):
    data = ran([(codes, int(failed), 1) for codes, failed in coupons])
    found = posterior(hypotheses(SUSPECTS), data)
    a, b = found.betas()
    row = 2 + len(coupons) % 3
    chance, _ = integrate.quad(
        lambda y: stats.beta.pdf(y, a[row, 1], b[row, 1]) * stats.beta.sf(y, a[row, 0], b[row, 0]), 0, 1, limit=200
    )
    assert found.log_ordering[row] == pytest.approx(math.log(chance) - math.log(219 / 220), abs=1e-6)
    assert found.probability.sum() == pytest.approx(1, abs=1e-12)


def test_without_the_ordering_a_good_level_would_be_accused():
    """All levels fail but one: the good one must not be called the cause."""
    space = hypotheses((Suspect("resin", "categorical", tuple("ABCD")),))
    data = ran([((0,), 9, 10), ((1,), 9, 10), ((2,), 9, 10), ((3,), 0, 10)])
    found = posterior(space, data)
    assert by_text(found, found.probability)["resin = D"] < 1e-7


def test_whole_runs_are_judged_by_failed_or_held():
    table = sheet({"resin": ["a", "a", "b", "b"]}, [1, 3, 0, 0], rounds=3)
    data = runs(table, np.zeros((4, 1), dtype=np.int64), table.is_test)
    assert (data.form, data.survivals.tolist()) == ("binary", [0, 0, 1, 1])


def test_coupons_that_left_early_are_judged_by_rounds():
    table = sheet({"resin": ["a"] * 4}, [1, 3, 0, 0], rounds_survived=[0, 2, 1, 3], rounds=3)
    data = runs(table, np.zeros((4, 1), dtype=np.int64), table.is_test)
    assert (data.form, data.failures.tolist(), data.survivals.tolist()) == ("rounds", [1, 1, 0, 0], [0, 2, 1, 3])


def test_a_failure_between_distant_looks_counts_in_the_middle():
    table = sheet({"resin": ["a"] * 2}, [5, 0], rounds_survived=[2, 1], rounds=6)
    data = runs(table, np.zeros((2, 1), dtype=np.int64), table.is_test)
    # Held 2 rounds for certain, failed in round 3, 4 or 5: 2, 3 or 4 rounds survived.
    assert data.survivals.tolist() == [3, 1]
