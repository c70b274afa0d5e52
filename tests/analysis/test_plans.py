"""Plans side by side: what they cost, what they keep to, and how one is drawn."""

from collections import Counter

import pytest

from labbench.analysis.models import PlanComparison
from labbench.analysis.plan_comparisons import is_as_the_plan_stands, plan_inputs, request_comparison
from labbench.analysis.plan_draws import drawn_coupons
from labbench.analysis.plans import compared_plans
from labbench.jobs.models import Job
from labbench.lab.models import ProfileStep, ThermalProfile
from labbench.studies.models import Level
from labbench.studies.planning import add_impossible, save_plan
from labbench.studies.services import set_level
from tests import factories


def factor(name, levels, **more):
    usual = {
        "kind": "categorical",
        "levels": list(levels),
        "baseline": levels[0] if levels else None,
        "reference": None,
        "is_hard_to_change": False,
        "levels_per_session": None,
        "left": [None] * len(levels),
    }
    return {"name": name} | usual | more


def inputs(*factors, **more):
    usual = {
        "impossible": [],
        "places": 8,
        "loads_ready": 2,
        "controls": {"reference": 1, "unrepaired": 0, "pristine": 1},
        "failing_share": 0.9,
        "holding_share": 0.02,
        "load_minutes": 90,
        "per_arm": 4,
        "size": 12,
        "studies": 3,
        "seed": 1,
    }
    return {"factors": list(factors)} | usual | more


def plans(asked):
    result = compared_plans(asked, progress=lambda done, total, words: None)
    return {plan["key"]: plan for plan in result["plans"]}, result["notes"]


RESIN, LAMP = factor("resin", ("A", "B")), factor("lamp", ("L1", "L2", "L3"))


def test_every_plan_says_what_it_costs():
    found, notes = plans(inputs(RESIN, LAMP))
    assert notes == []
    # Arms of the swaps: the baseline, one other resin, two other lamps.
    costs = {
        key: (plan["coupons"], plan["loads"], plan["controls"], plan["chamber_hours"]) for key, plan in found.items()
    }
    assert costs == {
        "swaps": (16, 2, 4, 3.0),
        "factorial": (6, 1, 2, 1.5),
        "d_optimal": (12, 2, 4, 3.0),
        "sequential": (16, 2, 4, 3.0),
    }
    for plan in found.values():
        assert {kind for kind, chance in plan["chances"].items() if chance} == {"single", "both", "either"}
        assert sum(arm["count"] for arm in plan["arms"]) == (8 if plan["is_sequential"] else plan["coupons"])


def test_progress_is_told_to_the_end():
    told = []
    compared_plans(inputs(RESIN, LAMP), progress=lambda done, total, words: told.append((done, total)))
    # Four plans, three kinds of cause (none of them is numeric), three studies each.
    assert told[-1] == (4 * 3 * 3, 4 * 3 * 3)
    assert told == sorted(told)


def test_factors_that_do_not_vary_and_missing_baselines_are_told():
    found, notes = plans(
        inputs(factor("resin", ("A", "B"), baseline=None), LAMP, factor("cover", ("on",)), factor("glass", ()))
    )
    assert notes == [
        "Cover has one level only: no plan can say anything about it.",
        "Glass has no level: no plan can say anything about it.",
        "Resin has no baseline: its first level is taken, A.",
    ]
    # The level that does not vary is on every coupon all the same.
    assert all(arm["levels"]["cover"] == "on" for arm in found["factorial"]["arms"])


def test_nothing_to_compare_and_nothing_that_can_be_made_are_no_crash():
    found, notes = plans(inputs(factor("resin", ("A",))))
    assert found == {}
    assert notes[-1] == "There is no factor with two levels: there is nothing to compare."
    nowhere = [{"resin": resin, "lamp": lamp} for resin in "AB" for lamp in ("L1", "L2", "L3")]
    found, _ = plans(inputs(RESIN, LAMP, impossible=nowhere))
    assert {plan["coupons"] for plan in found.values()} == {0}
    assert all(plan["reason"] and plan["chances"] is None and not plan["arms"] for plan in found.values())


def test_what_is_impossible_or_used_up_is_kept_to_or_told():
    asked = inputs(factor("resin", ("A", "B"), left=[None, 2]), LAMP, impossible=[{"resin": "B", "lamp": "L2"}])
    found, _ = plans(asked)
    for plan in found.values():
        assert {"resin": "B", "lamp": "L2"} not in [arm["levels"] for arm in plan["arms"]]
    assert sum(arm["count"] for arm in found["d_optimal"]["arms"] if arm["levels"]["resin"] == "B") <= 2
    assert "resin B is enough for 2, not 4" in found["swaps"]["reason"]


