"""An analysis is computed once from frozen inputs."""

import json
from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError

from labbench.analysis.models import Analysis
from labbench.analysis.services import canonical, is_as_the_study_stands, load_order, request_analysis
from labbench.analysis.sheets import study_sheet
from labbench.bench.models import Booking, Load, LoadPlace
from labbench.bench.services import record_inspection
from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.jobs.models import Job
from labbench.lab.models import Chamber
from labbench.science.document import document
from labbench.science.evaluation import evaluate
from labbench.studies.models import Level
from labbench.studies.planning import FactorLimits, add_impossible, save_plan
from labbench.studies.services import set_level
from tests import factories
from tests.factories import NOON

pytestmark = pytest.mark.django_db


@pytest.fixture
def study():
    made, hand = factories.study(rounds_planned=3), factories.person("technician")
    resin = factories.factor(made, "resin", ("A", "B"))
    for number, (level, outcome) in enumerate([("A", "intact")] * 4 + [("B", "cracked_out")] * 4):
        coupon = factories.coupon(made, code=f"C{number}")
        set_level(coupons=[coupon], factor=resin, level=resin.levels.get(name=level), by=hand)
        record_inspection(coupon=coupon, by=hand, seen_at=NOON, round_number=3, outcome=outcome)
    return made


def test_nothing_to_analyse_is_said_before_a_job_is_made():
    empty, waiting = factories.study(code="EL-1"), factories.study(code="EL-2")
    factories.coupon(waiting)
    factories.coupon(waiting, role="pristine")
    for study, words in (
        (empty, "EL-1 has no coupon yet: there is nothing to analyse."),
        (waiting, "No coupon of EL-2 has been inspected after a round or broken in a strength test yet"),
    ):
        with pytest.raises(ValidationError, match=words):
            request_analysis(study=study, by=factories.person())
    assert not Job.objects.exists()


def analysed(study, callbacks, **details):
    with callbacks(execute=True):
        made = request_analysis(study=study, by=details.pop("by", None) or factories.person(), **details)
    made.refresh_from_db()
    return made


def test_the_result_is_what_the_science_says_of_the_frozen_sheet(
    study, eager_queue, django_capture_on_commit_callbacks
):
    made = analysed(study, django_capture_on_commit_callbacks)
    sheet = read_coupon_sheet(made.sheet_csv.encode()).sheet
    again = document(evaluate(sheet, next_count=12))
    assert made.job.state == Job.State.DONE
    assert json.loads(canonical(made.result))["factors"] == json.loads(canonical(again))["factors"]
    # Four of four against none of four: 2 / C(8, 4) = 1 / 35 two-sided, by hand.
    assert made.result["factors"][0]["association"]["p_value"] == pytest.approx(2 / 70, rel=1e-12)


def test_the_same_question_gets_the_stored_answer(study, eager_queue, django_capture_on_commit_callbacks):
    first = analysed(study, django_capture_on_commit_callbacks)
    assert analysed(study, django_capture_on_commit_callbacks) == first
    assert Job.objects.count() == 1


def test_a_new_look_makes_a_new_analysis_and_leaves_the_old_one(study, eager_queue, django_capture_on_commit_callbacks):
    first = analysed(study, django_capture_on_commit_callbacks)
    record_inspection(
        coupon=factories.coupon(study), by=factories.person(), seen_at=NOON, round_number=3, outcome="intact"
    )
    second = analysed(study, django_capture_on_commit_callbacks)
    assert second != first
    assert (first.coupons, second.coupons) == (8, 9)


def test_a_cancelled_analysis_is_queued_again_when_asked_for(study, eager_queue, django_capture_on_commit_callbacks):
    first = request_analysis(study=study, by=factories.person())
    from labbench.jobs.services import cancel

    cancel(job=first.job)
    again = analysed(study, django_capture_on_commit_callbacks)
    assert again == first
    assert again.job.state == Job.State.DONE


def test_coupons_not_yet_seen_are_left_out_and_counted(study):
    factories.coupon(study, code="waiting")
    drawn = study_sheet(study)
    assert "waiting" not in drawn.sheet.coupons
    assert drawn.notes == ("1 of 9 coupons has not been seen after a round yet and is left out.",)
    assert "waiting" in study_sheet(study, with_unfinished=True).sheet.coupons


