"""A lab file: what it says reaches the plan to the minute; every fault is listed with its path and rule."""

import json

import pytest

from labbench.formats.plan_lab import read_lab
from labbench.science.scheduling.lab import Closure, Load, StaffedWindow


def lab(**changes):
    document = {
        "start": "2026-12-07T08:00",
        "staffed": [{"weekday": 0, "from": "07:00", "to": "18:00"}],
        "chambers": [{"name": "F1", "kind": "freeze", "capacity": 24}, {"name": "O1", "kind": "heat", "capacity": 12}],
        "closures": [{"chamber": "F1", "from": "2026-12-07T07:00", "to": "2026-12-07T10:30"}],
        "profile": {
            "rounds": 3,
            "max_transfer_minutes": 10,
            "steps": [
                {"name": "cold", "kind": "freeze", "min_minutes": 480, "max_minutes": 960},
                {"name": "hot", "kind": "heat", "min_minutes": 120, "max_minutes": 120},
            ],
        },
        "loads": [{"name": "A", "coupons": 8, "ready": "2026-12-08T08:00", "due": None}],
    }
    return {key: value for key, value in {**document, **changes}.items() if value is not ...}


def faults(document):
    data = document if isinstance(document, bytes) else json.dumps(document).encode()
    reading = read_lab(data)
    assert (reading.lab is None) == bool(reading.faults)
    return reading.fault_lines


def test_times_are_minutes_after_the_start():
    read = read_lab(json.dumps(lab()).encode()).lab
    assert read.closures == (Closure("F1", -60, 150),)
    assert read.loads == (Load("A", 8, 1440, None),)
    assert read.staffed == (StaffedWindow(0, 420, 1080),)


def test_absent_hours_mean_always_and_an_empty_list_never():
    assert read_lab(json.dumps(lab(staffed=...)).encode()).lab.staffed is None
    assert read_lab(json.dumps(lab(staffed=[])).encode()).lab.staffed == ()


def test_whole_numbers_may_be_written_with_a_point_and_nothing_else():
    assert faults(lab(loads=[{"name": "A", "coupons": 8.0}])) == []
    assert faults(lab(loads=[{"name": "A", "coupons": 8.5}])) == [
        "loads[0].coupons: must be a whole number of coupons, not 8.5"
    ]


def test_a_load_may_have_a_profile_of_its_own():
    own = {"rounds": 1, "max_transfer_minutes": 5, "steps": lab()["profile"]["steps"][:1]}
    read = read_lab(json.dumps(lab(loads=[{"name": "A", "coupons": 8, "profile": own}])).encode()).lab
    assert [step.name for step in read.profile_of(read.loads[0]).stages] == ["cold"]
    assert faults(lab(loads=[{"name": "A", "coupons": 8, "profile": {**own, "rounds": 0}}])) == [
        "loads[0].profile.rounds: 0 is below 1"
    ]


def test_what_is_not_used_is_noted():
    reading = read_lab(json.dumps(lab(site="north")).encode())
    assert reading.lab is not None
    assert reading.notes == ("site: not used",)


def test_a_name_that_the_plan_writes_otherwise_is_noted():
    reading = read_lab(json.dumps(lab(loads=[{"name": " A\n1", "coupons": 8}])).encode())
    assert reading.lab.loads[0].name == "A 1"
    assert reading.notes == ('loads[0].name: read as "A 1"',)


WINDOW = {"weekday": 0, "from": "07:00", "to": "18:00"}
F1 = {"name": "F1", "kind": "freeze", "capacity": 1}
STEP = {"name": "cold", "kind": "freeze", "min_minutes": 480, "max_minutes": 960}
CLOSURE = {"chamber": "F1", "from": "2026-12-07T07:00", "to": "2026-12-07T10:30"}


