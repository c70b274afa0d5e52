"""Stored surveys on their pages: the list, figures and map, corrections, comparisons; and meters."""

import re
from datetime import UTC, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from labbench.formats.date_texts import day_text
from labbench.formats.number_texts import number_text
from labbench.lab.lamp_lives import record_replacement
from labbench.lab.models import Calibration, LampSurvey, Radiometer, SurveyPoint
from labbench.lab.surveys import store_points
from labbench.pages.surveys.drawing import map_picture, value_texts
from tests import factories

pytestmark = pytest.mark.django_db
GRID = [(float(x), float(y)) for y in (-20, 0, 20) for x in (-20, 0, 20)]


def text_of(answer):
    return re.sub(r"\s+", " ", answer.content.decode()).replace("\u202f", " ")


def surveyed(lamp=None, level=10.0, at=datetime(2026, 10, 20, 9, tzinfo=UTC), readings=None, **details):
    details.setdefault("radiometer", None)
    meter = details.pop("radiometer") or factories.radiometer()
    made = LampSurvey.objects.create(
        lamp=lamp or factories.lamp(), radiometer=meter, surveyed_at=at, surveyed_by=factories.person("technician"),
        distance_mm=details.pop("distance_mm", 30), **details,
    )  # fmt: skip
    rows = readings if readings is not None else [(x, y, level + x / 20) for x, y in GRID]
    store_points(made, rows, by=made.surveyed_by)
    return made


def words_of(text):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


def page(client, name, *args, **query):
    answer = client.get(reverse(name, args=args), query)
    assert answer.status_code == 200
    return text_of(answer)


def test_a_survey_shows_map_figures_and_how_well_they_are_known(guest):
    meter = factories.radiometer(resolution_mw_cm2=0.1, geometry_percent=3, drift_percent=2)
    meter.calibrations.update(expanded_uncertainty_percent=6)
    survey = surveyed(radiometer=meter, readings=[*((x, y, 10 + x / 20) for x, y in GRID), (0, 0, 10.1)])
    text = page(guest, "survey", survey.pk)
    assert "coldest 9 at x −20, y −20 mm, hottest 11 at x 20, y −20 mm: the coldest has 82 % of the hottest" in text
    assert "interpolated between the points" in text
    assert "Welch and Satterthwaite" in text
    assert "±6 %, k = 2" in text
    assert "Not known, so not in it" not in text
    assert 'class="shade-' in text
    # Every point is in sight by scrolling the page alone.
    assert '<div class="table-scroll all-in-sight" tabindex="0" role="region" aria-label="Every reading">' in text


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        ([(0, 0, 5.0)], "Points only: fewer than three points enclose no area"),
        ([(0, 0, 5.0), (10, 0, 6.0), (30, 0, 7.0)], "Points only: the points lie on one line"),
        ([(0, 0, 0.0), (10, 0, 0.0), (0, 10, 0.0)], "Mean 0 mW/cm² over 3 places."),
        ([], "No reading was recorded"),
        ([(0.0, 0.0, 4.0), (100.0, 0.0, 5.0), (0.0, 5.0, 6.0), (5.0, 0.0, 6.0)], "between those the map is a guess"),
        ([(float(x), float(x * x % 97), 5.0 + x / 100) for x in range(80)], "the values stand in the table only"),
    ],
)
def test_ugly_surveys_are_shown_honestly(guest, readings, words):
    assert words in page(guest, "survey", surveyed(readings=readings).pk)


def test_what_is_not_known_of_a_meter_is_said(guest):
    text = page(guest, "survey", surveyed().pk)
    assert "Not known, so not in it:</b> calibration, geometry, drift, resolution, repeatability" in text


@pytest.mark.parametrize("name", ["surveys", "meters"])
def test_lists_make_the_same_number_of_queries_however_long(guest, name):
    counts = []
    for rows in (1, 3):
        for _ in range(rows):
            surveyed(level=8)
        with CaptureQueriesContext(connection) as queries:
            page(guest, name)
        counts.append(len(queries))
    assert counts[0] == counts[1]
    assert counts[0] <= 12


def test_the_list_is_filtered_by_lamp_and_meter(guest):
    one, two = surveyed(), surveyed()
    answer = guest.get(reverse("surveys"), {"lamp": one.lamp_id})
    assert [row.pk for row, *_ in answer.context["rows"]] == [one.pk]
    answer = guest.get(reverse("surveys"), {"meter": two.radiometer_id})
    assert [row.pk for row, *_ in answer.context["rows"]] == [two.pk]
    assert "No survey matches" in page(guest, "surveys", lamp=one.lamp_id, meter=two.radiometer_id)
    assert page(guest, "surveys", lamp="x' OR 1", page="nine")


