"""The dose of each repair: which survey counts, what is kept, and what a later correction of the survey changes."""

from datetime import UTC, datetime, timedelta

import pytest
from django.core.exceptions import ValidationError

from labbench.bench.doses import (
    compute_dose,
    dose_counts,
    dose_now,
    dose_standings,
    doses_from,
    recompute_dose,
    recompute_study,
)
from labbench.bench.models import ReceivedDose, Repair
from labbench.bench.services import correct, record_repair, take_out
from labbench.lab.models import LampReplacement, SurveyPoint
from labbench.lab.records import keep
from tests import factories
from tests.factories import NOON

pytestmark = pytest.mark.django_db
# A square of four places, the first read twice: means 2, 4, 6 and 8 mW/cm², over all of them 5.
READINGS = ((0, 0, 1.9), (0, 0, 2.1), (20, 0, 4.0), (0, 20, 6.0), (20, 20, 8.0))


def surveyed(lamp, *, readings=READINGS, at=NOON - timedelta(days=13), **changes):
    made = factories.survey(
        lamp, at=at, **({"radiometer": changes.pop("radiometer")} if "radiometer" in changes else {})
    )
    for name, value in {"distance_mm": 30.0, **changes}.items():
        setattr(made, name, value)
    made.save()
    seen = {}
    for x, y, value in readings:
        seen[x, y] = seen.get((x, y), 0) + 1
        SurveyPoint.objects.create(survey=made, x_mm=x, y_mm=y, reading=seen[x, y], irradiance_mw_cm2=value)
    return made


def repaired(lamp, **details):
    coupon = details.pop("coupon", None) or factories.coupon()
    given = {
        "repaired_at": NOON,
        "cure_time_s": 60.0,
        "distance_mm": 30.0,
        "resin_lot": factories.resin_lot(),
    } | details
    return record_repair(coupon=coupon, by=factories.person("technician"), lamp=lamp, **given).record


def test_the_dose_is_kept_with_what_it_was_computed_from():
    lamp = factories.lamp()
    survey = surveyed(lamp, calibration_factor=1.02, lamp_hours_h=371.0)
    repair = repaired(lamp, break_x_mm=10.0, break_y_mm=10.0)
    dose = repair.received_dose
    # Irradiance times 60 s: coldest 2, mean 5, hottest 8; in the middle of the square 5 mW/cm².
    assert (dose.dose_min_mj_cm2, dose.dose_mean_mj_cm2, dose.dose_max_mj_cm2) == pytest.approx((120, 300, 480))
    assert (dose.irradiance_min_mw_cm2, dose.irradiance_max_mw_cm2, dose.survey_points) == (2.0, 8.0, 4)
    assert dose.dose_break_mj_cm2 == pytest.approx(300)
    assert (dose.min_over_mean, dose.cure_time_s, dose.survey_id) == (pytest.approx(0.4), 60.0, survey.pk)
    assert (dose.calibration_factor, dose.lamp_hours_h, dose.rule_version, dose.is_meter_overdue) == (
        1.02,
        371.0,
        1,
        False,
    )
    assert dose.history.get().history_user == repair.technician


NO_DOSE = {
    "never surveyed": ({}, None, "had not been surveyed before the repair"),
    "surveyed afterwards": ({}, {"at": NOON + timedelta(hours=1)}, "had not been surveyed before the repair"),
    "other cover": ({"is_cover_on": True}, {}, "surveyed with the cover off only; the repair had it on"),
    "no distance": ({"distance_mm": None}, {}, "not recorded, so no survey can be said to be of it. With the cover off lamp"),
    "too far": ({"distance_mm": 35.1}, {}, "was surveyed at 30 mm with the cover off; the repair was at 35.1 mm"),
    "too old": ({}, {"at": NOON - timedelta(days=91)}, "more than 90 days before the repair"),
    "no reading": ({}, {"readings": ()}, "holds no reading"),
    "withdrawn": ({}, {"withdrawn_at": NOON - timedelta(days=1)}, "had not been surveyed before the repair"),
}  # fmt: skip


@pytest.mark.parametrize("case", NO_DOSE)
def test_without_a_survey_that_counts_there_is_no_dose_and_it_says_why(case):
    details, survey, reason = NO_DOSE[case]
    lamp = factories.lamp()
    if survey is not None:
        surveyed(lamp, **survey)
    repair = repaired(lamp, **details)
    assert not ReceivedDose.objects.exists()
    (standing,) = dose_standings([repair])
    assert reason in standing.now.reason
    assert not standing.can_be_computed


