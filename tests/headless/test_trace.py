"""The command trace: a log and a profile in, one document out."""

import io
import json
import sys

import numpy as np
import pytest
from django.core.management import call_command

from tests.science.trace_makers import csv_text, make, rounds_of

PROFILE = {
    "rounds": 2,
    "max_transfer_minutes": 5,
    "steps": [
        {"name": "freeze", "target_c": -18, "tolerance_k": 4, "min_minutes": 120, "max_minutes": 300},
        {"name": "heat", "target_c": 77, "tolerance_k": 5, "min_minutes": 45, "max_minutes": 150},
        {"name": "cool", "target_c": 25, "tolerance_k": 9, "min_minutes": 30, "max_minutes": 400},
    ],
}
STEPS = (("freeze", -20.0, 200.0), ("heat", 79.0, 120.0), ("cool", 21.0, 90.0))
STEP_KEYS = {
    "round", "step", "start", "end", "reached_at", "soak_minutes", "min_c", "max_c", "max_rate_k_per_min",
    "transfer_seconds", "verdict", "reason", "by_channel",
}  # fmt: skip


@pytest.fixture(scope="module")
def made():
    return make(rounds_of(2, STEPS), tau_minutes={"A": 8.0, "B": 11.0}, interval_s=60.0, noise_k=0.05)


@pytest.fixture
def trace(tmp_path, capsys):
    def run(log, profile=PROFILE):
        files = tmp_path / "log.csv", tmp_path / "profile.json"
        out = tmp_path / "answer.json"
        files[0].write_text(log)
        files[1].write_text(profile if isinstance(profile, str) else json.dumps(profile))
        try:
            call_command("trace", str(files[0]), profile=str(files[1]), out=str(out))
        except SystemExit as ended:
            assert not out.exists()
            return ended.code, capsys.readouterr().err.splitlines()
        return 0, json.loads(out.read_text())

    return run


def test_the_document_has_the_agreed_keys(trace, made):
    code, answer = trace(csv_text(made))
    assert code == 0
    assert answer["rows"] == len(made.seconds)
    assert answer["channels"] == ["air_c", "coupon_A_c", "coupon_B_c"]
    assert answer["gaps"] == []
    assert answer["rounds_completed"] == 2
    assert answer["verdict"] == "met"
    assert [(s["round"], s["step"], s["verdict"]) for s in answer["steps"]] == [
        (number, name, "met") for number in (1, 2) for name in ("freeze", "heat", "cool")
    ]
    for step in answer["steps"]:
        assert set(step) >= STEP_KEYS
        assert set(step["by_channel"]) == set(answer["channels"])
        assert step["start"] <= step["reached_at"] < step["soak_end"]


def test_a_gap_is_listed_with_its_ends(trace, made):
    keep = [*range(100), *range(110, len(made.seconds))]
    answer = trace(csv_text(made, rows=keep))[1]
    assert answer["gaps"] == [
        {"from": "2026-12-07T09:39:00", "to": "2026-12-07T09:50:00", "seconds": 660, "ends_soak": True}
    ]


def test_a_file_in_fahrenheit_with_other_names_gives_the_same_verdicts(trace, made):
    columns = {
        "Chamber air (°F)": made.air_c * 9 / 5 + 32,
        "Glass A (°F)": made.glass_c["A"] * 9 / 5 + 32,
        "Glass B (°F)": made.glass_c["B"] * 9 / 5 + 32,
    }
    answer = trace(csv_text(made, columns=columns))[1]
    assert answer["verdict"] == "met"
    assert answer["channels"] == ["air_c", "coupon_Glass_A_c", "coupon_Glass_B_c"]
    assert any("degF" in text for text in answer["warnings"])


def test_missing_steps_have_nulls_and_a_reason(trace, made):
    answer = trace(csv_text(made, rows=range(300)))[1]
    last = answer["steps"][-1]
    assert last["verdict"] == "missing"
    assert last["start"] is None
    assert last["reached_at"] is None
    assert last["reason"] == "the trace ends, or leaves the profile, before this step"
    assert answer["verdict"] == "not met"


def test_same_input_same_bytes_and_standard_input(tmp_path, made, monkeypatch):
    profile = tmp_path / "profile.json"
    profile.write_text(json.dumps(PROFILE))
    outs = [tmp_path / name for name in ("one.json", "two.json")]
    for out in outs:
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(csv_text(made).encode())))
        call_command("trace", "-", profile=str(profile), out=str(out))
    assert outs[0].read_bytes() == outs[1].read_bytes()


def test_faults_of_both_files_are_listed(trace):
    broken = {**PROFILE, "rounds": 0}
    code, lines = trace("time,air_c\n2026-12-07T08:00:00,x\nnever,1\n", broken)
    assert code == 2
    assert lines == [
        "rounds: 0 is not from 1 to 1\u202f000",
        'row 2, column air_c: "x" is not a number',
        'row 3, column time: "never" is no time: write it as ISO 8601, e.g. 2026-12-07T08:00:00',
    ]


def test_a_file_that_is_not_there_is_said(tmp_path, capsys):
    with pytest.raises(SystemExit) as ended:
        call_command("trace", str(tmp_path / "none.csv"), profile=str(tmp_path / "none.json"))
    assert ended.value.code == 2
    assert "none.json: No such file or directory" in capsys.readouterr().err


def test_nothing_that_is_no_number_enters_the_document(trace, made):
    columns = made.columns()
    columns["coupon_A_c"] = np.where(made.seconds > 6000, np.nan, columns["coupon_A_c"])
    columns["coupon_B_c"] = np.full(len(made.seconds), np.nan)
    code, answer = trace(csv_text(made, columns=columns))
    assert code == 0
    assert answer["verdict"] == "not met"
    assert [step["verdict"] for step in answer["steps"]] == ["not reached"] * 6
