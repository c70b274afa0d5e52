"""Surveys: drafts, storing, correcting, withdrawing; meters and their factors."""

from datetime import UTC, date, datetime

import pytest
from django.core.exceptions import ValidationError

from labbench.bench.models import Repair
from labbench.bench.rules import last_survey, repair_findings
from labbench.lab import meters, surveys
from labbench.lab.models import Calibration, LampSurvey, SurveyDraft, SurveyPoint
from labbench.lab.queries import lamp_rows
from tests import factories

pytestmark = pytest.mark.django_db
READ = datetime(2026, 10, 20, 9, tzinfo=UTC)
PLACES = [(-20.0, 0.0), (0.0, 0.0), (20.0, 0.0)]


def calibrated(factor=1.0, **details):
    meter = factories.radiometer(**details)
    meter.calibrations.update(factor=factor, expanded_uncertainty_percent=5)
    return meter


def draft(by=None, **given):
    details = {
        "lamp": factories.lamp(),
        "radiometer": calibrated(),
        "distance_mm": 30.0,
        "places": PLACES,
        "started_at": READ,
    }
    return surveys.start_draft(by=by or factories.person("technician"), **(details | given))


def read(of, *values):
    for place, value in enumerate(values):
        surveys.read_place(draft=of, place=place, reading=1, raw_reading=value)


def stored(*values, by=None, **given):
    made = draft(**given)
    read(made, *values)
    return surveys.store_draft(draft=made, by=by or factories.person("technician"))


def values_of(survey):
    return list(
        survey.points.order_by("x_mm", "reading").values_list("x_mm", "reading", "raw_reading", "irradiance_mw_cm2")
    )


def test_a_draft_becomes_a_survey_whole_and_is_gone():
    by = factories.person("technician")
    made = draft()
    read(made, 9.0, 10.0, 11.0)
    surveys.read_place(draft=made, place=1, reading=2, raw_reading=10.2)
    survey = surveys.store_draft(draft=made, by=by)
    assert values_of(survey) == [(-20, 1, 9, 9), (0, 1, 10, 10), (0, 2, 10.2, 10.2), (20, 1, 11, 11)]
    assert (survey.surveyed_at, survey.surveyed_by, survey.distance_mm) == (READ, by, 30)
    assert survey.changed_at is None
    assert survey.points.first().history.get().history_user == by
    assert not SurveyDraft.objects.exists()
    with pytest.raises(SurveyDraft.DoesNotExist):
        surveys.store_draft(draft=made, by=by)
    assert LampSurvey.objects.count() == 1


@pytest.mark.parametrize(
    ("unit", "factor", "raw", "irradiance"),
    [
        ("mw_cm2", 1.02, 10.0, 10.2),
        ("w_m2", 1.0, 100.0, 10.0),
        ("uw_cm2", 1.0, 10_000.0, 10.0),
        ("own", 0.25, 40.0, 10.0),
    ],
)
def test_what_was_read_its_unit_and_the_factor_are_kept_beside_the_irradiance(unit, factor, raw, irradiance):
    # 1 mW/cm² = 10 W/m² = 1000 µW/cm², exact (SI).
    meter = calibrated(factor, own_unit="steps" if unit == "own" else "")
    survey = stored(raw, radiometer=meter, reading_unit=unit)
    point = survey.points.get()
    assert point.raw_reading == raw
    assert point.irradiance_mw_cm2 == pytest.approx(irradiance)
    assert (survey.reading_unit, survey.calibration_factor, survey.calibration.radiometer) == (unit, factor, meter)


def test_a_factor_that_the_meter_applied_is_not_applied_twice():
    survey = stored(10.0, radiometer=calibrated(1.5), applies_factor=False)
    assert (survey.points.get().irradiance_mw_cm2, survey.calibration_factor, survey.calibration) == (10, 1, None)
    assert surveys.calibration_of(survey, survey.surveyed_at).expanded_uncertainty_percent == 5


def test_the_factor_is_that_of_the_day_it_was_read():
    meter = calibrated(1.1)
    Calibration.objects.create(radiometer=meter, calibrated_on=date(2026, 10, 25), due_on=date(2027, 10, 25), factor=2)
    assert stored(10.0, radiometer=meter).calibration_factor == 1.1


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"reading_unit": "own"}, "shows no unit of its own"),
        ({"places": []}, "at least one point"),
        ({"places": [(0.0, 0.0), (1.0, 2.0), (0.0, 0.0)]}, "The point x 0 mm, y 0 mm is there twice"),
        ({"places": [(float(x), 0.0) for x in range(501)]}, "501 points are more than the 500"),
        ({"places": [(999_999.0, 0.0)]}, "is further than"),
        ({"distance_mm": -1.0}, "survey_distance|0"),
        ({"readings": [(0.0, 0.0, -2.0)]}, "−2 is below 0; zero the meter in the dark"),
        ({"readings": [(0.0, 0.0, 20000.0)]}, "more than 10"),
    ],
)
def test_what_can_not_be_is_refused_in_words(given, message):
    if "readings" in given or "distance_mm" in given:
        made = given.get("readings")
        with pytest.raises(ValidationError, match=message) if made else pytest.raises(ValidationError):
            surveys.store_draft(draft=_with_readings(given), by=factories.person())
        assert not LampSurvey.objects.exists()
        return
    with pytest.raises(ValidationError, match=message):
        draft(**given)
    assert not SurveyDraft.objects.exists()