@pytest.mark.parametrize("distance_mm", [25.0, 35.0])
def test_a_distance_within_five_millimetres_counts(distance_mm):
    lamp = factories.lamp()
    surveyed(lamp)
    assert repaired(lamp, distance_mm=distance_mm).received_dose.dose_min_mj_cm2 == pytest.approx(120)


def test_an_older_survey_counts_where_the_newest_is_of_another_cover():
    lamp = factories.lamp()
    off, on = surveyed(lamp), surveyed(lamp, at=NOON - timedelta(days=1), is_cover_on=True)
    assert repaired(lamp).received_dose.survey == off
    assert repaired(lamp, is_cover_on=True).received_dose.survey == on


def test_a_survey_of_an_earlier_life_of_the_lamp_does_not_count():
    lamp, lead = factories.lamp(emitter_kind="fluorescent"), factories.person()
    surveyed(lamp)
    renewed = LampReplacement(
        lamp=lamp, replaced_at=NOON - timedelta(days=2), part="tube", hours_before_h=800, hours_after_h=0,
        replaced_by=lead, reason="dark at one end",
    )  # fmt: skip
    renewed.save()
    repair = repaired(lamp)
    assert "was renewed on 31 Oct 2026 (tube) and not surveyed since" in dose_now(repair).reason


def test_an_overdue_meter_is_said_and_does_not_hinder():
    lamp = factories.lamp()
    surveyed(lamp, radiometer=factories.radiometer(due_on=datetime(2026, 10, 1, tzinfo=UTC).date(), code="M-7"))
    repair = repaired(lamp)
    assert repair.received_dose.is_meter_overdue
    assert "meter M-7 was due on 1 Oct 2026, before the survey of 20 Oct 2026" in " ".join(dose_now(repair).cautions)


@pytest.mark.parametrize(
    ("read", "words"),
    [(1.5, "below the coldest place"), (10.0, "above the hottest place"), (5.0, ""), (1.7, "")],
)
def test_a_reading_that_disagrees_with_the_survey_is_said(read, words):
    lamp = factories.lamp()
    surveyed(lamp)
    repair = repaired(lamp, irradiance_mw_cm2=read)
    told = " ".join(dose_now(repair).cautions)
    assert words in told if words else told == ""
    # The reading of the day keeps its own figure: irradiance times time at the one place.
    assert repair.dose_mj_cm2 == pytest.approx(read * 60)


def test_a_break_outside_the_surveyed_area_gets_no_dose_of_its_own():
    lamp = factories.lamp()
    surveyed(lamp)
    repair = repaired(lamp, break_x_mm=50.0, break_y_mm=0.0)
    assert repair.received_dose.dose_break_mj_cm2 is None
    assert dose_now(repair).cautions == ("The break lay outside the surveyed area: there is no dose at the break.",)


def test_a_corrected_repair_is_computed_anew_and_its_history_stays():
    lamp = factories.lamp()
    surveyed(lamp)
    repair, lead = repaired(lamp), factories.person()
    correct(record=repair, by=lead, reason="misread", changes={"cure_time_s": 90.0})
    dose = ReceivedDose.objects.get()
    assert dose.dose_min_mj_cm2 == pytest.approx(180)
    assert [row.history_change_reason for row in dose.history.order_by("history_id")] == [
        "computed with the repair", "repair corrected: misread",
    ]  # fmt: skip
    correct(record=repair, by=lead, reason="other distance", changes={"distance_mm": 60.0})
    assert not ReceivedDose.objects.exists()
    assert ReceivedDose.history.filter(history_type="-").get().history_user == lead


def corrected(survey, value=4.0):
    """The first place read otherwise; its two readings are one survey still."""
    point = survey.points.order_by("pk").first()
    point.irradiance_mw_cm2 = value
    keep(point, by=factories.person(), reason="typed wrongly")
    return survey


def test_a_later_correction_of_the_survey_leaves_the_stored_dose_until_it_is_asked_for():
    lamp, lead = factories.lamp(), factories.person()
    survey = surveyed(lamp)
    repair = repaired(lamp)
    corrected(survey)
    (standing,) = dose_standings([repair])
    assert standing.stored.dose_min_mj_cm2 == pytest.approx(120)
    assert (standing.changed, standing.can_be_computed) == ("The survey was corrected since.", True)
    # A correction of something that does not decide the dose does not touch it either.
    correct(record=repair, by=lead, reason="forgotten", changes={"note": "sunny day"})
    assert ReceivedDose.objects.get().dose_min_mj_cm2 == pytest.approx(120)
    recompute_dose(repair=repair, by=lead)
    # The first place now has the mean 3.05 of 4.0 and 2.1.
    assert ReceivedDose.objects.get().dose_min_mj_cm2 == pytest.approx(60 * 3.05)
    assert ReceivedDose.history.first().history_change_reason == "computed again: The survey was corrected since."
    with pytest.raises(ValidationError, match="is the one that the surveys give now"):
        recompute_dose(repair=repair, by=lead)


