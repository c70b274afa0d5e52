"""The competing explanations: which there are, what they are called, what they weigh."""

from __future__ import annotations

import numpy as np
import pytest

from labbench.science.hypotheses import ClassWeights, Suspect, hypotheses
from tests.science.runs import RESIN_AND_LAMP, six_factors

CURE = Suspect("cure_time_s", "numeric", (60.0, 90.0, 120.0))


def texts(space):
    return [space.text(row) for row in range(len(space))]


def test_every_explanation_of_two_factors_is_there_once():
    assert sorted(texts(hypotheses(RESIN_AND_LAMP))) == sorted(
        ["none", "none", "resin = R1", "resin = R2", "lamp = L1", "lamp = L2"]
        + [f"resin = {r} {joiner} lamp = {l_}" for joiner in ("and", "or") for r in ("R1", "R2") for l_ in ("L1", "L2")]
    )


def test_a_numeric_factor_is_a_graded_cause():
    expected = ["none", "none", "cure_time_s <= 60", "cure_time_s <= 90", "cure_time_s >= 90", "cure_time_s >= 120"]
    assert texts(hypotheses((CURE,))) == [*expected, "cure_time_s = 90", "cure_time_s"]


def test_a_numeric_factor_with_two_levels_is_accused_by_level():
    assert texts(hypotheses((Suspect("cure_time_s", "numeric", (60.0, 92.5)),)))[2:] == [
        "cure_time_s = 60",
        "cure_time_s = 92.5",
    ]


def test_count_for_six_factors_of_four_levels():
    """2 none, 20 + 8 single, 15 pairs x 16 levels x 2, 6 shape-free."""
    space = hypotheses(six_factors())
    assert len(space) == 516
    assert len(set(texts(space))) == 515


def test_weights_are_shared_within_a_class_and_renormalised_over_the_classes_there_are():
    space = hypotheses(RESIN_AND_LAMP)
    # Weights 0.05, 0.10, 0.50, 0.20, 0.10 over their sum 0.95: no factor has more than two levels.
    assert space.weights == pytest.approx(
        {"none_low": 0.052632, "none_any": 0.105263, "single": 0.526316, "both": 0.210526, "either": 0.105263}, abs=5e-7
    )
    assert space.prior.sum() == pytest.approx(1, abs=1e-12)
    by_text = dict(zip(texts(space), space.prior, strict=True))
    assert by_text["resin = R1"] == pytest.approx(0.526316 / 4, abs=5e-7)
    assert by_text["resin = R1 and lamp = L2"] == pytest.approx(0.210526 / 4, abs=5e-7)


def test_a_factor_with_more_levels_is_no_more_suspected_than_one_with_two():
    space = hypotheses((Suspect("resin", "categorical", tuple("ABCDEFGH")), RESIN_AND_LAMP[1]))
    single = space.kinds == 2
    assert space.prior[single & (space.first == 0)].sum() == pytest.approx(
        space.prior[single & (space.first == 1)].sum()
    )


def test_what_has_no_weight_could_never_be_found():
    with pytest.raises(ValueError, match="weight 0 of both is not above 0"):
        ClassWeights(both=0)


def test_a_factor_with_one_level_is_refused():
    with pytest.raises(ValueError, match="lamp has fewer than two levels"):
        hypotheses((Suspect("lamp", "categorical", ("L1",)),))


def test_exposed_combinations():
    space = hypotheses((CURE, RESIN_AND_LAMP[1]))
    codes = np.array([[c, lamp] for c in range(3) for lamp in range(2)])
    exposed = dict(zip(texts(space), space.exposed(np.arange(len(space)), codes).tolist(), strict=True))
    yes, no = True, False
    assert exposed["cure_time_s <= 90"] == [yes, yes, yes, yes, no, no]
    assert exposed["cure_time_s = 90"] == [no, no, yes, yes, no, no]
    assert exposed["cure_time_s = 60 and lamp = L2"] == [no, yes, no, no, no, no]
    assert exposed["cure_time_s = 60 or lamp = L2"] == [yes, yes, no, yes, no, yes]
    assert exposed["none"] == exposed["cure_time_s"] == [no] * 6


def test_pairs_are_bounded_and_what_is_left_out_is_counted():
    many = tuple(Suspect(f"f{number}", "categorical", tuple(f"L{i}" for i in range(100))) for number in range(4))
    coupons = tuple(np.arange(100) for _ in many)
    space = hypotheses(many, coupons=coupons, pair_limit=10_000)
    pairs = space.kinds >= 3
    assert 5_000 < (pairs & (space.kinds <= 4)).sum() <= 10_000
    assert space.levels_left_out > 0
    # The levels with the most coupons stay.
    kept = set(space.low[pairs & (space.first == 0) & (space.kinds == 3), 0])
    assert kept == set(range(100 - len(kept), 100))


def test_causes_gather_levels_but_keep_joiners_apart():
    space = hypotheses((CURE, RESIN_AND_LAMP[1]))
    numbers, count = space.cause_numbers()
    by_cause = {}
    for text, number in zip(texts(space), numbers, strict=True):
        by_cause.setdefault(int(number), []).append(text)
    assert count == len(by_cause) == 5
    assert ["none", "none"] in by_cause.values()
    graded = next(members for members in by_cause.values() if "cure_time_s" in members)
    assert len(graded) == 6
