"""The command analyze on studies that can't be decided: clear words, no crash, no false certainty."""

import json

import numpy as np
import pytest
from django.core.management import call_command


@pytest.fixture
def analyze(tmp_path):
    def run(factors, failed, *, levels=None, count=12):
        names = list(factors)
        lines = [",".join(["coupon", *(f"factor.{name}" for name in names), "rounds_survived", "failed_round"])]
        for number, is_failed in enumerate(failed):
            values = [str(factors[name][number]) for name in names]
            lines.append(",".join([f"C{number}", *values, *(("0", "1") if is_failed else ("3", ""))]))
        path, out = tmp_path / "sheet.csv", tmp_path / "answer.json"
        path.write_text("\n".join(lines) + "\n")
        more = []
        if levels is not None:
            (tmp_path / "levels.json").write_text(json.dumps(levels))
            more = ["--levels", str(tmp_path / "levels.json")]
        call_command("analyze", str(path), "--next", str(count), "--out", str(out), *more)
        return json.loads(out.read_text())

    return run


def nothing_is_certain(answer):
    assert answer["cause"]["isolated"] is None
    assert answer["cause"]["confirmed"] is False
    for factor in answer["factors"]:
        assert factor["verdict"]["state"] in {"undecided", "confounded"}
        assert factor["verdict"]["reason"].endswith(".")
    return answer


def test_the_same_combination_fails_and_holds(analyze):
    """Every combination: half of its coupons fail, half hold; and all fail in one half of the sheet, none in the other."""
    resin, lamp = ["A", "B", "A", "B"] * 6, ["L1", "L1", "L2", "L2"] * 6
    answer = nothing_is_certain(analyze({"resin": resin, "lamp": lamp}, ([1] * 4 + [0] * 4) * 3))
    likeliest = answer["cause"]["hypotheses"][0]
    assert (likeliest["cause"], likeliest["probability"] < 0.95) == ("none", True)


def test_a_level_never_run_is_no_innocent(analyze):
    resin, lamp = ["A"] * 4 + ["B"] * 4, ["L1", "L2"] * 4
    levels = {"levels": {"resin": ["A", "B", "C"]}}
    answer = analyze({"resin": resin, "lamp": lamp}, [1] * 4 + [0] * 4, levels=levels)
    resin, lamp = answer["factors"]
    assert [row["level"] for row in resin["levels"]] == ["A", "B"]
    assert resin["verdict"]["state"] != "cleared"
    if resin["verdict"]["state"] == "implicated":
        assert "Never run: C" in resin["verdict"]["reason"]
    assert any(row["levels"]["resin"] == "C" for row in answer["next_coupons"])


def test_a_factor_with_one_level_can_not_be_judged(analyze):
    answer = nothing_is_certain(analyze({"resin": ["A"] * 6}, [1, 1, 1, 0, 0, 0]))
    assert "one level only" in answer["factors"][0]["verdict"]["reason"]
    assert answer["next_coupons"] == []
    assert any("No factor has two levels" in warning for warning in answer["warnings"])
    assert answer["trail"] == []


def test_ten_factors_and_few_coupons(analyze):
    random = np.random.default_rng(4)
    factors = {f"f{number}": [f"L{code}" for code in random.integers(0, 3, 12)] for number in range(10)}
    answer = nothing_is_certain(analyze(factors, list(random.integers(0, 2, 12))))
    assert sum(row["count"] for row in answer["next_coupons"]) == 12
    assert all(set(row["levels"]) == set(factors) for row in answer["next_coupons"])


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        ({"impossible": [{"resin": "A"}, {"resin": "B"}]}, "called impossible: there is no coupon to run next"),
        ({"left": {"resin": {"A": 0, "B": 0}}}, "called impossible or used up: there is no coupon to run next"),
    ],
)
def test_nothing_left_to_run(analyze, levels, words):
    resin, lamp = ["A"] * 3 + ["B"] * 3, ["L1"] * 3 + ["L2"] * 3
    answer = nothing_is_certain(analyze({"resin": resin, "lamp": lamp}, [1] * 3 + [0] * 3, levels=levels))
    assert answer["next_coupons"] == []
    assert any(words in warning for warning in answer["warnings"])
    (pair,) = answer["confounded"]
    assert (pair["kind"], pair["breaking_coupon"]) == ("full", None)
    assert answer["cause"]["stop"] == "not worth more"
