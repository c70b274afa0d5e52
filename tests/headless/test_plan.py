"""The command plan: a lab in, one document out."""

import io
import json
import sys

import pytest
from django.core.management import call_command

from tests.science.plan_checker import broken_rules

LAB = {
    "start": "2026-12-07T08:00",
    "staffed": [{"weekday": day, "from": "07:00", "to": "18:00"} for day in range(5)],
    "chambers": [{"name": "freezer", "kind": "freeze", "capacity": 8}, {"name": "oven", "kind": "heat", "capacity": 8}],
    "profile": {
        "rounds": 1,
        "max_transfer_minutes": 10,
        "steps": [
            {"name": "cold", "kind": "freeze", "min_minutes": 480, "max_minutes": 960},
            {"name": "hot", "kind": "heat", "min_minutes": 60, "max_minutes": 120},
        ],
    },
    "loads": [{"name": "A", "coupons": 8}, {"name": "B", "coupons": 8, "due": "2026-12-07T18:00"}],
}


@pytest.fixture
def plan(tmp_path, capsys):
    def run(lab, *arguments):
        file, out = tmp_path / "lab.json", tmp_path / "plan.json"
        file.write_text(lab if isinstance(lab, str) else json.dumps(lab))
        out.unlink(missing_ok=True)
        try:
            call_command("plan", str(file), *arguments, out=str(out))
        except SystemExit as ended:
            assert not out.exists()
            return ended.code, capsys.readouterr().err.splitlines()
        return 0, out.read_text()

    return run


def test_the_document_has_the_agreed_keys(plan):
    code, text = plan(LAB, "--seconds", "5")
    answer = json.loads(text)
    assert code == 0
    assert broken_rules(LAB, answer) == []
    assert set(answer) >= {"status", "reason", "makespan_minutes", "bound_minutes", "bookings", "late"}
    # B is due today and freezes by day; A freezes over the night until 07:00, heats for an hour and ends 24 h after 08:00.
    assert answer["status"] == "optimal"
    assert (answer["makespan_minutes"], answer["bound_minutes"], answer["late"]) == (1440, 1440, [])
    assert answer["bookings"][0] == {
        "load": "B",
        "round": 1,
        "step": "cold",
        "chamber": "freezer",
        "start": "2026-12-07T08:00",
        "end": "2026-12-07T16:00",
    }


def test_the_same_lab_gives_the_same_bytes(plan):
    assert plan(LAB, "--seconds", "20", "--seed", "3") == plan(LAB, "--seconds", "20", "--seed", "3")


def test_a_cycler_takes_loads_together(plan):
    lab = {**LAB, "chambers": [{"name": "cycler", "kind": "cycler", "capacity": 16}]}
    answer = json.loads(plan(lab)[1])
    assert broken_rules(lab, answer) == []
    assert {(b["round"], b["step"], b["start"], b["end"]) for b in answer["bookings"]} == {
        (None, None, "2026-12-07T08:00", "2026-12-07T17:00")
    }


def test_a_lab_without_a_plan_says_what_is_in_the_way(plan):
    lab = {**LAB, "loads": [{"name": "A", "coupons": 9}]}
    code, text = plan(lab)
    answer = json.loads(text)
    assert code == 0
    assert (answer["status"], answer["makespan_minutes"], answer["bound_minutes"]) == ("infeasible", None, None)
    assert (answer["bookings"], answer["late"]) == ([], [])
    assert "its 9 coupons exceed the capacity of every freeze chamber, the largest holds 8" in answer["reason"]


def test_a_lab_comes_from_standard_input(tmp_path, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(json.dumps(LAB).encode())))
    call_command("plan", "-", out=str(tmp_path / "plan.json"))
    assert len(json.loads((tmp_path / "plan.json").read_text())["bookings"]) == 4


@pytest.mark.parametrize(
    ("lab", "arguments", "said"),
    [
        (LAB, ("--seconds", "0"), "--seconds: 0 is not between 0 and 86400"),
        (LAB, ("--seconds", "nan"), "--seconds: nan is not between 0 and 86400"),
        (LAB, ("--seed", "-1"), "--seed: -1 is below 0"),
        ({**LAB, "start": None}, (), 'start: must be a time such as "2026-12-07T08:00", not null'),
    ],
)
def test_bad_input_is_named(plan, lab, arguments, said):
    assert plan(lab, *arguments) == (2, [said])
