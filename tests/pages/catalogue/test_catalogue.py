"""The catalogue's pages: what they show, what they warn of, who sees the way into the administration."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from labbench.lab.due import due
from labbench.lab.models import (
    Chamber,
    GlassStock,
    Lamp,
    Procedure,
    ProcedureVersion,
    ProfileStep,
    SurveyPoint,
    ThermalProfile,
)
from labbench.science.irradiance import point_means, summarise_survey
from tests import factories

pytestmark = pytest.mark.django_db
TODAY = date(2026, 11, 25)


@pytest.fixture(autouse=True)
def on_that_day(monkeypatch):
    monkeypatch.setattr(timezone, "now", lambda: datetime(2026, 11, 25, 10, tzinfo=UTC))


@pytest.fixture
def reader(client):
    client.force_login(factories.person("guest", username="some-reader"), backend="labbench.lab.sign_in.RoleBackend")
    return client


@pytest.fixture
def keeper(client):
    client.force_login(factories.person("lead", username="some-keeper"), backend="labbench.lab.sign_in.RoleBackend")
    return client


def page_of(client, name, *args):
    answer = client.get(reverse(name, args=args))
    assert answer.status_code == 200
    return answer.content.decode()


@pytest.mark.parametrize(
    ("last_day", "state"),
    [
        (date(2026, 11, 24), "overdue"),
        (date(2026, 11, 25), "soon"),
        (date(2026, 12, 25), "soon"),
        (date(2026, 12, 26), "good"),
        (None, "unknown"),
    ],
)
def test_what_is_due_when(last_day, state):
    assert due(last_day, today=TODAY).state == state


def test_a_survey_counts_each_place_once():
    # Two readings at one place, one at the other: (3 + 5) / 2 = 4, and the mean of 4 and 2 is 3 (by hand).
    readings = [(0.0, 0.0, 3.0), (0.0, 0.0, 5.0), (20.0, 0.0, 2.0)]
    summary = summarise_survey(readings)
    assert (summary.points, summary.mean_mw_cm2, summary.min_mw_cm2, summary.max_mw_cm2) == (2, 3.0, 2.0, 4.0)
    assert summary.min_over_max == 0.5
    assert point_means(readings) == [(0.0, 0.0, 4.0), (20.0, 0.0, 2.0)]


def test_a_survey_without_light_or_readings_says_so():
    assert summarise_survey([(0.0, 0.0, 0.0)]).min_over_max is None
    assert summarise_survey([]) is None


def test_an_empty_catalogue_says_what_to_do(reader):
    text = page_of(reader, "catalogue")
    assert "Nothing is expired or overdue" in text
    assert "No curing lamp yet" in text


def test_what_was_never_surveyed_or_calibrated_needs_attention(reader):
    factories.lamp(code="NEW-LAMP")
    factories.lamp(code="OLD-LAMP", retired_on=date(2026, 1, 1))
    rows = [(row.name, row.what) for row in reader.get(reverse("catalogue")).context["attention"]]
    assert ("Lamp NEW-LAMP", "never surveyed") in rows
    assert all(name != "Lamp OLD-LAMP" for name, _ in rows)


def fill(rows):
    for number in range(rows):
        lamp = factories.lamp(code=f"Q-{number}-{rows}", least_irradiance_mw_cm2=2)
        survey = factories.survey(lamp, radiometer=factories.radiometer(code=f"M-{number}-{rows}"))
        SurveyPoint.objects.create(survey=survey, x_mm=0, y_mm=0, irradiance_mw_cm2=5)
        factories.resin_lot()
        GlassStock.objects.create(code=f"G-{number}-{rows}", construction="float", thickness_mm=6)
        procedure = Procedure.objects.create(code=f"P-{number}-{rows}", title="t")
        ProcedureVersion.objects.create(procedure=procedure, number=1, text="t", effective_on=TODAY)
        profile = ThermalProfile.objects.create(name=f"T-{number}-{rows}")
        ProfileStep.objects.create(profile=profile, number=1, name="freeze", kind="freeze", min_minutes=1)
        Chamber.objects.create(code=f"C-{number}-{rows}", kind="heat", capacity_coupons=5)


def test_the_catalogue_makes_the_same_number_of_queries_however_long(reader):
    counts = []
    for rows in (1, 3):
        fill(rows)
        with CaptureQueriesContext(connection) as queries:
            page_of(reader, "catalogue")
        counts.append(len(queries))
    assert counts == [24, 24]


def test_a_lamp_shows_its_last_survey_and_any_older_one(reader):
    lamp = factories.lamp()
    meter = factories.radiometer()
    for at, value in ((datetime(2026, 9, 1, 9, tzinfo=UTC), 7.25), (datetime(2026, 10, 1, 9, tzinfo=UTC), 6.5)):
        survey = factories.survey(lamp, at, radiometer=meter)
        for x in (0.0, 20.0):
            SurveyPoint.objects.create(survey=survey, x_mm=x, y_mm=0, irradiance_mw_cm2=value + x / 40)
    text = page_of(reader, "lamp", lamp.pk)
    assert "Survey of" in text
    assert (
        "Mean 6.75 mW/cm² over 2 places; coldest 6.50 at x 0, y 0 mm, hottest 7.00 at x 20, y 0 mm: the coldest has 93"
        in text
    )
    assert "Points only: fewer than three points enclose no area" in text
    older = lamp.surveys.last()
    answer = reader.get(reverse("lamp", args=[lamp.pk]), {"survey": older.pk})
    assert "Mean 7.50 mW/cm²" in answer.content.decode()


def test_a_survey_of_another_lamp_is_not_found(reader):
    lamp, other = factories.lamp(), factories.survey(factories.lamp())
    assert reader.get(reverse("lamp", args=[lamp.pk]), {"survey": other.pk}).status_code == 404
    for digits in (30, 5000):
        assert reader.get(reverse("lamp", args=[lamp.pk]), {"survey": "9" * digits}).status_code == 404


def test_a_lamp_page_cautions(reader):
    assert "never look into a lamp" in page_of(reader, "lamp", factories.lamp().pk)


def test_only_who_may_change_is_shown_the_way(keeper):
    lamp = factories.lamp()
    address = reverse("edit-lamp", args=[lamp.pk])
    assert address in page_of(keeper, "lamp", lamp.pk)
    keeper.force_login(factories.person("technician", username="some-hand"), backend="labbench.lab.sign_in.RoleBackend")
    assert address not in page_of(keeper, "lamp", lamp.pk)


@pytest.mark.parametrize("name", ["catalogue", "lamp"])
def test_strangers_are_sent_to_sign_in(client, name):
    args = [Lamp.objects.create(code="L", emitter_kind="led").pk] if name == "lamp" else []
    answer = client.get(reverse(name, args=args))
    assert (answer.status_code, answer.url.split("?")[0]) == (302, "/sign-in/")


def test_a_survey_is_good_for_the_days_of_the_setting(settings, reader):
    settings.SURVEY_VALID_DAYS = 10
    lamp = factories.lamp()
    factories.survey(lamp, timezone.now() - timedelta(days=10))
    row = next(row for row in reader.get(reverse("catalogue")).context["lamps"] if row.lamp == lamp)
    assert (row.due.state, row.due.last_day) == ("soon", TODAY)