def _with_readings(given):
    made = draft(**given)
    read(made, 5.0)
    return made


def test_a_meter_of_its_own_unit_needs_a_calibration():
    meter = factories.radiometer(own_unit="steps")
    meter.calibrations.all().delete()
    with pytest.raises(ValidationError, match="needs the factor of a calibration"):
        draft(radiometer=meter, reading_unit="own")


def test_a_reading_sent_twice_is_stored_once_and_an_empty_one_takes_it_out():
    made = draft()
    for value in (9.0, 9.0, 9.5):
        surveys.read_place(draft=made, place=0, reading=1, raw_reading=value)
    assert surveys.draft_readings(made) == [(-20, 0, 9.5)]
    surveys.read_place(draft=made, place=0, reading=1, raw_reading=None)
    assert surveys.draft_readings(made) == []
    with pytest.raises(ValidationError, match="There is no point 4; this survey has 3"):
        surveys.read_place(draft=made, place=3, reading=1, raw_reading=1.0)
    with pytest.raises(ValidationError, match="No point was read yet"):
        surveys.store_draft(draft=made, by=factories.person())


def test_what_is_doubtful_is_kept_with_the_survey():
    lamp = factories.lamp(peak_wavelength_nm=405, emitter_spacing_mm=30)
    meter = calibrated(due_on=date(2026, 10, 1), code="RM-9", band_low_nm=315, band_high_nm=400, range_max_mw_cm2=11)
    said = " ".join(stored(9.0, 11.0, lamp=lamp, radiometer=meter).cautions)
    assert "Calibration of meter RM-9 was due on 1 Oct 2026." in said
    assert f"Meter RM-9 reads 315 to 400 nm; the peak of lamp {lamp}, 405 nm, lies outside." in said
    assert "1 reading at or above the end of the meter’s range (11 mW/cm²)" in said
    assert "at most 15 mm are needed" in said
    assert "1 of the 3 points laid out was not read." in said
    assert stored(9.0, 10.0, 11.0).cautions == []


def test_the_end_of_the_range_is_what_the_meter_showed_not_what_the_factor_made_of_it():
    meter = calibrated(2.0, range_max_mw_cm2=10)
    assert stored(6.0, 5.0, 5.5, radiometer=meter).cautions == []
    assert "1 reading at or above" in stored(10.0, 5.0, 5.5, radiometer=meter).cautions[0]


def corrected(survey, readings, **changes):
    given = {
        "radiometer": survey.radiometer, "reading_unit": survey.reading_unit, "applies_factor": survey.calibration is not None,
        "surveyed_at": survey.surveyed_at, "distance_mm": survey.distance_mm,
    }  # fmt: skip
    reason = changes.pop("reason", "read off wrongly")
    by = changes.pop("by", None) or factories.person()
    return surveys.correct_survey(survey=survey, by=by, reason=reason, readings=readings, **(given | changes))


def test_a_correction_keeps_what_stood_before_and_says_when():
    survey, by = stored(9.0, 10.0, 11.0), factories.person("lead")
    untouched = survey.points.get(x_mm=-20)
    assert corrected(survey, [(-20, 0, 9.0), (0, 0, 12.0), (0, 0, 12.2), (30, 0, 8.0)], by=by)
    survey.refresh_from_db()
    assert values_of(survey) == [(-20, 1, 9, 9), (0, 1, 12, 12), (0, 2, 12.2, 12.2), (30, 1, 8, 8)]
    assert survey.changed_at is not None
    changed = survey.points.get(x_mm=0, reading=1).history.order_by("history_date")
    assert [row.irradiance_mw_cm2 for row in changed] == [10, 12]
    assert (changed.last().history_change_reason, changed.last().history_user) == ("read off wrongly", by)
    assert untouched.history.count() == 1
    assert SurveyPoint.history.filter(x_mm=20, history_type="-").exists()


def test_a_correction_that_changes_nothing_is_none():
    survey = stored(9.0, 10.0, 11.0, radiometer=calibrated(1.1))
    assert not corrected(survey, surveys.raw_readings(survey))
    survey.refresh_from_db()
    assert survey.changed_at is None
    assert survey.history.count() == 1


def test_a_corrected_meter_brings_its_own_factor_to_every_point():
    survey = stored(10.0, 10.0, 10.0)
    other = calibrated(1.25)
    assert corrected(survey, surveys.raw_readings(survey), radiometer=other)
    assert {row[3] for row in values_of(survey)} == {12.5}
    assert {row[2] for row in values_of(survey)} == {10.0}


