"""The command analyze: what goes in, what comes out, what is refused."""

import json
import subprocess
import sys

import pytest

from tests.installation import ROOT

KEYS = {"sheet", "factors", "confounded", "cause", "next_coupons", "warnings"}
SHEET = """coupon,role,factor.resin,factor.lamp,factor.cure_time_s,block,rounds_survived,failed_round,strength_mpa
1,test,A,L1,60,d1,3,,40.1
2,test,A,L2,90,d1,3,,42.5
3,test,A,L1,90,d2,3,,41.7
4,test,A,L2,60,d2,3,,43.9
5,test,B,L1,60,d1,0,1,
6,test,B,L2,90,d1,1,2,
7,test,B,L1,90,d2,0,2,
8,test,B,L2,60,d2,2,3,
9,pristine,,,,,0,,51.5
10,pristine,,,,,0,,53.0
"""


def analyze(*arguments, sheet=SHEET):
    return subprocess.run(
        [sys.executable, "manage.py", "analyze", "-", *arguments],
        cwd=ROOT,
        input=sheet.encode(),
        capture_output=True,
        timeout=120,
    )


@pytest.fixture(scope="module")
def answer():
    done = analyze("--next", "4")
    assert done.returncode == 0, done.stderr.decode()
    assert done.stderr == b""
    return json.loads(done.stdout)


def test_the_document_has_the_agreed_keys(answer):
    assert set(answer) >= KEYS
    assert answer["sheet"] == {
        "coupons": 10,
        "test": 8,
        "failed": 4,
        "rounds_planned": 3,
        "controls": {"pristine": 2, "unrepaired": 0, "reference": 0},
    }
    resin, lamp, cure = answer["factors"]
    assert (resin["factor"], resin["kind"], cure["kind"]) == ("resin", "categorical", "numeric")
    for factor in answer["factors"]:
        assert set(factor) >= {
            "factor",
            "kind",
            "missing",
            "levels",
            "association",
            "unconditional",
            "trend",
            "stratified",
            "survival",
            "adjusted",
            "strength",
            "verdict",
        }
        assert set(factor["verdict"]) >= {"state", "level", "probability", "with", "reason"}
    assert set(answer["cause"]) >= {"hypotheses", "isolated", "confirmed"}
    # Four of four against none of four, by hand: 2 / C(8, 4).
    assert resin["association"]["p_value"] == pytest.approx(2 / 70, rel=1e-12)
    assert lamp["association"]["p_value"] == pytest.approx(1)


def test_the_guilty_resin_is_named(answer):
    assert answer["cause"]["hypotheses"][0]["cause"] == "resin = B"
    assert sum(h["probability"] for h in answer["cause"]["hypotheses"]) <= 1 + 1e-12


def test_next_coupons_are_proposed_until_confirmed(answer):
    assert answer["cause"]["confirmed"] is False
    assert answer["next_coupons"]
    assert {"resin", "lamp", "cure_time_s"} == set(answer["next_coupons"][0]["levels"])


def test_the_same_input_and_seed_give_the_same_bytes():
    assert analyze("--next", "6", "--seed", "7").stdout == analyze("--next", "6", "--seed", "7").stdout


def test_nothing_is_written_for_bad_input_and_every_fault_has_its_line(tmp_path):
    out = tmp_path / "answer.json"
    bad = SHEET + "10,test,A,L1,60,d1,3,2,40\n11,tset,A,L1,60,d1,3,,-4\n"
    done = analyze("--out", str(out), sheet=bad)
    assert done.returncode == 2
    assert not out.exists()
    lines = done.stderr.decode().splitlines()
    assert "row 12, column failed_round: 2 is not greater than rounds_survived 3" in lines
    assert any(line.startswith("row 12, column coupon: ") for line in lines)
    assert any(line.startswith("row 13, column role: ") for line in lines)
    assert any(line.startswith("row 13, column strength_mpa: ") for line in lines)
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--confidence", "1.5"), "--confidence: 1.5 is not between 0 and 1"),
        (
            ("--confidence", "0.999999"),
            "--confidence: 0.999999 is not from 0.01 to 0.9999: limits are not computed closer to 0 or 1",
        ),
        (("--margin", "0"), "--margin: 0 is not between 0 and 1"),
        (("--next", "-3"), "--next: -3 is not between 0 and 1000"),
        (("--levels", "nowhere.json"), "nowhere.json: No such file or directory"),
        (("--out", "nowhere/answer.json"), "--out nowhere/answer.json: No such file or directory"),
    ],
)
def test_impossible_options_are_named(arguments, message):
    done = analyze(*arguments)
    assert (done.returncode, done.stdout) == (2, b"")
    assert message in done.stderr.decode().splitlines()


def test_levels_that_were_never_run_can_be_proposed(tmp_path):
    levels = tmp_path / "levels.json"
    levels.write_text(json.dumps({"levels": {"resin": ["A", "B", "C"]}, "impossible": [{"resin": "C", "lamp": "L1"}]}))
    answer = json.loads(analyze("--levels", str(levels), "--next", "12").stdout)
    assert [level["level"] for level in answer["factors"][0]["levels"]] == ["A", "B"]
    assert not any(n["levels"]["resin"] == "C" and n["levels"]["lamp"] == "L1" for n in answer["next_coupons"])


def test_why_no_number_of_coupons_can_be_told_is_said():
    cause = json.loads(analyze(sheet="coupon,factor.resin,rounds_survived\n1,A,3\n2,A,3\n").stdout)["cause"]
    assert cause["best_gain_nats"] is None
    assert cause["outlook_reason"] == "best_gain_nats: there is no coupon that can be run"


def test_a_combination_called_impossible_that_was_run_is_told(tmp_path):
    levels = tmp_path / "levels.json"
    levels.write_text(json.dumps({"impossible": [{"resin": "A", "lamp": "L1"}]}))
    warnings = json.loads(analyze("--levels", str(levels)).stdout)["warnings"]
    assert any(text.startswith("resin = A, lamp = L1 is called impossible, though coupon ") for text in warnings)


def test_limits_that_no_number_can_hold_are_null_with_a_reason():
    sheet = "coupon,role,factor.resin,rounds_survived,failed_round,strength_mpa\n"
    sheet += "1,,A,3,,50\n2,,A,3,,4000\n3,,B,3,,50\n4,,B,3,,55\n5,pristine,,,,70\n6,pristine,,,,75\n"
    done = analyze("--confidence", "0.9999", sheet=sheet)
    assert (done.returncode, done.stderr) == (0, b"")
    ratio = json.loads(done.stdout)["factors"][0]["levels"][0]["strength"]["percent_of_pristine"]
    assert ratio["high"] is None
    assert ratio["reason"] == "a limit is beyond what a float can hold"


def test_an_answer_in_a_file_is_the_answer_on_standard_output(tmp_path):
    out = tmp_path / "answer.json"
    done = analyze("--out", str(out))
    assert done.stdout == b""
    assert out.read_bytes() == analyze().stdout