def correction(survey, **changes):
    places = {}
    for row in survey.points.order_by("y_mm", "x_mm", "reading"):
        places.setdefault((row.y_mm, row.x_mm), []).append(repr(row.raw_reading))
    values = {f"place_{number}": " ".join(readings) for number, readings in enumerate(places.values())}
    return values | {
        "radiometer": survey.radiometer_id, "reading_unit": "mw_cm2", "applies_factor": "no", "distance_mm": "30",
        "is_cover_on": "off", "area_shape": "", "started_at": "2026-10-20T09:00", "why": "two places mixed up",
    } | changes  # fmt: skip


def test_a_technician_corrects_a_reading_with_a_reason(technician):
    survey = surveyed()
    before = number_text(survey.points.get(x_mm=-20, y_mm=-20).irradiance_mw_cm2)
    there = reverse("correct-survey", args=[survey.pk])
    assert technician.get(there).status_code == 200
    answer = technician.post(there, correction(survey, place_0="8,5 8.7", new_places="40 0 7.7"), follow=True)
    text = text_of(answer)
    assert "The survey is corrected; its history keeps what stood before." in text
    plain = words_of(text)
    assert f": two places mixed up x −20 mm, y −20 mm, reading 1: {before} → 8.50" in plain
    assert "x −20 mm, y −20 mm, reading 2: nothing → 8.70" in plain
    assert "x 40 mm, y 0 mm, reading 1: nothing → 7.70" in plain
    # A second one tells its own changes only.
    again = correction(survey, why="laid closer", distance_mm="25", place_0="8.5")
    second = words_of(text_of(technician.post(there, again, follow=True))).split("laid closer")[1]
    assert "distance lamp to glass: 30 → 25" in second
    assert "x −20 mm, y −20 mm, reading 2: 8.70 → nothing" in second
    assert "reading 1" not in second
    technician.post(there, correction(survey, place_0="8.5 8.7", why="both were right", distance_mm="30"))
    survey.refresh_from_db()
    assert survey.changed_at is not None
    assert [row.irradiance_mw_cm2 for row in survey.points.filter(x_mm=-20, y_mm=-20)] == [8.5, 8.7]
    assert survey.points.get(x_mm=40).irradiance_mw_cm2 == 7.7


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"why": ""}, "This field is required."),
        ({"place_3": "9 nine"}, "Point 4, x −20 mm, y 0 mm: “nine” is not a number"),
        ({"new_places": "1 2"}, "Line 1 must be three numbers: x, y and the reading."),
        ({"started_at": "2027-01-01T00:00"}, "This time is still to come"),
    ],
)
def test_a_faulty_correction_changes_nothing(technician, changes, words):
    survey = surveyed()
    before = list(survey.points.values_list("pk", "irradiance_mw_cm2"))
    assert words in text_of(technician.post(reverse("correct-survey", args=[survey.pk]), correction(survey, **changes)))
    survey.refresh_from_db()
    assert (list(survey.points.values_list("pk", "irradiance_mw_cm2")), survey.changed_at) == (before, None)


def test_nothing_different_is_nothing_stored(technician):
    survey = surveyed()
    answer = technician.post(reverse("correct-survey", args=[survey.pk]), correction(survey), follow=True)
    assert "Nothing was different; nothing was stored." in text_of(answer)
    survey.refresh_from_db()
    assert survey.changed_at is None


def test_a_survey_is_withdrawn_and_taken_back(technician):
    survey = surveyed()
    there = reverse("withdraw-survey", args=[survey.pk])
    assert "This field is required." in text_of(technician.post(there, {"reason": " "}))
    text = text_of(technician.post(there, {"reason": "lamp was cold"}, follow=True))
    assert "It counts no more" in text
    assert "lamp was cold" in text
    assert "withdrawn" in page(technician, "surveys")
    text_of(technician.post(there, {"reason": "it was warm"}))
    survey.refresh_from_db()
    assert survey.withdrawn_at is None


def test_a_guest_looks_and_changes_nothing(guest):
    survey = surveyed()
    for name in ("correct-survey", "withdraw-survey"):
        assert guest.get(reverse(name, args=[survey.pk])).status_code == 403
    assert "Withdraw</a>" not in page(guest, "survey", survey.pk)
    assert guest.get(reverse("survey-points", args=[survey.pk])).status_code == 200


