"""What the catalogue's records change on the page that records a repair."""

from datetime import UTC, date, datetime

import pytest
from django.urls import reverse
from django.utils import timezone

from labbench.bench.services import record_repair
from labbench.lab.lamp_lives import record_replacement
from labbench.lab.models import Procedure, ProcedureVersion, SurveyPoint
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def on_that_day(monkeypatch):
    monkeypatch.setattr(timezone, "now", lambda: datetime(2026, 11, 25, 10, tzinfo=UTC))


def page_of(client):
    return client.get(reverse("record-repair", args=[factories.coupon().pk])).content.decode()


def test_lots_that_are_used_up_and_drafts_are_not_offered(technician):
    resin = factories.resin_lot(code="GOOD-1").resin
    factories.resin_lot(resin=resin, code="GONE-1", retired_on=date(2026, 11, 1))
    procedure = Procedure.objects.create(code="REP-5", title="Repair")
    for number, is_draft in ((1, False), (2, True)):
        ProcedureVersion.objects.create(
            procedure=procedure, number=number, text="t", effective_on=date(2026, 1, 1), is_draft=is_draft
        )
    text = page_of(technician)
    assert "GOOD-1" in text
    assert "GONE-1" not in text
    assert "REP-5 version 1" in text
    assert "REP-5 version 2" not in text


def test_a_retired_procedure_is_offered_where_it_was_followed_only(technician):
    procedure = Procedure.objects.create(code="OLD-5", title="Repair", retired_on=date(2026, 6, 1))
    version = ProcedureVersion.objects.create(procedure=procedure, number=1, text="t", effective_on=date(2026, 1, 1))
    assert "OLD-5" not in page_of(technician)
    study = factories.study(procedure_version=version)
    page = reverse("record-repair", args=[factories.coupon(study).pk])
    assert "OLD-5 version 1" in technician.get(page).content.decode()


def test_the_caution_names_the_brightest_lamp_in_service(technician):
    for code, value, details in (
        ("DIM", 5.0, {}),
        ("BRIGHT", 20.0, {}),
        ("GONE", 90.0, {"retired_on": date(2026, 1, 1)}),
    ):
        survey = factories.survey(factories.lamp(code=code, **details), radiometer=factories.radiometer())
        SurveyPoint.objects.create(survey=survey, x_mm=0, y_mm=0, irradiance_mw_cm2=value)
    text = page_of(technician)
    # 1e4 J/m² at 20 mW/cm²: 50 s.
    assert "measured under BRIGHT" in text
    assert "is used up after 50\u202fs" in text
    technician.post("/bench/cautions/repair/", {"back": "/bench/"})
    assert "measured under BRIGHT" not in page_of(technician)


def test_a_lamp_not_surveyed_since_a_part_was_renewed_is_warned_of_and_kept_as_a_deviation(technician):
    lamp = factories.lamp(code="NEW-TUBE")
    factories.survey(lamp)
    record_replacement(
        lamp=lamp,
        by=factories.person("technician"),
        replaced_at=datetime(2026, 11, 20, 9, tzinfo=UTC),
        part="tube",
        hours_before_h=5,
        reason="dark",
    )
    factories.resin_lot()
    assert "▲ not surveyed since it was renewed 20 Nov 2026" in page_of(technician)
    repair = record_repair(
        coupon=factories.coupon(),
        by=factories.person("technician"),
        repaired_at=timezone.now(),
        resin_lot=factories.resin_lot(),
        lamp=lamp,
        cure_time_s=60,
    )
    (deviation,) = [row for row in repair.deviations if row.kind == "survey_old"]
    assert deviation.description == "Lamp NEW-TUBE was not surveyed since its tube was renewed on 20 Nov 2026."
    assert repair.record.survey is None
    rows = [(row.name, row.what, row.last_day) for row in technician.get(reverse("catalogue")).context["attention"]]
    assert ("Lamp NEW-TUBE", "survey too old since", date(2026, 11, 20)) in rows


@pytest.mark.parametrize(
    ("part", "words"),
    [
        ("emitters", "its emitters were renewed"),
        ("supply", "its power supply was renewed"),
        ("other", "its part was renewed"),
    ],
)
def test_what_was_renewed_is_told_in_good_words(part, words):
    lamp, hand = factories.lamp(), factories.person("technician")
    factories.survey(lamp)
    at = datetime(2026, 11, 20, 9, tzinfo=UTC)
    record_replacement(lamp=lamp, by=hand, replaced_at=at, part=part, hours_before_h=5, reason="dark")
    recorded = record_repair(
        coupon=factories.coupon(),
        by=hand,
        repaired_at=timezone.now(),
        resin_lot=factories.resin_lot(),
        lamp=lamp,
        cure_time_s=60,
    )
    assert f"was not surveyed since {words} on 20 Nov 2026." in recorded.deviations[0].description
