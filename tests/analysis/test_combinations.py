"""What combinations of two factors have shown."""

import pytest

from labbench.analysis.combinations import combination, combination_table, crossed_counts, held_needed
from tests.science.sheets import sheet


def cell(failed, coupons, *, margin=0.15, confidence=0.95, unfinished=0):
    return combination({}, coupons=coupons, failed=failed, unfinished=unfinished, margin=margin, confidence=confidence)


def test_a_run_of_successes_shows_what_the_success_run_formula_says():
    # C = 1 - R ** n, solved for n: 0.85 ** 19 = 0.0456 < 0.05 < 0.85 ** 18 = 0.0536, by hand.
    assert cell(0, 18).state == "not_enough"
    assert cell(0, 18).held_needed == 1
    assert cell(0, 19).state == "qualified"
    assert held_needed(0, 0, margin=0.15, confidence=0.95) == 19
    # The usual 90 % reliability at 90 % confidence takes 22 (0.9 ** 22 = 0.0985).
    assert held_needed(0, 0, margin=0.10, confidence=0.90) == 22


@pytest.mark.parametrize("coupons", [1, 3, 12])
def test_without_failure_the_one_sided_limit_has_a_closed_form(coupons):
    assert cell(0, coupons).at_most == pytest.approx(1 - 0.05 ** (1 / coupons), rel=1e-9)


def test_three_of_three_holding_is_no_proof():
    assert cell(0, 3).state == "not_enough"
    assert cell(0, 3).at_most == pytest.approx(0.6316, abs=5e-5)


def test_enough_failures_show_that_it_fails():
    assert cell(3, 3).state == "not_qualified"
    assert cell(1, 3).state == "not_enough"


def test_nothing_run_says_nothing():
    empty = cell(0, 0)
    assert (empty.state, empty.was_run, empty.at_most, empty.held_needed) == ("not_enough", False, None, 19)


def test_the_table_counts_finished_coupons_only():
    made = sheet(
        {"resin": ["A", "A", "A", "B"], "lamp": ["L1", "L1", "L2", "L1"]},
        [0, 2, 0, 0],
        rounds_survived=[3, 1, 1, 3],
    )
    table = combination_table(made, "resin", "lamp", margin=0.15, confidence=0.95)
    a_l1, a_l2 = table.cells[0]
    assert (a_l1.coupons, a_l1.failed, a_l1.unfinished) == (2, 1, 0)
    assert (a_l2.coupons, a_l2.failed, a_l2.unfinished) == (0, 0, 1)
    assert table.cells[1][1].was_run is False
    assert "19 coupons" in table.rule


def test_controls_and_unknown_levels_are_not_counted():
    made = sheet(
        {"resin": ["A", "A", None], "lamp": ["L1", "L1", "L1"]}, [0, 0, 0], roles=["test", "reference", "test"]
    )
    assert crossed_counts(made, "resin", "lamp").tolist() == [[1]]
    assert combination_table(made, "lamp", None, margin=0.15, confidence=0.95).cells[0][0].coupons == 2