@pytest.mark.parametrize("coupons", [1, 3])
def test_the_sheet_takes_the_same_number_of_queries(coupons, django_assert_num_queries):
    made, hand = factories.study(), factories.person("technician")
    resin = factories.factor(made)
    for _ in range(coupons):
        coupon = factories.coupon(made)
        set_level(coupons=[coupon], factor=resin, level=resin.levels.first(), by=hand)
        record_inspection(coupon=coupon, by=hand, seen_at=NOON, round_number=1, outcome="intact")
    with django_assert_num_queries(7):
        study_sheet(made)


def test_the_stored_result_is_not_computed_twice(study, eager_queue, django_capture_on_commit_callbacks):
    made = analysed(study, django_capture_on_commit_callbacks)
    from labbench.analysis.tasks import analyse

    analyse(str(made.job.pk))
    assert Analysis.objects.get().finished_at == made.finished_at


def test_what_a_plan_keeps_to_is_kept_by_the_next_coupons(study, eager_queue, django_capture_on_commit_callbacks):
    lamp = factories.factor(study, "lamp", ("L1", "L2"))
    hand = factories.person()
    set_level(coupons=list(study.coupons.all()), factor=lamp, level=lamp.levels.get(name="L1"), by=hand)
    free = analysed(study, django_capture_on_commit_callbacks)
    assert sum(row["count"] for row in free.result["next_coupons"]) == 12
    assert {"resin": "B", "lamp": "L2"} in [row["levels"] for row in free.result["next_coupons"]]
    pair = [Level.objects.get(name="B"), Level.objects.get(name="L2")]
    add_impossible(study=study, levels=pair, by=hand)
    save_plan(study=study, settings={"places_per_load": 6}, factors={}, stock={}, by=hand)
    bound = analysed(study, django_capture_on_commit_callbacks)
    assert not is_as_the_study_stands(free)
    assert bound.parameters["impossible"] == [{"resin": "B", "lamp": "L2"}]
    assert sum(row["count"] for row in bound.result["next_coupons"]) == 5
    assert {"resin": "B", "lamp": "L2"} not in [row["levels"] for row in bound.result["next_coupons"]]


def test_stock_and_levels_of_one_session_bind_the_next_coupons(study, eager_queue, django_capture_on_commit_callbacks):
    lamp = factories.factor(study, "lamp", ("L1", "L2"))
    hand = factories.person()
    first, second = Level.objects.get(name="L1"), Level.objects.get(name="L2")
    set_level(coupons=list(study.coupons.all()), factor=lamp, level=first, by=hand)
    limits = FactorLimits(is_hard_to_change=True, levels_per_session=1, baseline=None, reference=None)
    save_plan(study=study, settings={}, factors={lamp: limits}, stock={second: 3}, by=hand)
    made = analysed(study, django_capture_on_commit_callbacks)
    assert made.parameters["left"] == [["lamp", "L2", 3]]
    assert made.parameters["levels_per_load"] == {"lamp": 1}
    rows = made.result["next_coupons"]
    assert len({row["levels"]["lamp"] for row in rows}) == 1
    assert sum(row["count"] for row in rows if row["levels"]["lamp"] == "L2") <= 3


def test_loads_come_in_the_order_they_went_into_a_chamber(study):
    assert load_order(study) == []
    freezer = Chamber.objects.create(code="freezer", kind="freeze", capacity_coupons=24)
    for name, hours in (("Zulu", 0), ("Alfa", 24)):
        load = Load.objects.create(study=study, name=name)
        LoadPlace.objects.create(load=load, coupon=study.coupons.filter(load_place=None).first())
        start = NOON + timedelta(hours=hours)
        Booking.objects.create(
            load=load, chamber=freezer, planned_start=start, planned_end=start + timedelta(hours=9), started_at=start
        )
    assert load_order(study) == ["Zulu", "Alfa"]
    # One whose time is not known leaves it to the names.
    late = Load.objects.create(study=study, name="late")
    assert load_order(study) == ["Zulu", "Alfa"]
    LoadPlace.objects.create(load=late, coupon=study.coupons.filter(load_place=None).first())
    assert load_order(study) == []
