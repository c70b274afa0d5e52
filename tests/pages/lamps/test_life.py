"""A lamp's own pages: entered, hours read, parts renewed, its fading shown and warned of ahead."""

from datetime import UTC, datetime, timedelta
from math import exp

import pytest
from django.urls import reverse
from django.utils import timezone

from labbench.lab.models import HoursReading, Lamp, LampReplacement, SurveyPoint
from tests import factories
from tests.pages.conftest import signed_in

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 25, 10, tzinfo=UTC)


@pytest.fixture(autouse=True)
def on_that_day(monkeypatch):
    monkeypatch.setattr(timezone, "now", lambda: NOW)


def faults(answer):
    return " ".join(words for errors in answer.context["form"].errors.values() for words in errors)


def faded(lamp, *, alpha=4e-4, hours=(0, 200, 500, 900), start=8.0):
    for number, at in enumerate(hours):
        survey = factories.survey(lamp, NOW - timedelta(days=100 - 20 * number), radiometer=factories.radiometer())
        survey.lamp_hours_h, survey.distance_mm = at, 30
        survey.save()
        for x in (0.0, 20.0):
            SurveyPoint.objects.create(survey=survey, x_mm=x, y_mm=0, irradiance_mw_cm2=start * exp(-alpha * at))


def test_a_lamp_is_added_with_what_its_counter_shows(lead):
    given = {"code": "L-1", "emitter_kind": "led", "least_irradiance_at": "coldest", "hours_run_h": "410,5",
             "least_irradiance_mw_cm2": "6", "peak_wavelength_nm": "365"}  # fmt: skip
    lead.post(reverse("new-lamp"), given)
    lamp = Lamp.objects.get(code="L-1")
    assert (lamp.hours_run_h, lamp.least_irradiance_mw_cm2) == (410.5, 6.0)
    assert HoursReading.objects.get().note == "when entered"


def test_bad_values_of_a_lamp_are_told_in_words(lead):
    given = {"code": "L-1", "emitter_kind": "led", "least_irradiance_at": "coldest", "peak_wavelength_nm": "5",
             "least_irradiance_mw_cm2": "0"}  # fmt: skip
    words = faults(lead.post(reverse("new-lamp"), given))
    assert "200\u202fnm" in words
    assert "more than 0" in words
    assert not Lamp.objects.exists()


def test_a_lamp_is_changed_with_a_reason(lead):
    lamp = factories.lamp(in_service_on=NOW.date())
    given = {"code": lamp.code, "emitter_kind": "led", "least_irradiance_at": "mean", "in_service_on": "2026-11-25"}
    page = reverse("edit-lamp", args=[lamp.pk])
    assert "before it was in service" in faults(lead.post(page, given | {"retired_on": "2026-11-01", "reason": "x"}))
    lead.post(page, given | {"reason": "judged by the mean from now on"})
    assert lamp.history.first().history_change_reason == "judged by the mean from now on"


def test_a_technician_reads_the_counter_and_is_told_where_it_falls(technician):
    lamp = factories.lamp(code="L-2")
    page = reverse("lamp-hours", args=[lamp.pk])
    technician.post(page, {"hours_h": "120"})
    assert Lamp.objects.get().hours_run_h == 120
    answer = technician.post(page, {"hours_h": "100", "read_at": "2026-11-25T10:02"})
    assert "Hours run never fall within a life of L-2: 120 h on 25 Nov 2026" in faults(answer)
    assert HoursReading.objects.count() == 1


def test_a_renewed_part_begins_a_life(technician):
    lamp = factories.lamp()
    page = reverse("lamp-renewal", args=[lamp.pk])
    assert "This field is required." in faults(technician.post(page, {"part": "tube", "hours_before_h": "5"}))
    technician.post(page, {"part": "tube", "hours_before_h": "700", "hours_after_h": "0", "reason": "dark"})
    text = technician.get(reverse("lamp", args=[lamp.pk])).content.decode()
    assert "since the tube was renewed" in text
    assert Lamp.objects.get().hours_run_h == 0


