"""Setting a survey up, reading its points, a last look, stored; with and without scripts, and from a file."""

import re
from datetime import date

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from labbench.lab.models import DraftReading, LampSurvey, SurveyDraft
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def lamp():
    return factories.lamp(code="L7", emitter_spacing_mm=40, peak_wavelength_nm=365)


@pytest.fixture
def meter():
    made = factories.radiometer(code="RM-7", band_low_nm=315, band_high_nm=400)
    made.calibrations.update(factor=1.02, expanded_uncertainty_percent=6)
    return made


@pytest.fixture
def given(lamp, meter):
    return {
        "lamp": lamp.pk, "radiometer": meter.pk, "reading_unit": "mw_cm2", "applies_factor": "yes", "distance_mm": "30",
        "is_cover_on": "off", "area_shape": "rectangle", "area_width_mm": "60", "area_height_mm": "60", "layout_kind": "grid",
        "rows": "3", "columns": "3", "pitch_x_mm": "20", "has_middle": "on",
    }  # fmt: skip


def text_of(answer):
    return re.sub(r"\s+", " ", answer.content.decode())


def begun(client, given, **changes):
    answer = client.post(reverse("new-survey"), given | changes)
    assert answer.status_code == 302, answer.context["form"].errors
    return SurveyDraft.objects.get()


def test_a_grid_is_laid_out_and_a_draft_waits(technician, given):
    draft = begun(technician, given)
    assert draft.places[0] == [-20, -20]
    assert draft.places[3] == [20, 0]
    assert (len(draft.places), draft.layout, draft.calibration_factor) == (9, "grid 3 × 3, 20 mm", 1.02)
    assert "Lamp L7</b>, grid 3 × 3, 20 mm" in text_of(technician.get(reverse("surveys")))


@pytest.mark.parametrize(
    ("changes", "places"),
    [
        (
            {"layout_kind": "rings", "ring_1_mm": "20", "ring_1_points": "4"},
            [[0, 0], [20, 0], [0, 20], [-20, 0], [0, -20]],
        ),
        ({"layout_kind": "free", "free_places": "0 0\n12,5; -3\n\n5, 7"}, [[0, 0], [12.5, -3], [5, 7]]),
        ({"rows": "1", "columns": "2", "pitch_y_mm": "7"}, [[-10, 0], [10, 0]]),
    ],
)
def test_rings_lines_and_points_of_ones_own(technician, given, changes, places):
    assert begun(technician, given, **changes).places == places


@pytest.mark.parametrize(
    ("changes", "field", "message"),
    [
        ({"pitch_x_mm": ""}, "rows", "A grid needs its rows, its columns and how far apart they are."),
        ({"rows": "100", "columns": "100"}, "rows", "100 rows of 100 are not possible: 1 to 500 points."),
        ({"layout_kind": "rings"}, "ring_1_mm", "Say the radius of a ring"),
        ({"layout_kind": "rings", "ring_2_mm": "20"}, "ring_1_mm", "Ring 2 needs its radius and its number of points."),
        ({"layout_kind": "free"}, "free_places", "Write at least one point."),
        ({"layout_kind": "free", "free_places": "0 0\n1 x"}, "free_places", "Line 2 must be two numbers"),
        ({"layout_kind": "free", "free_places": "0 0\n0 0"}, "free_places", "Line 2 names a point a second time"),
        ({"distance_mm": "dark"}, "distance_mm", "“dark” is not a number"),
        ({"area_height_mm": ""}, "area_height_mm", "How high is the cure area?"),
        ({"reading_unit": "own"}, "reading_unit", "Meter RM-7 shows no unit of its own."),
        ({"lamp": ""}, "lamp", "required"),
    ],
)
def test_what_is_missing_is_said_at_its_field(technician, given, changes, field, message):
    answer = technician.post(reverse("new-survey"), given | changes)
    assert any(message in error for error in answer.context["form"].errors[field])
    assert not SurveyDraft.objects.exists()


