"""The tables beneath a factor's tests show what the document has."""

import pytest

from labbench.formats.number_texts import number_text, p_value_text, percent_text
from labbench.reports.content import factor_content
from labbench.reports.level_tables import level_tables
from labbench.reports.tests_in_words import test_rows
from tests.reports.analysed import mixed_rows, row
from tests.reports.test_words import factor, result_of


@pytest.fixture(scope="module")
def result():
    # Some crack-outs are found two rounds after the last look that saw the coupon hold.
    late = [
        f"D{i},test,{'A' if i % 3 else 'B'},L{1 + i % 2},{60 + 30 * (i % 2)},load {i % 3},3,1,3,," for i in range(6)
    ]
    return result_of([*mixed_rows(), *late, *(row(900 + i, role="reference", failed=i == 0) for i in range(6))])


def tables_of(result, name):
    return {table.title.split(",")[0]: table for table in level_tables(factor(result, name))}


def test_every_level_has_its_rounds_strength_and_reliability(result):
    lot, tables = factor(result, "resin_lot"), tables_of(result, "resin_lot")
    mean, strength, shown = (
        tables[title] for title in ("Mean rounds held within 3 rounds", "Strength of the coupons that were broken", "Reliability shown")
    )  # fmt: skip
    for i, level in enumerate(lot["levels"]):
        assert mean.rows[i][2] == number_text(level["restricted_mean_rounds"]["rounds"])
        fit = level["strength"]["weibull"]
        for column, key in ((6, "b10"), (7, "b1")):
            estimate, bound = fit[key]["estimate_mpa"], fit[key]["lower_bound_mpa"]
            assert strength.rows[i][column] == f"{number_text(estimate)}, at least {number_text(bound)}"
        assert shown.rows[i][3] == percent_text(level["demonstration"]["reliability"])
        assert shown.rows[i][4] == number_text(level["demonstration"]["coupons_needed"])


def test_masses_between_looks_are_listed(result):
    masses = [mass for level in factor(result, "resin_lot")["levels"] for mass in level["turnbull"] or []]
    table = tables_of(result, "resin_lot")["When coupons cracked out between inspections far apart"]
    assert [cells[2] for cells in table.rows] == [percent_text(mass["mass"]) for mass in masses]
    assert "converged" in table.note


def test_predicted_survival_says_what_it_assumes_and_how_that_was_checked(result):
    hazard = factor(result, "resin_lot")["hazard"]
    table = tables_of(result, "resin_lot")["Predicted share that holds"]
    assert table.columns == ("level", "round 2", "round 3")
    for cells, part in zip(table.rows, hazard["predicted"], strict=True):
        assert cells[1:] == tuple(percent_text(step["survival"]) for step in part["survival"])
    assert p_value_text(hazard["proportional"]["p_value"]) in table.note
    assert f"Test coupons: {hazard['n_used']} used, {hazard['n_missing']} left out." in table.note


def test_margins_and_pairs_are_shown(result):
    lot, tables = factor(result, "resin_lot"), tables_of(result, "resin_lot")
    shown = tables["No difference that matters? Not worse than the reference?"]
    p_values = [row["non_inferiority_p_value"] for level in lot["levels"] for row in level["against_margin"]]
    assert len(p_values) == 6
    texts = {cells[5] for cells in shown.rows}
    assert {p_value_text(p) for p in p_values} <= texts
    assert "Margin: 15" in shown.note
    pairs = lot["strength"]["pairs"]
    assert [cells[3] for cells in tables["Which levels differ in strength"].rows] == [
        p_value_text(pair["p_value"]) for pair in pairs
    ]


def test_each_test_says_what_it_rests_on(result):
    rows = test_rows(factor(result, "resin_lot"), confidence=0.95, besides=None)
    assert rows[0].basis == "confirmatory, exact, 42 coupons used, 0 left out"
    assert "odds of failing under B" in rows[0].detail[0].lower() + rows[0].detail[1:]
    assert rows[1].basis == "confirmatory"
    assert all(row.basis.startswith("exploratory") for row in rows[2:])


def test_the_report_has_the_same_tables(result):
    lot = factor(result, "resin_lot")
    printed = factor_content(lot, result, {"resin_lot", "lamp"})["tables"]
    assert [table["title"] for table in printed] == [table.title for table in level_tables(lot)]


def test_documents_without_the_newer_numbers_still_have_a_page(result):
    lot = factor(result, "resin_lot")
    newer = ("against_margin", "demonstration", "restricted_mean_rounds", "difference_to_rest")
    levels = [{key: value for key, value in level.items() if key not in newer} for level in lot["levels"]]
    older = {**{key: value for key, value in lot.items() if key != "hazard"}, "levels": levels}
    titles = [table.title for table in level_tables(older)]
    assert "Reliability shown" not in titles
    assert "Which levels differ in strength" in titles


@pytest.mark.parametrize("failures", [0, 6])
def test_degenerate_levels_have_dashes_with_remarks(failures):
    lamp = factor(result_of([row(i, "A", f"L{i % 2}", failed=i < failures) for i in range(6)]), "lamp")
    for table in level_tables(lamp):
        assert all(len(cells) == len(table.columns) for cells in table.rows)
        for cells in table.rows:
            assert "None" not in " ".join(cells)