@pytest.mark.parametrize(
    ("reason", "readings", "message"), [(" ", [(0, 0, 1.0)], "Say why"), ("x", [], "withdraw it instead")]
)
def test_a_correction_needs_a_reason_and_readings(reason, readings, message):
    with pytest.raises(ValidationError, match=message):
        corrected(stored(9.0), readings, reason=reason)


@pytest.mark.parametrize(
    ("readings", "message"),
    [
        ([(999_999.0, 0.0, 5.0)], "is further than"),
        ([(float(x), 0.0, 5.0) for x in range(501)], "501 points are more than the 500"),
        ([(0.0, 0.0, 5.0)] * 51, "is read 51 times; a point is read 50 times at most"),
    ],
)
def test_a_correction_has_the_limits_of_a_survey(readings, message):
    survey = stored(9.0)
    with pytest.raises(ValidationError, match=message):
        corrected(survey, readings)
    assert [row[3] for row in values_of(survey)] == [9]


def test_a_file_that_reads_a_point_too_often_is_refused():
    with pytest.raises(ValidationError, match="is read 51 times; a point is read 50 times at most"):
        draft(places=[(0.0, 0.0)], readings=[(0.0, 0.0, 5.0)] * 51)
    assert not SurveyDraft.objects.exists()


def test_a_refused_correction_changes_nothing():
    survey = stored(9.0, 10.0)
    with pytest.raises(ValidationError, match="below 0"):
        corrected(survey, [(-20, 0, 4.0), (0, 0, -1.0)])
    assert [row[3] for row in values_of(survey)] == [9, 10]


def test_a_withdrawn_survey_counts_no_more_until_it_is_taken_back():
    lamp, by = factories.lamp(), factories.person("lead")
    older = stored(9.0, lamp=lamp, started_at=datetime(2026, 9, 1, 9, tzinfo=UTC))
    newer = stored(5.0, lamp=lamp)
    repair = Repair(lamp=lamp, repaired_at=factories.NOON)
    assert last_survey(repair) == newer
    surveys.withdraw_survey(survey=newer, by=by, reason="cover was half off")
    assert last_survey(repair) == older
    assert lamp_rows(date(2026, 11, 2))[0].survey == older
    newer.refresh_from_db()
    assert newer.changed_at == newer.withdrawn_at
    assert newer.history.first().history_change_reason == "cover was half off"
    with pytest.raises(ValidationError, match="withdrawn already"):
        surveys.withdraw_survey(survey=newer, by=by, reason="again")
    surveys.reinstate_survey(survey=newer, by=by, reason="it was on")
    assert last_survey(repair) == newer
    with pytest.raises(ValidationError, match="was not withdrawn"):
        surveys.reinstate_survey(survey=newer, by=by, reason="again")


def test_a_meter_whose_band_misses_the_lamp_is_found_at_the_repair():
    lamp = factories.lamp(code="L9", peak_wavelength_nm=405)
    factories.survey(lamp)
    meter = factories.radiometer(code="RM-9", band_low_nm=315, band_high_nm=400)
    repair = Repair(
        coupon=factories.coupon(),
        lamp=lamp,
        radiometer=meter,
        irradiance_mw_cm2=3.5,
        resin_lot=factories.resin_lot(),
        repaired_at=factories.NOON,
        technician=factories.person("technician"),
    )
    assert [found.text for found in repair_findings(repair)] == [
        "Meter RM-9 reads 315 to 400 nm; the peak of lamp L9, 405 nm, lies outside."
    ]


@pytest.mark.parametrize("band", [(315, 420), (None, None)])
def test_a_band_that_holds_the_peak_or_is_not_known_is_no_finding(band):
    meter = factories.radiometer(band_low_nm=band[0], band_high_nm=band[1])
    assert meters.meter_cautions(meter, READ.date(), factories.lamp(peak_wavelength_nm=405)) == []


def test_a_calibration_in_use_is_corrected_not_taken_out():
    survey, by = stored(9.0), factories.person("lead")
    with pytest.raises(ValidationError, match="A survey was made under this calibration"):
        meters.remove_calibration(calibration=survey.calibration, by=by, reason="slip")
    meters.change_calibration(calibration=survey.calibration, by=by, reason="certificate read again", factor=1.2)
    survey.refresh_from_db()
    assert (survey.calibration.factor, survey.calibration_factor) == (1.2, 1.0)
    with pytest.raises(ValidationError, match="Say why"):
        meters.change_meter(meter=survey.radiometer, by=by, reason="", note="x")


def test_a_calibration_of_a_survey_that_is_being_read_is_not_taken_out():
    begun = draft()
    with pytest.raises(ValidationError, match=r"is not stored yet \(.*, begun .*\); store it or throw it away first"):
        meters.remove_calibration(calibration=begun.calibration, by=factories.person("lead"), reason="slip")