def test_the_next_survey_offers_the_points_and_conditions_of_the_last(technician, given, lamp):
    store(technician, begun(technician, given), ["9"] * 9)
    answer = technician.get(reverse("new-survey"), {"lamp": lamp.pk})
    assert "the 9 points of the last survey" in text_of(answer)
    assert answer.context["form"].initial["area_width_mm"] == 60
    again = begun(technician, given, layout_kind="same")
    assert again.places == [[-20, -20], [0, -20], [20, -20], [20, 0], [0, 0], [-20, 0], [-20, 20], [0, 20], [20, 20]]


def test_an_overdue_meter_and_coarse_points_are_warned_of_before_a_point_is_read(technician, given, lamp):
    old = factories.radiometer(code="RM-8", due_on=factories.date(2026, 6, 2), band_low_nm=250, band_high_nm=300)
    text = text_of(technician.get(reverse("check-survey"), given | {"radiometer": old.pk, "pitch_x_mm": "25"}))
    assert "Calibration of meter RM-8 was due on 2 Jun 2026." in text
    assert "Meter RM-8 reads 250 to 300 nm; the peak of lamp L7, 365 nm, lies outside." in text
    assert "at most 20 mm are needed" in text
    assert "9 points</h2>" in text
    fine = text_of(technician.get(reverse("check-survey"), given))
    assert "was due" not in fine
    assert "are needed" not in fine
    assert technician.get(reverse("check-survey")).status_code == 200


def store(client, draft, values):
    rows = {f"place_{number}": value for number, value in enumerate(values)}
    answer = client.post(reverse("survey-draft", args=[draft.pk]), rows | {"review": "1"})
    assert answer.status_code == 302
    client.post(reverse("review-survey", args=[draft.pk]))
    return LampSurvey.objects.order_by("-pk").first()


def test_without_scripts_a_table_is_filled_in_looked_at_and_stored(technician, given):
    draft = begun(technician, given)
    rows = {f"place_{number}": str(10 + number) for number in range(8)} | {"place_4": "14 14,2; 13.8", "review": "1"}
    answer = technician.post(reverse("survey-draft", args=[draft.pk]), rows)
    assert answer.url == reverse("review-survey", args=[draft.pk])
    text = text_of(technician.get(answer.url))
    assert "1 of the 9 points laid out was not read." in text
    assert "factor 1.02 applied" in text
    assert not LampSurvey.objects.exists()
    answer = technician.post(reverse("review-survey", args=[draft.pk]))
    survey = LampSurvey.objects.get()
    assert answer.url == reverse("survey", args=[survey.pk])
    middle = survey.points.filter(x_mm=0, y_mm=0)
    assert [row.raw_reading for row in middle] == [14, 14.2, 13.8]
    assert middle[0].irradiance_mw_cm2 == pytest.approx(14.28)
    assert survey.points.count() == 10


def test_a_fault_in_the_table_is_told_and_nothing_of_it_is_kept(technician, given):
    draft = begun(technician, given)
    answer = technician.post(
        reverse("survey-draft", args=[draft.pk]), {"place_0": "9", "place_1": "9,1 bright", "place_2": "-3"}
    )
    text = text_of(answer)
    assert "Point 2, x 0 mm, y −20 mm: “bright” is not a number" in text
    assert "−3 is below 0; zero the meter in the dark" in text
    assert not DraftReading.objects.exists()


def test_a_reading_is_stored_as_it_is_typed_and_comes_back_after_a_reload(technician, given):
    draft = begun(technician, given)
    there = reverse("store-reading", args=[draft.pk])
    assert technician.post(there, {"place": 0, "reading": 1, "value": "12,5"}).json() == {"stored": True}
    technician.post(there, {"place": 0, "reading": 2, "value": "12.7"})
    page = technician.get(reverse("survey-draft", args=[draft.pk]))
    assert page.context["entry"]["readings"][0] == [12.5, 12.7]
    assert 'value="12.5 12.7"' in page.content.decode()
    technician.post(there, {"place": 0, "reading": 2, "value": ""})
    assert [row.raw_reading for row in draft.readings.all()] == [12.5]


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        ({"place": 0, "reading": 1, "value": "1e"}, "is not a number"),
        ({"place": 99, "reading": 1, "value": "1"}, "There is no point 100; this survey has 9."),
        ({"place": 0, "reading": 1, "value": "20000"}, "is it the right unit?"),
        ({"place": 0, "reading": 0, "value": "1"}, "greater than or equal to 1"),
        ({}, "required"),
    ],
)
def test_a_reading_that_can_not_be_is_refused_in_words(technician, given, sent, words):
    draft = begun(technician, given)
    answer = technician.post(reverse("store-reading", args=[draft.pk]), sent)
    assert answer.status_code == 422
    assert words in answer.json()["error"]
    assert not DraftReading.objects.exists()


