"""Two pages of one record open at once: the second does not undo the first."""

from datetime import date

import pytest
from django.urls import reverse

from labbench.lab import procedures
from labbench.lab.models import GlassStock, LampSurvey, Procedure, Resin
from labbench.lab.records import keep
from tests import factories
from tests.pages.conftest import signed_in

pytestmark = pytest.mark.django_db


def as_shown(client, address):
    """What the form of a page sends when nothing in it is touched."""
    sent = {}
    for field in client.get(address).context["form"]:
        value = field.field.widget.format_value(field.value())
        value = value[0] if isinstance(value, list) else value
        if isinstance(field.value(), bool):
            value = "on" if field.value() else None
        if value is not None:
            sent[field.html_name] = value
    return sent


def told(answer):
    return " ".join(" ".join(answer.context["form"].non_field_errors()).split())


def lamp(by):
    made = keep(factories.lamp(), by=by)
    return made, "edit-lamp", ("peak_wavelength_nm", "370", 370.0), ("note", "cleaned"), "peak wavelength"


def lot(by):
    made = keep(factories.resin_lot(), by=by)
    return made, "edit-lot", ("quantity_ml", "250", 250.0), ("stored_at", "fridge 2"), "quantity"


def resin(by):
    made = keep(Resin(name="V12", purpose="break"), by=by)
    return made, "edit-resin", ("tint", "blue", "blue"), ("note", "thin"), "tint: nothing → blue"


def glass(by):
    made = keep(GlassStock(code="G", construction="float", thickness_mm=6, pieces=5), by=by)
    return made, "edit-glass", ("pieces", "7", 7), ("note", "new crate"), "pieces"


def meter(by):
    made = keep(factories.radiometer(), by=by)
    return made, "change-meter", ("drift_percent", "2", 2.0), ("note", "new battery"), "nothing → 2 %"


@pytest.mark.parametrize("made", [lamp, lot, resin, glass, meter])
def test_what_somebody_changed_meanwhile_stands_and_is_told(made):
    one, other = signed_in("lead"), signed_in("lead")
    row, page, (first, typed, stored), (second, words), in_words = made(factories.person())
    address = reverse(page, args=[row.pk])
    late = as_shown(other, address)
    answer = one.post(address, as_shown(one, address) | {first: typed, "reason": "measured"})
    assert answer.status_code == 302
    answer = other.post(address, late | {second: words, "reason": "forgotten"})
    assert "changed this meanwhile: " in told(answer)
    assert in_words in told(answer)
    row.refresh_from_db()
    assert (getattr(row, first), getattr(row, second)) == (stored, "")
    # What was typed is kept: sent again it is stored beside what the other changed.
    again = {field.html_name: field.data for field in answer.context["form"] if field.data not in (None, False)}
    assert other.post(address, again).status_code == 302
    row.refresh_from_db()
    assert (getattr(row, first), getattr(row, second)) == (stored, words)


def test_hours_read_meanwhile_are_no_change_of_the_lamps_form():
    client = signed_in("lead")
    made = keep(factories.lamp(), by=factories.person())
    address = reverse("edit-lamp", args=[made.pk])
    late = as_shown(client, address)
    client.post(reverse("lamp-hours", args=[made.pk]), {"hours_h": "120"})
    assert client.post(address, late | {"note": "cleaned", "reason": "forgotten"}).status_code == 302
    made.refresh_from_db()
    assert (made.note, made.hours_run_h) == ("cleaned", 120.0)


def test_a_draft_that_somebody_wrote_meanwhile_is_not_written_over():
    one, other, by = signed_in("lead"), signed_in("lead"), factories.person()
    procedure = Procedure.objects.create(code="REP-9", title="Repair")
    first = procedures.write_draft(procedure=procedure, by=by, text="1. Cure 60 s.", effective_on=date(2026, 1, 1))
    procedures.approve(version=first, by=by)
    address = reverse("procedure-draft", args=[procedure.pk])
    early, late = as_shown(one, address), as_shown(other, address)
    one.post(address, early | {"text": "1. Cure 90 s.", "change_note": "too soft"})
    answer = other.post(address, late | {"text": "1. Cure 45 s.", "change_note": "too slow"})
    assert "text: 1. Cure 60 s. → 1. Cure 90 s." in told(answer)
    assert answer.context["form"]["text"].value() == "1. Cure 45 s."
    assert procedure.versions.get(number=2).text == "1. Cure 90 s."


def test_a_survey_corrected_meanwhile_is_not_corrected_from_an_old_page():
    client = signed_in("lead")
    survey = keep(factories.survey(factories.lamp()), by=factories.person())
    survey.points.create(x_mm=0, y_mm=0, reading=1, raw_reading=9.0, irradiance_mw_cm2=9.0)
    address = reverse("correct-survey", args=[survey.pk])
    shown = client.get(address)
    late = as_shown(client, address) | {"place_0": "9", "seen": str(shown.context["seen"])}
    assert f'name="seen" value="{shown.context["seen"]}"' in shown.content.decode()
    assert client.post(address, late | {"place_0": "8", "why": "misread"}).status_code == 302
    answer = client.post(address, late | {"distance_mm": "77", "why": "measured"})
    assert "changed this meanwhile" in told(answer)
    stored = LampSurvey.objects.get()
    assert (stored.points.get().irradiance_mw_cm2, stored.distance_mm == 77) == (8.0, False)
