"""The confirmation load: how it is proposed, found in the data and judged."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from labbench.science.confirmation import (
    block_order,
    cause_of,
    confirmation,
    confirmation_load,
    fisher_one_sided,
)
from labbench.science.evidence import Runs, posterior
from labbench.science.hypotheses import Suspect, hypotheses
from tests.science.runs import RESIN_AND_LAMP, ran

ISOLATING = [((0, 0), 3, 3), ((1, 1), 0, 3), ((0, 1), 2, 2), ((1, 0), 0, 2)]


def with_loads(*loads):
    """Coupons of several loads: (name, counts)."""
    parts = [ran(counts) for _, counts in loads]
    blocks = [name for name, counts in loads for _, _, coupons in counts for _ in range(coupons)]
    return Runs(
        np.concatenate([part.codes for part in parts]),
        np.concatenate([part.failures for part in parts]),
        np.concatenate([part.survivals for part in parts]),
        np.concatenate([part.is_failed for part in parts]),
        np.array(blocks, dtype=object),
        "binary",
        3,
    )


def judged(*loads, **options):
    data = with_loads(*loads)
    found = posterior(hypotheses(RESIN_AND_LAMP), data)
    return confirmation(found, data, cause_of(found)[0], **options)


def test_a_later_load_that_agrees_confirms():
    seen = judged(("load 1", ISOLATING), ("load 2", [((0, 0), 2, 2), ((0, 1), 2, 2), ((1, 0), 0, 2), ((1, 1), 0, 2)]))
    assert (seen.block, seen.accused, seen.accused_failed, seen.others, seen.others_failed) == ("load 2", 4, 4, 4, 0)
    assert seen.confirmed
    # All four of eight on one side: 1 in C(8, 4) = 70.
    assert seen.p_value == pytest.approx(1 / 70, rel=1e-12)


def test_two_more_failures_are_enough_and_one_is_not():
    def second(failed):
        return ("load 2", [((0, 0), failed, 2), ((0, 1), 0, 2), ((1, 0), 0, 2), ((1, 1), 0, 2)])

    many = [(levels, 4 * failed, 4 * coupons) for levels, failed, coupons in ISOLATING]
    assert judged(("load 1", many), second(2)).confirmed
    assert not judged(("load 1", many), second(1)).confirmed


def test_the_load_that_isolated_can_not_confirm_itself():
    assert judged(("load 1", [(levels, 2 * f, 2 * n) for levels, f, n in ISOLATING])) is None


def test_a_load_before_isolation_does_not_count():
    aliased = [((0, 0), 3, 3), ((1, 1), 0, 3)]
    assert judged(("load 1", aliased), ("load 2", [((0, 1), 4, 4), ((1, 0), 0, 4)])) is None


def test_a_load_with_too_few_coupons_in_an_arm_does_not_count():
    assert judged(("load 1", ISOLATING), ("load 2", [((0, 0), 3, 3), ((1, 1), 0, 5)])) is None


def test_the_last_word_counts():
    many = [(levels, 6 * failed, 6 * coupons) for levels, failed, coupons in ISOLATING]
    agrees = [((0, 0), 4, 4), ((1, 1), 0, 4)]
    contradicts = [((0, 0), 0, 4), ((1, 1), 0, 4)]
    seen = judged(("load 1", many), ("load 2", agrees), ("load 10", contradicts))
    assert (seen.block, seen.confirmed) == ("load 10", False)
    reordered = judged(
        ("load 1", many), ("load 2", agrees), ("load 10", contradicts), load_order=("load 1", "load 10", "load 2")
    )
    assert (reordered.block, reordered.confirmed) == ("load 2", True)


def test_coupons_without_a_load_have_no_time():
    assert judged((None, ISOLATING), ("load 2", [((0, 0), 4, 4), ((1, 1), 0, 4)])) is None


def test_none_needs_a_later_load_too():
    alike = [((i, j), 0, 10) for i in (0, 1) for j in (0, 1)]
    assert judged(("load 1", alike)) is None
    assert judged(("load 1", alike), ("load 2", [((0, 0), 0, 4), ((1, 1), 0, 4)])).confirmed


def test_loads_are_ordered_as_people_number_them():
    names = np.array(["load 10", "load 2", None, "load 1b", "load 1"], dtype=object)
    assert block_order(names) == ["load 1", "load 1b", "load 2", "load 10"]


def test_one_sided_fisher_agrees_with_scipy():
    for table in ([[3, 1], [0, 4]], [[4, 0], [2, 2]], [[7, 5], [3, 11]], [[0, 4], [0, 4]]):
        (x, held), (y, other) = table
        expected = stats.fisher_exact(table, alternative="greater").pvalue
        assert fisher_one_sided(x, x + held, y, y + other) == pytest.approx(expected, rel=1e-9)


THREE = (*RESIN_AND_LAMP, Suspect("cover", "categorical", ("on", "off")))


def proposed(text, *, impossible=(), count=12):
    space = hypotheses(THREE)
    found = posterior(space, ran([((0, 0, 0), 3, 3), ((1, 1, 1), 0, 3)]))
    row = next(row for row in range(len(space)) if space.text(row) == text)
    load = confirmation_load(
        found,
        row,
        np.array([[0, 0, 0]]),
        np.array(impossible).reshape(-1, 3),
        count=count,
        rng=np.random.default_rng(4),
    )
    return load, space.exposed(np.array([row]), load)[0]


def test_four_with_and_four_without():
    load, accused = proposed("resin = R1")
    assert (len(load), accused.sum()) == (8, 4)
    # The other factors vary, so that the confirmation does not rest on one combination.
    assert len(np.unique(load[accused], axis=0)) > 1


def test_a_pair_needs_half_of_the_others_to_lack_each():
    load, accused = proposed("resin = R1 and lamp = L1")
    assert accused.sum() == 4
    others = load[~accused].tolist()
    assert [row[:2] for row in others].count([0, 1]) == [row[:2] for row in others].count([1, 0]) == 2


def test_either_of_two_is_shown_by_each_alone():
    load, accused = proposed("resin = R1 or lamp = L1")
    with_cause = [row[:2] for row in load[accused].tolist()]
    assert with_cause.count([0, 1]) == with_cause.count([1, 0]) == 2
    assert [row[:2] for row in load[~accused].tolist()] == [[1, 1]] * 4


def test_impossible_combinations_are_not_proposed():
    load, accused = proposed("resin = R1", impossible=((0, 0, -1), (0, -1, 1)))
    assert accused.sum() == 4
    assert [row[1:] for row in load[accused].tolist()] == [[1, 0]] * 4


def test_an_arm_that_can_not_be_made_leaves_no_load():
    load, _ = proposed("resin = R1", impossible=((1, -1, -1),))
    assert len(load) == 0


def test_a_small_load_is_shared_by_both_arms():
    load, accused = proposed("resin = R1", count=5)
    assert (len(load), accused.sum()) == (4, 2)
