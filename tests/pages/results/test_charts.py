"""The plots hold the numbers of the document, in trace types that the page can draw."""

import json
from pathlib import Path

import pytest
from django.conf import settings

from labbench.analysis.frozen_sheet import broken_by_level, broken_pristine
from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.pages.results.charts import (
    MOST_ROWS,
    MOST_SERIES,
    cause_probabilities,
    failure_differences,
    strengths,
    survival_curves,
)
from labbench.science.document import document
from labbench.science.evaluation import evaluate
from tests.reports.analysed import HEADER, mixed_rows, row


def read(rows):
    sheet = read_coupon_sheet("\n".join([HEADER, *rows]).encode()).sheet
    return sheet, document(evaluate(sheet, next_count=0))


@pytest.fixture(scope="module")
def mixed():
    return read(mixed_rows())


def lot_of(result):
    return result["factors"][0]


def all_charts(sheet, result):
    for factor in result["factors"]:
        yield failure_differences(factor, "f", margin=0.15, confidence=0.95)
        yield survival_curves(factor, "f", confidence=0.95)
        yield strengths(factor, "f", broken_by_level(sheet, factor["factor"]), broken_pristine(sheet))
    yield cause_probabilities(result["cause"]["hypotheses"], ["resin_lot", "lamp", "cure_time_s"])


def test_differences_are_those_of_the_document(mixed):
    chart = failure_differences(lot_of(mixed[1]), "f", margin=0.15, confidence=0.95)
    trace, levels = chart.figure["data"][0], lot_of(mixed[1])["levels"]
    assert trace["x"] == [100 * level["difference_to_rest"]["difference"] for level in levels]
    for i, level in enumerate(levels):
        d = level["difference_to_rest"]
        assert trace["x"][i] + trace["error_x"]["array"][i] == pytest.approx(100 * d["high"])
        assert trace["x"][i] - trace["error_x"]["arrayminus"][i] == pytest.approx(100 * d["low"])
    # By hand: 1 of 18 against 15 of 18.
    assert trace["x"] == pytest.approx([100 * (1 - 15) / 18, 100 * (15 - 1) / 18])
    assert trace["marker"]["symbol"] == ["diamond", "diamond"]
    assert [cells[1] for cells in chart.rows] == ["1 of 18", "15 of 18"]


def test_survival_is_drawn_as_steps_with_its_limits(mixed):
    chart = survival_curves(lot_of(mixed[1]), "f", confidence=0.95)
    level = lot_of(mixed[1])["levels"][1]
    lower, upper, curve = [t for t in chart.figure["data"] if t["meta"]["series"] == 2]
    assert [t["line"]["shape"] for t in (lower, upper, curve)] == ["hv"] * 3
    assert (lower["meta"]["role"], upper["meta"]["role"]) == ("limit", "band")
    bounded = [step for step in level["survival"] if step["low"] is not None]
    assert lower["y"][:-1] == [100 * step["low"] for step in bounded]
    assert upper["y"][:-1] == [100 * step["high"] for step in bounded]
    assert curve["y"] == [100, *[100 * step["survival"] for step in level["survival"]], curve["y"][-2]]
    assert len(chart.rows) == sum(len(level["survival"]) for level in lot_of(mixed[1])["levels"])


def test_every_broken_coupon_is_a_point_and_new_glass_a_band(mixed):
    sheet, result = mixed
    chart = strengths(lot_of(result), "f", broken_by_level(sheet, "resin_lot"), broken_pristine(sheet))
    points, medians = chart.figure["data"]
    held = [
        s
        for s, role, failed in zip(sheet.strength_mpa, sheet.roles, sheet.is_failed, strict=True)
        if role == "test" and not failed
    ]
    assert sorted(points["x"]) == sorted(held)
    assert medians["x"] == [level["strength"]["median_mpa"] for level in lot_of(result)["levels"]]
    band = chart.figure["layout"]["shapes"][0]
    assert (band["x0"], band["x1"]) == (48.5, 51.5)


def test_probabilities_are_bars_with_their_causes():
    chart = cause_probabilities(
        [{"cause": "cure_time_s <= 60", "probability": 0.75}, {"cause": "none", "probability": 0.25}], ["cure_time_s"]
    )
    assert chart.figure["data"][0]["x"] == [75, 25]
    assert [cells[0] for cells in chart.rows] == ["cure time ≤ 60\u202fs", "none of the factors"]
    assert cause_probabilities([], []) is None


def test_only_trace_types_of_the_bundle_are_asked_for_and_all_is_plain_json(mixed):
    bundle = (Path(settings.BASE_DIR) / "static/vendor/plotly/plotly-cartesian.min.js").read_text(encoding="utf-8")
    charts = [chart for chart in all_charts(*mixed) if chart]
    types = {trace["type"] for chart in charts for trace in chart.figure["data"]}
    assert types == {"scatter", "bar"}
    assert all(f'moduleType:"trace",name:"{name}"' in bundle for name in types)
    assert "NaN" not in json.dumps([chart.figure for chart in charts], allow_nan=False)


def test_figures_pass_the_checks_of_the_plot_library(mixed):
    # Colours are names of the theme until the page draws them, so they are taken out first.
    import plotly.graph_objects as go

    def without_colours(part):
        if isinstance(part, dict):
            return {k: without_colours(v) for k, v in part.items() if not k.endswith("color")}
        return [without_colours(v) for v in part] if isinstance(part, list) else part

    for chart in all_charts(*mixed):
        if chart:
            drawn = go.Figure(without_colours(chart.figure))
            assert len(drawn.data) == len(chart.figure["data"])


def test_forty_levels_fit_and_the_table_has_all():
    rows = [row(i, f"lot {i % 70:02}", "L1", failed=i % 3 == 0) for i in range(210)]
    _, result = read(rows)
    lot = lot_of(result)
    differences = failure_differences(lot, "f", margin=0.15, confidence=0.95)
    assert len(differences.figure["data"][0]["x"]) == MOST_ROWS
    assert len(differences.rows) == 70
    assert "the table has all" in differences.summary
    curves = survival_curves(lot, "f", confidence=0.95)
    assert len({trace["meta"]["series"] for trace in curves.figure["data"]}) == MOST_SERIES


def test_names_are_drawn_as_names_and_long_ones_cut():
    rows = [row(i, "<a href='x'>" if i % 2 else "Ä" * 60, "L1", failed=i < 3) for i in range(8)]
    _, result = read(rows)
    ticks = failure_differences(lot_of(result), "f", margin=0.15, confidence=0.95).figure["layout"]["yaxis"]["ticktext"]
    assert "&lt;a href='x'&gt;" in ticks
    assert max(len(tick) for tick in ticks) <= 40


@pytest.mark.parametrize("failed", [0, 6])
def test_none_or_all_failed_draws_curves_without_bands(failed):
    _, result = read([row(i, "A" if i % 2 else "B", "L1", failed=i < failed) for i in range(6)])
    chart = survival_curves(lot_of(result), "f", confidence=0.95)
    curves = [trace for trace in chart.figure["data"] if "role" not in trace["meta"]]
    assert len(curves) == 2


def test_a_single_level_has_nothing_to_differ_from():
    _, result = read([row(i, "A", "L1", failed=i < 2) for i in range(4)])
    assert failure_differences(lot_of(result), "f", margin=0.15, confidence=0.95) is None