def test_sent_twice_it_is_stored_once(technician, given):
    draft = begun(technician, given)
    store(technician, draft, ["9"] * 9)
    again = technician.post(reverse("review-survey", args=[draft.pk]), follow=True)
    assert "This draft is gone: it was stored or thrown away." in text_of(again)
    assert LampSurvey.objects.count() == 1
    gone = technician.post(reverse("store-reading", args=[draft.pk]), {"place": 0, "reading": 1, "value": "1"})
    assert (gone.status_code, gone.json()["gone"]) == (404, True)
    assert technician.get(reverse("survey-draft", args=[draft.pk])).url == reverse("surveys")


def test_a_point_more_and_a_draft_thrown_away(technician, given):
    draft = begun(technician, given)
    technician.post(reverse("add-survey-place", args=[draft.pk]), {"x_mm": "5", "y_mm": "-7,5"})
    draft.refresh_from_db()
    assert draft.places[-1] == [5, -7.5]
    answer = technician.post(reverse("add-survey-place", args=[draft.pk]), {"x_mm": "5", "y_mm": "-7,5"}, follow=True)
    assert "is there twice" in text_of(answer)
    technician.post(reverse("discard-survey-draft", args=[draft.pk]))
    assert not SurveyDraft.objects.exists()


def test_nothing_read_is_nothing_to_store(technician, given):
    draft = begun(technician, given)
    there = reverse("review-survey", args=[draft.pk])
    assert "No point was read yet" in text_of(technician.get(there))
    assert "No point was read yet." in text_of(technician.post(there))


CSV = "x_mm;y_mm;irradiance_mw_cm2\n-20;0;9,5\n0;0;10,5\n0;0;10,7\n20;0;9,25\n0;20;8\n"


def imported(client, given, text, **changes):
    file = SimpleUploadedFile("bench.csv", text.encode())
    return client.post(reverse("import-survey"), given | {"applies_factor": "no", "file": file} | changes)


def test_a_file_becomes_a_draft_to_look_at_before_it_counts(technician, given):
    answer = imported(technician, given, CSV)
    draft = SurveyDraft.objects.get()
    assert answer.url == reverse("review-survey", args=[draft.pk])
    text = text_of(technician.get(answer.url))
    assert "Decimal commas read as decimal points." in text
    assert "Mean 9.34 mW/cm² over 4 places" in text
    technician.post(answer.url)
    survey = LampSurvey.objects.get()
    assert (survey.layout, survey.calibration_factor, survey.points.count()) == ("from the file bench.csv", 1, 5)


def test_every_fault_of_a_file_is_named_by_row_and_column_and_nothing_is_kept(technician, given):
    answer = imported(technician, given, "x_mm,y_mm,irradiance_mw_cm2\n0,0,9\n10,,-1\n20,0,OL\n")
    assert answer.status_code == 422
    text = text_of(answer)
    for words in (
        "row 3, column y_mm: is blank: every point needs a number here",
        "row 3, column irradiance_mw_cm2: -1 is below 0: zero the meter in the dark and read again",
        "row 4, column irradiance_mw_cm2: &quot;OL&quot; is not a number",
    ):
        assert words in text
    assert not SurveyDraft.objects.exists()


def test_what_was_stored_is_given_out_as_the_import_reads_it(technician, given):
    survey = store(technician, begun(technician, given), [str(9 + number / 10) for number in range(9)])
    file = technician.get(reverse("survey-points", args=[survey.pk]))
    lines = file.content.decode().splitlines()
    assert lines[0].startswith("x_mm,y_mm,irradiance_mw_cm2,")
    assert lines[1] == "-20.0,-20.0,9.18,1,9.0,mW/cm²,1.02"
    SurveyDraft.objects.all().delete()
    imported(technician, given, file.content.decode())
    technician.post(reverse("review-survey", args=[SurveyDraft.objects.get().pk]))
    copy = LampSurvey.objects.exclude(pk=survey.pk).get()
    values = ("x_mm", "y_mm", "reading", "irradiance_mw_cm2")
    assert list(copy.points.values_list(*values)) == list(survey.points.values_list(*values))