def test_a_numeric_factor_of_three_levels_is_played_as_a_matter_of_degrees():
    time = factor("cure_time_s", (60.0, 90.0, 120.0)) | {"kind": "numeric"}
    found, _ = plans(inputs(RESIN, time, studies=2))
    assert all(plan["chances"]["graded"]["found"] >= 0 for plan in found.values() if plan["chances"])
    two = factor("cure_time_s", (60.0, 90.0)) | {"kind": "numeric"}
    assert plans(inputs(RESIN, two, studies=2))[0]["sequential"]["chances"]["graded"] is None


def test_the_sequential_plan_keeps_to_stock_and_sessions_from_its_first_load_on():
    asked = inputs(
        factor("resin", ("A", "B"), left=[3, 2]), factor("lamp", ("L1", "L2", "L3"), levels_per_session=1), studies=4
    )
    plan = plans(asked)[0]["sequential"]
    assert sum(arm["count"] for arm in plan["arms"]) == 5
    assert len({arm["levels"]["lamp"] for arm in plan["arms"]}) == 1
    assert plan["reason"] == "stock and levels in one session allow 5 of the 8 coupons of the first load"
    # Five coupons in all, however many loads the lab is ready to run.
    assert plan["chances"]["single"]["mean_coupons"] == 5
    fixed = factor("glass", ("G-33",), left=[4])
    plan = plans(inputs(RESIN, LAMP, fixed, studies=2))[0]["sequential"]
    assert plan["chances"]["single"]["mean_coupons"] <= 4


def test_a_plan_of_thousands_is_counted_but_neither_played_nor_put_up():
    found, _ = plans(inputs(*(factor(f"f{n}", ("a", "b", "c", "d")) for n in range(5)), studies=1))
    assert (found["factorial"]["coupons"], found["factorial"]["chances"], found["factorial"]["arms"]) == (
        1024,
        None,
        [],
    )
    assert found["factorial"]["loads"] == 128


def test_a_draw_has_the_arms_and_the_controls_of_each_load():
    asked = inputs(factor("resin", ("A", "B"), reference="B"), LAMP)
    plan = plans(asked)[0]["swaps"]
    drawn = drawn_coupons(plan, asked, seed=3, people=2)
    assert drawn == drawn_coupons(plan, asked, seed=3, people=2)
    assert drawn != drawn_coupons(plan, asked, seed=4, people=2)
    assert Counter(one.role for one in drawn) == {"test": 16, "reference": 2, "pristine": 2}
    counted = Counter(tuple(sorted(one.levels.items())) for one in drawn if one.role == "test")
    assert counted == {tuple(sorted(arm["levels"].items())): arm["count"] for arm in plan["arms"]}
    assert [one.levels for one in drawn if one.role == "reference"] == [{"resin": "B"}] * 2
    for load in (0, 1):
        assert sorted(one.place for one in drawn if one.load == load) == list(range(1, 11))
    turns = [one.repair_order for one in drawn if one.role != "pristine"]
    assert sorted(turns) == list(range(1, 19))
    assert all(one.repair_order is None for one in drawn if one.role == "pristine")


@pytest.fixture
def study(db):
    profile = ThermalProfile.objects.create(name="Freeze, heat")
    for number, minutes in enumerate((480, 120), start=1):
        ProfileStep.objects.create(profile=profile, number=number, name="s", kind="freeze", min_minutes=minutes)
    made = factories.study(state="planned", profile=profile, rounds_planned=3)
    factories.factor(made, "resin", ("A", "B"))
    factories.factor(made, "lamp", ("L1", "L2"))
    return made


def test_the_inputs_are_what_the_study_asks_for(study):
    hand = factories.person()
    a = Level.objects.get(name="A")
    save_plan(study=study, settings={"places_per_load": 9}, factors={}, stock={a: 5}, by=hand)
    set_level(coupons=[factories.coupon(study)], factor=a.factor, level=a, by=hand)
    add_impossible(study=study, levels=[a, Level.objects.get(name="L2")], by=hand)
    asked = plan_inputs(study)
    assert (asked["places"], asked["load_minutes"]) == (8, 3 * 600)
    assert asked["impossible"] == [{"resin": "A", "lamp": "L2"}]
    # Enough for five, one is used.
    assert asked["factors"][0]["left"] == [4, None]


def compared(study, callbacks, **more):
    with callbacks(execute=True):
        made = request_comparison(study=study, by=factories.person(), studies=2, size=6, **more)
    made.refresh_from_db()
    return made


def test_the_same_question_gets_the_stored_answer(study, eager_queue, django_capture_on_commit_callbacks):
    first = compared(study, django_capture_on_commit_callbacks)
    assert first.job.state == Job.State.DONE
    assert {plan["plan"] for plan in first.result["plans"]} == {"swaps", "factorial", "d_optimal", "sequential"}
    assert compared(study, django_capture_on_commit_callbacks) == first
    assert compared(study, django_capture_on_commit_callbacks, seed=2) != first
    assert PlanComparison.objects.count() == 2
    assert is_as_the_plan_stands(first)
    save_plan(study=study, settings={"loads_ready": 9}, factors={}, stock={}, by=factories.person())
    assert not is_as_the_plan_stands(first)