def test_all_doses_of_a_study_are_brought_up_to_date_at_once(django_assert_num_queries):
    lamp, study, lead = factories.lamp(), factories.study(), factories.person()
    survey = surveyed(lamp)
    repairs = [repaired(lamp, coupon=factories.coupon(study)) for _ in range(3)]
    ReceivedDose.objects.filter(repair=repairs[0]).delete()
    corrected(survey)
    assert recompute_study(study=study, by=lead) == 3
    assert {round(row.dose_min_mj_cm2) for row in ReceivedDose.objects.all()} == {183}
    assert recompute_study(study=study, by=lead) == 0
    surveyed(lamp, at=NOON - timedelta(days=1), is_cover_on=True)
    survey.withdrawn_at = NOON
    survey.save()
    assert recompute_study(study=study, by=lead) == 3
    assert not ReceivedDose.objects.exists()
    with django_assert_num_queries(5):
        assert len(dose_standings(repairs)) == 3


@pytest.mark.parametrize("count", [1, 3])
def test_standings_ask_the_same_number_of_questions(django_assert_num_queries, count):
    lamp = factories.lamp()
    surveyed(lamp)
    made = [repaired(lamp).pk for _ in range(count)]
    repairs = list(Repair.objects.filter(pk__in=made).select_related("lamp"))
    with django_assert_num_queries(5):
        assert all(one.stored and not one.changed for one in dose_standings(repairs))


def test_the_dose_goes_with_its_repair_and_only_a_lead_changes_a_closed_study():
    lamp, lead = factories.lamp(), factories.person()
    survey = surveyed(lamp)
    repair = repaired(lamp)
    corrected(survey)
    study = repair.coupon.study
    study.state = "closed"
    study.save()
    repair = Repair.objects.select_related("coupon__study", "lamp").get()
    with pytest.raises(ValidationError, match="is closed"):
        recompute_dose(repair=repair, by=repair.technician)
    recompute_dose(repair=repair, by=lead)
    take_out(record=repair, by=lead, reason="wrong coupon")
    assert not ReceivedDose.objects.exists()
    assert ReceivedDose.history.first().history_change_reason == "wrong coupon"


def test_computing_twice_changes_nothing():
    lamp = factories.lamp()
    surveyed(lamp)
    repair = repaired(lamp)
    assert compute_dose(repair=repair, by=factories.person(), reason="again") == repair.received_dose
    assert ReceivedDose.history.count() == 1


def test_a_study_is_due_where_a_survey_or_a_renewal_before_the_repair_is_entered_later():
    lamp, lead = factories.lamp(), factories.person()
    first = surveyed(lamp)
    repair = repaired(lamp)
    study = repair.coupon.study
    assert dose_counts(study).due == 0
    # Of another cover, another distance, or after the repair: none of them counts for it.
    surveyed(lamp, at=NOON - timedelta(days=2), is_cover_on=True)
    surveyed(lamp, at=NOON - timedelta(days=2), distance_mm=40.0)
    surveyed(lamp, at=NOON + timedelta(days=1))
    assert dose_counts(study).due == 0
    second = surveyed(lamp, at=NOON - timedelta(days=1), distance_mm=34.0)
    assert dose_counts(study).due == 1
    assert recompute_study(study=study, by=lead) == 1
    assert ReceivedDose.objects.get().survey == second
    assert ReceivedDose.history.first().history_change_reason == "computed again with all of the study"
    assert ReceivedDose.history.first().history_user == lead
    assert [row["doses"] for row in doses_from(second)] == [1]
    assert list(doses_from(first)) == []
    assert dose_counts(study).due == 0
    LampReplacement.objects.create(
        lamp=lamp,
        replaced_at=NOON - timedelta(hours=3),
        part="tube",
        hours_before_h=1,
        hours_after_h=0,
        replaced_by=lead,
        reason="dark",
    )
    assert dose_counts(study).due == 1
    recompute_study(study=study, by=lead)
    assert not ReceivedDose.objects.exists()
    assert dose_counts(study).due == 0