def steps(*changed):
    return {"rounds": 1, "max_transfer_minutes": 0, "steps": [{**STEP, **change} for change in changed]}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"start": ...}, "start: is missing"),
        ({"start": "2026-12-07T08:00Z"}, 'start: "2026-12-07T08:00Z" has a time zone; times of a lab are local and without one'),
        ({"start": "2026-02-30T08:00"}, 'start: "2026-02-30T08:00" is not a time to the whole minute, such as "2026-12-07T08:00"'),
        ({"start": "2026-12-07T08:00:30"}, 'start: "2026-12-07T08:00:30" is not a time to the whole minute, such as "2026-12-07T08:00"'),
        ({"start": 5}, 'start: must be a time such as "2026-12-07T08:00", not a number'),
        ({"staffed": {}}, "staffed: must be a list, not an object"),
        ({"staffed": [{**WINDOW, "weekday": 7}]}, "staffed[0].weekday: 7 is above 6"),
        ({"staffed": [{**WINDOW, "weekday": True}]}, "staffed[0].weekday: must be a whole number, not true or false"),
        ({"staffed": [{**WINDOW, "to": "06:00"}]}, "staffed[0]: 07:00 is not before 06:00: a window lies within one day"),
        ({"staffed": [{**WINDOW, "to": "24:01"}]}, 'staffed[0].to: must be a time of the day from "00:00" to "24:00", not "24:01"'),
        ({"chambers": [{**F1, "kind": "fridge"}]}, 'chambers[0].kind: must be one of freeze, heat, cool, cycler, not "fridge"'),
        ({"chambers": [{**F1, "capacity": 0}]}, "chambers[0].capacity: 0 is below 1 coupons"),
        ({"chambers": [], "closures": []}, "chambers: is empty"),
        ({"closures": [{**CLOSURE, "chamber": "F9"}]}, 'closures[0].chamber: "F9" is not the name of a chamber'),
        ({"closures": [{**CLOSURE, "to": CLOSURE["from"]}]}, "closures[0]: from 2026-12-07T07:00 is not before to 2026-12-07T07:00"),
        ({"start": "9999-12-31T08:00"}, "start: 9999-12-31T08:00 is not in the years 1970 to 2200"),
        ({"start": "0001-01-01T08:00"}, "start: 0001-01-01T08:00 is not in the years 1970 to 2200"),
        ({"closures": [{**CLOSURE, "to": "2046-12-07T10:30"}]}, "closures[0].to: 2046-12-07T10:30 is more than two years away from start"),
        ({"profile": steps({"min_minutes": 0})}, "profile.steps[0].min_minutes: 0 is below 1 minutes"),
        ({"profile": steps({"min_minutes": -5})}, "profile.steps[0].min_minutes: -5 is below 1 minutes"),
        ({"profile": steps({"min_minutes": 961})}, "profile.steps[0]: min_minutes 961 is above max_minutes 960"),
        ({"profile": steps({}, {})}, 'profile.steps[1].name: "cold" is already the name of profile.steps[0]'),
        ({"profile": steps({"kind": "cycler"})}, 'profile.steps[0].kind: must be one of freeze, heat, cool, not "cycler"'),
        ({"profile": {**steps({}), "rounds": 10**30}}, "profile.rounds: the number is above 1,000"),
        ({"profile": {**steps({}), "rounds": 600}}, "profile: 1 steps x 600 rounds are more than 500 soaks"),
        ({"profile": steps({}) | {"max_transfer_minutes": -1}}, "profile.max_transfer_minutes: -1 is below 0 minutes"),
        ({"loads": [{"name": "A"}]}, "loads[0].coupons: is missing"),
        ({"loads": [{"name": " ", "coupons": 1}]}, "loads[0].name: is blank"),
        ({"loads": [{"name": "A", "coupons": 1}] * 2}, 'loads[1].name: "A" is already the name of loads[0]'),
        ({"loads": []}, "loads: is empty: there is nothing to plan"),
        ({"loads": ["A"]}, "loads[0]: must be an object, not a text"),
        ({"loads": [{"name": "A", "coupons": 1, "dues": "x"}]}, "loads[0].dues: is not a key that is read; did you mean due?"),
        ({"loads": [{"name": str(n), "coupons": 1} for n in range(501)]}, "loads: has 501 entries; at most 500 are planned together"),
    ],
)  # fmt: skip
def test_each_fault_is_named_with_its_path_and_rule(changes, said):
    assert faults(lab(**changes)) == [said]


def test_all_faults_are_listed_together():
    document = lab(start=1, loads=[{"name": "A", "coupons": "many"}], staffed=[{"weekday": 9, "from": "x", "to": "y"}])
    assert len(faults(document)) == 5


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "the file is empty"),
        (b"[]", "must be an object, not a list"),
        (b'{"start": NaN}', "the lab file holds NaN, which is not a number"),
        (b'{"start": 1, "start": 2}', 'the lab file has the key "start" twice in one object'),
        (b"{", "the lab file is not JSON: expecting property name enclosed in double quotes at line 1, character 2"),
        (b"\xff\xfe", "the lab file is not UTF-8 text"),
        (b"[" * 100_000, "the lab file is not JSON that can be read"),
    ],
)
def test_what_is_no_lab_file_is_refused_in_words(data, said):
    assert faults(data) == [said]
