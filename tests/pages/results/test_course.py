"""How the answer came about, and what the next coupons would say."""

import pytest

from labbench.pages.results.course import course, next_coupon

FACTORS = ["resin_lot", "cure_time_s"]
TRAIL = [
    {"block": "Load <1>", "coupons": 12, "failed": 5, "coupons_so_far": 12, "isolated": None,
     "guilt": {"resin_lot": 0.6, "cure_time_s": 0.3}, "hypotheses": [{"cause": "resin_lot = B", "probability": 0.6}]},
    {"block": "Load 2", "coupons": 12, "failed": 4, "coupons_so_far": 24, "isolated": "resin_lot = B",
     "guilt": {"resin_lot": 0.98, "cure_time_s": 0.01}, "hypotheses": [{"cause": "resin_lot = B", "probability": 0.97}]},
]  # fmt: skip


def test_each_factor_is_a_line_over_the_loads():
    chart = course(TRAIL, FACTORS)
    assert [trace["y"] for trace in chart.figure["data"]] == [pytest.approx([60, 98]), pytest.approx([30, 1])]
    assert chart.figure["layout"]["xaxis"]["ticktext"] == ["Load &lt;1&gt;", "Load 2"]
    assert "Isolated after Load 2: resin lot = B." in chart.summary
    assert chart.rows[0][:3] == ("Load <1>", "12", "5")
    assert [cells[5] for cells in chart.rows] == ["no", "resin lot = B"]


def test_the_load_that_confirms_is_said():
    third = {**TRAIL[1], "block": "Load 3", "coupons_so_far": 32, "confirms": True}
    chart = course([*TRAIL, third], FACTORS)
    assert chart.summary.startswith("Isolated after Load 2: resin lot = B; Load 3 alone confirms it.")
    assert chart.rows[2][5] == "resin lot = B, confirmed by this load"
    chart = course([*TRAIL, {**third, "confirms": False}], FACTORS)
    assert "; Load 3 alone does not confirm it." in chart.summary
    assert chart.rows[2][5] == "resin lot = B, not confirmed by this load"


def test_loads_that_are_left_out_are_said():
    assert "Only the last loads" not in course(TRAIL, FACTORS).summary
    later = [{**step, "coupons_so_far": step["coupons_so_far"] + 500} for step in TRAIL]
    assert course(later, FACTORS).summary.endswith("Only the last loads are drawn.")


def test_one_load_has_no_course():
    assert course(TRAIL[:1], FACTORS) is None
    assert course([], FACTORS) is None


def test_a_proposal_says_what_each_outcome_would_mean():
    row = {
        "levels": {"resin_lot": "B", "cure_time_s": 60.0}, "count": 2, "why": "It fails with a chance of 85 %.",
        "if_all_fail": {"cause": "resin_lot = B", "probability": 0.99}, "if_all_hold": {"cause": "none", "probability": 0.4},
    }  # fmt: skip
    shown = next_coupon(row, ["resin_lot", "cure_time_s"], FACTORS)
    assert shown.levels == ("B", "60\u202fs")
    assert shown.if_all_fail.startswith("resin lot = B: 99")
    assert shown.if_all_hold.startswith("none of the factors: 40")


def test_an_old_analysis_without_these_parts_is_still_shown():
    shown = next_coupon({"levels": {"resin_lot": "B"}, "count": 1}, ["resin_lot"], FACTORS)
    assert (shown.why, shown.if_all_fail, shown.if_all_hold) == ("", "", "")