def compared(client, *surveys):
    answer = client.get(reverse("compare-surveys"), {"survey": [survey.pk for survey in surveys]})
    assert answer.status_code == 200
    return text_of(answer)


def test_cover_on_and_off_under_one_meter(guest):
    # A clear cover about halves the irradiance and doubles the time: common practice, no source.
    lamp, meter = factories.lamp(), factories.radiometer(resolution_mw_cm2=0.01, geometry_percent=3, drift_percent=2)
    meter.calibrations.update(expanded_uncertainty_percent=6)
    off = surveyed(lamp, radiometer=meter)
    on = surveyed(lamp, radiometer=meter, is_cover_on=True, readings=[(x, y, (10 + x / 20) / 2) for x, y in GRID])
    text = compared(guest, off, on)
    assert "cover on against" in text
    assert "<b>× 2</b>" in text
    assert "one meter, so its calibration cancels" in text
    assert "more than its uncertainty" in text
    assert "belongs to all of that together" not in text


def test_maps_side_by_side_have_one_scale(guest):
    text = compared(guest, surveyed(level=10), surveyed(level=30))
    scales = re.findall(r"<ul><li>.*?</ul>", text)
    assert len(scales) == 2
    assert scales[0] == scales[1]
    assert "These two differ in lamp, meter: what they show belongs to all of that together" in text


@pytest.mark.parametrize(("share", "words"), [(1.03, "Consistent"), (1.3, "Not consistent")])
def test_two_meters_on_one_lamp(guest, share, words):
    lamp, meters = factories.lamp(), [factories.radiometer(geometry_percent=3) for _ in range(2)]
    Calibration.objects.update(expanded_uncertainty_percent=6)
    one = surveyed(lamp, radiometer=meters[0])
    two = surveyed(lamp, radiometer=meters[1], readings=[(x, y, (10 + x / 20) * share) for x, y in GRID])
    text = compared(guest, one, two)
    assert f"</svg>{words}</span> with what is stated of them" in text
    assert "E<sub>n</sub> = " in text
    assert f"survey={one.pk}&amp;survey={two.pk}" in page(guest, "meter", meters[0].pk)


def test_places_that_differ_are_interpolated_and_said_so(guest):
    coarse = surveyed(readings=[(-30.0, -30.0, 9.0), (30.0, -30.0, 9.0), (0.0, 40.0, 12.0)])
    assert "values of" in compared(guest, surveyed(), coarse)
    apart = surveyed(readings=[(500.0, 0.0, 9.0), (510.0, 0.0, 9.0), (505.0, 9.0, 9.0)])
    assert "No ratio: 0 places were read with light in both surveys" in compared(guest, surveyed(), apart)


@pytest.mark.parametrize("asked", [[], ["1"], ["abc", "9" * 25], ["0", "0"]])
def test_too_few_surveys_lead_back_to_the_list(guest, asked):
    answer = guest.get(reverse("compare-surveys"), {"survey": asked}, follow=True)
    assert "Tick two to four surveys" in text_of(answer)


