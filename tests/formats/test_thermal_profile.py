"""PROFILE.json: what is read, and every fault."""

from __future__ import annotations

import json
from copy import deepcopy

import pytest

from labbench.formats.thermal_profile import read_thermal_profile

SOUND = {
    "rounds": 3,
    "max_transfer_minutes": 5,
    "steps": [
        {"name": "freeze", "target_c": -18, "tolerance_k": 4, "min_minutes": 480, "max_minutes": 960},
        {"name": "heat", "target_c": 77, "tolerance_k": 5, "min_minutes": 120, "max_minutes": 240},
        {"name": "cool", "target_c": 25, "tolerance_k": 9, "min_minutes": 60, "max_minutes": None},
    ],
}


def faults_of(document):
    reading = read_thermal_profile((document if isinstance(document, str) else json.dumps(document)).encode())
    assert (reading.profile is None) == bool(reading.faults)
    return reading.fault_lines


def test_a_sound_profile_is_read():
    reading = read_thermal_profile(json.dumps(SOUND).encode())
    assert reading.fault_lines == []
    assert reading.profile.rounds == 3
    assert [step.name for step in reading.profile.steps] == ["freeze", "heat", "cool"]
    assert (reading.profile.steps[0].low_c, reading.profile.steps[0].high_c) == (-22, -14)
    assert reading.profile.steps[2].max_minutes is None


@pytest.mark.parametrize(
    ("place", "value", "said"),
    [
        (("rounds",), 0, "rounds: 0 is not from 1 to 1\u202f000"),
        (("rounds",), 2.5, "rounds: 2.5 is not a whole number"),
        (("rounds",), "3", 'rounds: "3" is not a whole number'),
        (("rounds",), True, "rounds: true is not a whole number"),
        (("rounds",), None, "rounds: is missing"),
        (("max_transfer_minutes",), -1, "max_transfer_minutes: -1 is not from 0 to 1e+06"),
        (("steps",), [], "steps: must be a list with at least one step"),
        (("steps", 0), 5, "steps[0]: must be an object with name, target_c, tolerance_k, min_minutes, max_minutes"),
        (("steps", 0, "target_c"), "cold", 'steps[0].target_c: "cold" is not a number'),
        (("steps", 0, "target_c"), 1e9, "steps[0].target_c: 1000000000.0 is not from -100 to 300"),
        (("steps", 1, "tolerance_k"), 0, "steps[1].tolerance_k: 0 is not above 0: no reading would ever be inside"),
        (("steps", 1, "max_minutes"), 60, "steps[1].max_minutes: 60 is less than min_minutes 120"),
        (("steps", 1, "name"), 7, "steps[1].name: 7 is not a name"),
        (
            ("steps", 1, "target_c"),
            -10,
            "steps[1]: its band -15 to -5 degC meets that of steps[0] -22 to -14 degC, which it follows: a trace can't tell "
            "them apart",
        ),
    ],
)
def test_each_fault_is_named(place, value, said):
    document = deepcopy(SOUND)
    target = document
    for key in place[:-1]:
        target = target[key]
    target[place[-1]] = value
    assert faults_of(document) == [said]


def test_missing_keys_and_several_faults_are_all_listed():
    document = deepcopy(SOUND)
    del document["max_transfer_minutes"]
    del document["steps"][0]["min_minutes"]
    document["steps"][2]["tolerance_k"] = -1
    assert faults_of(document) == [
        "max_transfer_minutes: is missing, null means no limit",
        "steps[0].min_minutes: is missing",
        "steps[2].tolerance_k: -1 is not from 0 to 100",
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the file is empty"),
        ("{", "the profile is not JSON: expecting property name enclosed in double quotes at line 1, character 2"),
        ("[]", 'the profile must be an object with "rounds", "max_transfer_minutes" and "steps"'),
        ('{"rounds": NaN}', "the profile holds NaN, which is not a number"),
        ('{"rounds": 1, "rounds": 2}', 'the profile has the key "rounds" twice in one object'),
        ('{"rounds": 1e999, "max_transfer_minutes": 1, "steps": [1]}', "rounds: Infinity is not a whole number"),
    ],
)
def test_what_is_no_profile_is_refused_in_words(text, said):
    assert faults_of(text)[0] == said


def test_other_keys_are_noted():
    document = deepcopy(SOUND)
    document["colour"] = "blue"
    reading = read_thermal_profile(json.dumps(document).encode())
    assert reading.notes == ('profile: the key "colour" is not read',)