def test_only_the_maker_and_the_lead_take_a_reading_out(technician, lead):
    lamp = factories.lamp()
    technician.post(reverse("lamp-hours", args=[lamp.pk]), {"hours_h": "120"})
    page = reverse("remove-lamp-event", args=["hours", HoursReading.objects.get().pk])
    assert signed_in("technician").post(page, {"reason": "x"}).status_code == 403
    assert signed_in("guest").get(page).status_code == 403
    assert technician.post(page, {"reason": "misread"}).status_code == 302
    assert not HoursReading.objects.exists()
    technician.post(reverse("lamp-renewal", args=[lamp.pk]), {"part": "tube", "hours_before_h": "5", "reason": "dark"})
    lead.post(reverse("remove-lamp-event", args=["renewals", LampReplacement.objects.get().pk]), {"reason": "x"})
    assert not LampReplacement.objects.exists()


def answer_of(client, lamp):
    return client.get(reverse("lamp", args=[lamp.pk])).context["life"].answer


def test_the_page_says_when_the_lamp_will_be_too_dim(guest):
    lamp = factories.lamp(least_irradiance_mw_cm2=5.4)
    faded(lamp)
    # ln(8 / 5.4) / 4e-4 = 982.6 h, 83 h after the last survey at 900 h (by hand).
    assert answer_of(guest, lamp).startswith("Reaches 5.40\u202fmW/cm² in about 83\u202fh, at 980\u202fh of this life")
    rows = [(row.name, row.what) for row in guest.get(reverse("catalogue")).context["attention"]]
    assert (f"Lamp {lamp.code}", "reaches 5.40\u202fmW/cm² in about 83\u202fh") in rows


def test_a_lamp_that_is_too_dim_already_is_named_first(guest):
    lamp = factories.lamp(least_irradiance_mw_cm2=6.0)
    faded(lamp)
    assert answer_of(guest, lamp).startswith("Too dim: in its last survey the coldest point read 5.58")
    row = next(row for row in guest.get(reverse("catalogue")).context["attention"] if "gives less" in row.what)
    assert row.is_overdue


def test_nothing_is_promised_far_beyond_what_was_watched(guest):
    lamp = factories.lamp(least_irradiance_mw_cm2=0.5)
    faded(lamp)
    assert "more than 5\u202f400\u202fh" in answer_of(guest, lamp)
    assert not [row for row in guest.get(reverse("catalogue")).context["attention"] if "reaches" in row.what]


def test_no_fading_no_life(guest):
    lamp = factories.lamp(least_irradiance_mw_cm2=5)
    faded(lamp, alpha=-1e-4)
    assert answer_of(guest, lamp) == "The surveys show no fading, so no life can be computed."


def test_a_tube_is_not_projected(guest):
    lamp = factories.lamp(emitter_kind="fluorescent", least_irradiance_mw_cm2=5)
    faded(lamp)
    text = guest.get(reverse("lamp", args=[lamp.pk])).content.decode()
    assert "fails outright" in text
    assert "TM-21" not in text


def test_the_page_says_what_the_projection_leans_on(guest):
    lamp = factories.lamp(least_irradiance_mw_cm2=5)
    faded(lamp)
    text = guest.get(reverse("lamp", args=[lamp.pk])).content.decode()
    assert "this is an analogy" in text
    chart = guest.get(reverse("lamp", args=[lamp.pk])).context["life"].chart
    assert [trace["meta"].get("role") for trace in chart.figure["data"]] == ["limit", "band", None, None]
    assert chart.figure["layout"]["shapes"][0]["y0"] == 5


def test_a_lamp_nobody_surveyed_says_so(guest):
    text = guest.get(reverse("lamp", args=[factories.lamp().pk])).content.decode()
    assert "No survey of this life says how many hours the lamp had run." in text


def test_the_caution_names_the_time_to_the_limit_until_it_is_read(technician):
    lamp = factories.lamp(peak_wavelength_nm=365)
    faded(lamp, start=12.0)
    page = reverse("lamp", args=[lamp.pk])
    # 1e4 J/m² at 12 mW/cm²: 83.3 s.
    assert "is used up after 83.3\u202fs" in technician.get(page).content.decode()
    technician.post("/bench/cautions/lamp/", {"back": page})
    assert "is used up after" not in technician.get(page).content.decode()