def test_a_meter_and_its_calibration_are_kept_by_the_lead(lead, technician):
    given = {
        "code": "RM-5",
        "band_low_nm": "315",
        "band_high_nm": "400",
        "range_max_mw_cm2": "20",
        "geometry_percent": "3,5",
    }
    assert technician.get(reverse("new-meter")).status_code == 403
    answer = lead.post(reverse("new-meter"), given)
    meter = Radiometer.objects.get()
    assert answer.url == reverse("meter", args=[meter.pk])
    assert (meter.code, meter.geometry_percent, meter.range_max_mw_cm2) == ("RM-5", 3.5, 20)
    assert "Never calibrated" in page(lead, "meter", meter.pk)
    there = reverse("new-calibration", args=[meter.pk])
    row = {"calibrated_on": "2026-03-02", "due_on": "2027-03-02", "factor": "1,02", "expanded_uncertainty_percent": "5"}
    lead.post(there, row)
    assert meter.calibrations.get().factor == 1.02
    assert "calibration" in text_of(lead.post(there, row)).lower()
    assert meter.calibrations.count() == 1
    lead.post(reverse("change-meter", args=[meter.pk]), given | {"code": "RM-55", "reason": "marked anew"})
    meter.refresh_from_db()
    assert (meter.code, meter.history.first().history_change_reason) == ("RM-55", "marked anew")


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"code": ""}, "required"),
        ({"code": "A", "band_low_nm": "400", "band_high_nm": "315"}, "The band ends above where it begins."),
        ({"code": "A", "band_low_nm": "400"}, "A band has two ends"),
        ({"code": "TAKEN"}, "already exists"),
        ({"code": "A", "geometry_percent": "101"}, "can’t be right"),
    ],
)
def test_a_faulty_meter_is_refused(lead, given, message):
    factories.radiometer(code="TAKEN")
    assert message in text_of(lead.post(reverse("new-meter"), given))
    assert Radiometer.objects.count() == 1


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"due_on": "2026-03-02"}, "It is due after the day on which it was calibrated."),
        ({"calibrated_on": "2030-01-01", "due_on": "2031-01-01"}, "This day is still to come."),
        ({"factor": "0"}, "can’t be right"),
        ({"factor": ""}, "required"),
    ],
)
def test_a_faulty_calibration_is_refused(lead, changes, message):
    meter = factories.radiometer()
    row = {"calibrated_on": "2026-03-02", "due_on": "2027-03-02", "factor": "1", "expanded_uncertainty_percent": "5"}
    assert message in text_of(lead.post(reverse("new-calibration", args=[meter.pk]), row | changes))
    assert meter.calibrations.count() == 1


def test_a_calibration_in_use_is_not_taken_out(lead):
    survey = surveyed()
    calibration = survey.radiometer.calibrations.get()
    LampSurvey.objects.update(calibration=calibration)
    there = reverse("change-calibration", args=[calibration.pk])
    row = {"calibrated_on": "2026-06-01", "due_on": "2027-06-01", "factor": "1", "reason": "slip", "remove": "1"}
    assert "A survey was made under this calibration" in text_of(lead.post(there, row))
    LampSurvey.objects.update(calibration=None)
    lead.post(there, row)
    assert not Calibration.objects.exists()


def test_points_are_escaped_where_they_come_from_a_unit(guest):
    meter = factories.radiometer(own_unit="=1+1")
    survey = surveyed(radiometer=meter, reading_unit="own")
    assert ",'=1+1," in guest.get(reverse("survey-points", args=[survey.pk])).content.decode()
    assert SurveyPoint.objects.count() == 9


def test_whole_values_among_others_show_as_many_digits():
    assert value_texts([3.0, 3.1, 12.0, 0.6, 0.0]) == ["3.00", "3.10", "12.0", "0.600", "0"]
    assert value_texts([3.0, 120.0]) == ["3", "120"]


def test_a_survey_without_light_has_no_scale():
    picture = map_picture([(0, 0, 0.0), (10, 0, 0.0), (0, 10, 0.0)], title="Dark", id="dark")
    assert (picture["scale"], picture["shades"], picture["reason"]) == ([], [], "no light was read")


def test_a_survey_made_before_a_part_was_renewed_is_good_no_more(guest):
    survey = surveyed()
    at = survey.surveyed_at + timedelta(hours=2)
    record_replacement(
        lamp=survey.lamp, by=factories.person(), replaced_at=at, part="tube", hours_before_h=5, reason="dark"
    )
    for shown in (page(guest, "surveys"), page(guest, "survey", survey.pk), page(guest, "lamp", survey.lamp_id)):
        assert day_text(timezone.localtime(at)) in words_of(shown)
    assert "lamp renewed" in words_of(page(guest, "surveys"))
    assert "Good until lamp renewed" in words_of(page(guest, "survey", survey.pk))
    assert "before a part was renewed" in text_of(guest.get(reverse("cure")))
    assert "counts for no repair" in text_of(guest.get(reverse("cure"), {"survey": survey.pk}))


def test_an_old_survey_asks_for_nothing_where_a_later_one_stands(guest):
    lamp = factories.lamp(code="L-9")
    now = timezone.now()
    surveyed(lamp, at=now - timedelta(days=400), lamp_hours_h=10)
    assert "too old since" in words_of(page(guest, "surveys"))
    later = surveyed(lamp, at=now - timedelta(days=1), lamp_hours_h=20)
    shown = words_of(page(guest, "surveys"))
    assert "too old since" not in shown
    assert "a later one stands" in shown
    LampSurvey.objects.filter(pk=later.pk).update(
        distance_mm=99
    )  # at another distance it stands for nothing of the first
    assert "too old since" in words_of(page(guest, "surveys"))