@pytest.mark.parametrize("name", ["new-survey", "import-survey"])
def test_only_who_may_survey_reads(guest, name):
    assert guest.get(reverse(name)).status_code == 403


def test_how_a_draft_is_read_can_be_put_right_without_losing_its_readings(technician, given, lamp):
    draft = begun(technician, given)
    technician.post(reverse("store-reading", args=[draft.pk]), {"place": 0, "reading": 1, "value": "100"})
    other = factories.radiometer(code="RM-9")
    there = reverse("survey-draft-conditions", args=[draft.pk])
    assert technician.get(there).context["form"].initial["radiometer"] == draft.radiometer_id
    technician.post(there, given | {"radiometer": other.pk, "reading_unit": "w_m2", "is_cover_on": "on"})
    draft.refresh_from_db()
    assert (draft.radiometer, draft.is_cover_on, draft.mw_cm2_per_reading) == (other, True, 0.1)
    assert (draft.readings.get().raw_reading, len(draft.places), draft.layout) == (100, 9, "grid 3 × 3, 20 mm")


def test_lamp_hours_that_fall_are_refused_before_a_point_is_read(technician, given, lamp):
    factories.survey(lamp)
    LampSurvey.objects.update(lamp_hours_h=500)
    answer = technician.post(reverse("new-survey"), given | {"lamp_hours_h": "50"})
    assert any("Hours run never fall" in error for error in answer.context["form"].errors["lamp_hours_h"])
    assert not SurveyDraft.objects.exists()


def checked(client, **typed):
    return text_of(client.get(reverse("check-survey"), typed))


def test_choosing_a_lamp_offers_how_it_was_last_surveyed(technician, lamp, meter):
    survey = factories.survey(lamp, radiometer=meter)
    survey.points.create(x_mm=0, y_mm=0, irradiance_mw_cm2=5)
    shown = checked(technician, lamp=lamp.pk)
    assert f'href="/surveys/new/?lamp={lamp.pk}"' in shown
    assert "As last surveyed, 20 Oct 2026: 1 point, 50 mm, meter RM-7" in re.sub("<[^>]+>", "", shown)
    # Not once something else is typed, nor for a lamp never surveyed.
    assert "As last surveyed" not in checked(technician, lamp=lamp.pk, distance_mm="30")
    assert "As last surveyed" not in checked(technician, lamp=factories.lamp().pk)
    assert "As last surveyed" not in checked(technician, lamp="x")


def test_whoever_read_the_cautions_of_surveying_is_not_told_again_by_the_survey(technician, lamp, meter):
    survey = factories.survey(lamp, radiometer=meter)
    survey.points.create(x_mm=0, y_mm=0, irradiance_mw_cm2=20)
    page, new = reverse("survey", args=[survey.pk]), reverse("new-survey")
    # 1e4 J/m² at 20 mW/cm²: 50 s.
    assert "is used up after 50" in text_of(technician.get(new))
    assert 'class="caution"' in text_of(technician.get(page))
    technician.post("/bench/cautions/survey/", {"back": "/bench/"})
    assert 'class="caution"' not in text_of(technician.get(new))
    shown = text_of(technician.get(page))
    assert 'class="caution"' not in shown
    assert "is used up after 50" in shown


def test_an_overdue_meter_is_not_taken_from_the_last_survey(technician, lamp, meter):
    survey = factories.survey(lamp, radiometer=meter)
    survey.points.create(x_mm=0, y_mm=0, irradiance_mw_cm2=5)
    page = reverse("new-survey") + f"?lamp={lamp.pk}"
    assert technician.get(page).context["form"]["radiometer"].value() == meter.pk
    meter.calibrations.update(due_on=date(2026, 6, 2))
    assert technician.get(page).context["form"]["radiometer"].value() is None
    assert ", meter RM-7" not in checked(technician, lamp=lamp.pk)
