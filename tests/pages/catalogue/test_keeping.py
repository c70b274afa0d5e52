"""Resins, lots, glass and procedures by pages: who may, what is told, what stays in the history."""

from datetime import UTC, date, datetime

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from labbench.bench.models import Repair
from labbench.lab import procedures
from labbench.lab.models import GlassCount, GlassStock, LotCount, Procedure, ProcedureVersion, Resin, ResinLot
from tests import factories
from tests.pages.conftest import signed_in

pytestmark = pytest.mark.django_db
NOON = factories.NOON


@pytest.fixture(autouse=True)
def on_that_day(monkeypatch):
    monkeypatch.setattr(timezone, "now", lambda: datetime(2026, 11, 25, 10, tzinfo=UTC))


def faults(answer):
    return " ".join(words for errors in answer.context["form"].errors.values() for words in errors)


RESIN = {"name": "V12", "purpose": "break", "viscosity_mpa_s": "12,5", "use_per_repair_ml": "0.4"}


def test_a_lead_adds_a_resin_and_its_lot(lead):
    answer = lead.post(reverse("new-resin"), RESIN)
    resin = Resin.objects.get(name="V12")
    assert (answer.status_code, resin.viscosity_mpa_s, resin.use_per_repair_ml) == (302, 12.5, 0.4)
    assert resin.history.get().history_user.role == "lead"
    lot = {"resin": resin.pk, "code": "26-1", "received_on": "2026-11-20", "quantity_ml": "250"}
    answer = lead.post(reverse("new-lot"), lot)
    made = ResinLot.objects.get(code="26-1")
    assert answer.url == reverse("resin-lot", args=[made.pk])
    assert "V12" in lead.get(reverse("resin", args=[resin.pk])).content.decode()


@pytest.mark.parametrize(
    ("role", "page", "status"),
    [
        ("technician", "new-lot", 200),
        ("technician", "new-resin", 403),
        ("technician", "new-glass", 403),
        ("technician", "new-procedure", 403),
        ("technician", "new-lamp", 403),
        ("qa", "new-lot", 403),
        ("guest", "new-lot", 403),
        ("guest", "new-glass", 403),
        ("lead", "new-glass", 200),
        ("lead", "new-procedure", 200),
        ("lead", "new-lamp", 200),
    ],
)
def test_who_may_add_what(role, page, status):
    assert signed_in(role).get(reverse(page)).status_code == status


def test_nobody_is_sent_to_the_administration(lead):
    lot, lamp = factories.resin_lot(), factories.lamp()
    glass = GlassStock.objects.create(code="G", construction="float", thickness_mm=6)
    pages = [
        reverse("catalogue"),
        reverse("resin", args=[lot.resin_id]),
        reverse("resin-lot", args=[lot.pk]),
        reverse("glass", args=[glass.pk]),
        reverse("lamp", args=[lamp.pk]),
    ]
    for page in pages:
        assert "/admin/lab/" not in lead.get(page).content.decode(), page


def test_a_lot_with_impossible_days_is_told_so_and_not_stored(technician):
    resin = Resin.objects.create(name="R")
    given = {
        "resin": resin.pk,
        "code": "1",
        "received_on": "2026-11-20",
        "opened_on": "2026-11-01",
        "quantity_ml": "-3",
    }
    answer = technician.post(reverse("new-lot"), given)
    words = faults(answer)
    assert "It can’t have been opened before it was received." in words
    assert "more than 0" in words
    assert not ResinLot.objects.exists()


def test_two_lots_of_a_resin_have_different_codes(technician):
    lot = factories.resin_lot(code="A")
    answer = technician.post(reverse("new-lot"), {"resin": lot.resin_id, "code": "A", "received_on": "2026-11-20"})
    assert "already exists" in faults(answer)


def test_a_change_asks_for_the_reason_and_keeps_it(lead):
    lot = factories.resin_lot()
    page = reverse("edit-lot", args=[lot.pk])
    given = {"resin": lot.resin_id, "code": "B-2", "received_on": "2026-09-01"}
    assert "This field is required." in faults(lead.post(page, given))
    assert lead.post(page, given | {"reason": "read from the bottle"}).status_code == 302
    entry = lot.history.first()
    assert (entry.code, entry.history_change_reason) == ("B-2", "read from the bottle")


def test_a_form_sent_back_unchanged_shows_every_digit(lead):
    lot = factories.resin_lot(quantity_ml=123.45678)
    assert 'value="123.45678"' in lead.get(reverse("edit-lot", args=[lot.pk])).content.decode()


def test_constants_need_their_source(lead):
    answer = lead.post(reverse("new-resin"), RESIN | {"needed_dose_mj_cm2": "300"})
    assert "Say where the dose or the constants come from." in faults(answer)


def test_opened_today_is_one_press(technician):
    lot = factories.resin_lot()
    technician.post(reverse("open-lot", args=[lot.pk]))
    lot.refresh_from_db()
    assert lot.opened_on == date(2026, 11, 25)
    assert lot.history.first().history_change_reason == "opened"


def test_what_is_left_is_counted_and_a_mistaken_count_taken_out(technician):
    lot = factories.resin_lot(quantity_ml=100)
    technician.post(reverse("count-lot", args=[lot.pk]), {"left_ml": "30", "reason": "spilt"})
    assert "30" in technician.get(reverse("resin-lot", args=[lot.pk])).content.decode()
    count = LotCount.objects.get()
    page = reverse("remove-lot-count", args=[count.pk])
    assert "This field is required." in faults(technician.post(page, {}))
    technician.post(page, {"reason": "wrong bottle"})
    assert not LotCount.objects.exists()
    assert LotCount.history.first().history_change_reason == "wrong bottle"


def test_a_count_is_taken_out_by_whoever_made_it_or_the_lead(technician, client):
    lot = factories.resin_lot(quantity_ml=100)
    technician.post(reverse("count-lot", args=[lot.pk]), {"left_ml": "30", "reason": "spilt"})
    page = reverse("remove-lot-count", args=[LotCount.objects.get().pk])
    client.force_login(factories.person("technician"))
    assert page not in client.get(reverse("resin-lot", args=[lot.pk])).content.decode()
    assert client.post(page, {"reason": "not mine"}).status_code == 403
    client.force_login(factories.person("lead"))
    assert page in client.get(reverse("resin-lot", args=[lot.pk])).content.decode()
    client.post(page, {"reason": "wrong bottle"})
    assert not LotCount.objects.exists()


def repaired(lot, coupon, **details):
    return Repair.objects.create(
        coupon=coupon, repaired_at=NOON, technician=factories.person("technician"), resin_lot=lot, lamp=factories.lamp(),
        cure_time_s=60, **details
    )  # fmt: skip


def test_a_lot_shows_its_coupons_and_how_they_held(lead):
    lot = factories.resin_lot()
    study = factories.study(code="OPEN-1", is_blind=True)
    repaired(lot, factories.coupon(study, code="K-1", stage="cracked_out", failed_round=2))
    repaired(lot, factories.coupon(study, code="K-2", stage="survived"))
    text = lead.get(reverse("resin-lot", args=[lot.pk])).content.decode()
    assert "K-1" in text
    assert "in round 2" in text
    (row,) = lead.get(reverse("resin-lot", args=[lot.pk])).context["used"]
    assert (row["repairs"], row["cracked_out"], row["held"]) == (2, 1, 1)


def test_whoever_inspects_blind_sees_neither_coupons_nor_outcomes(technician):
    lot = factories.resin_lot()
    blind, closed = factories.study(code="BLIND-1", is_blind=True), factories.study(code="SHUT-1", state="closed")
    repaired(lot, factories.coupon(blind, code="SECRET-1", stage="cracked_out", failed_round=2))
    repaired(lot, factories.coupon(closed, code="KNOWN-1", stage="cracked_out", failed_round=1))
    text = technician.get(reverse("resin-lot", args=[lot.pk])).content.decode()
    assert "SECRET-1" not in text
    assert "in round 2" not in text
    assert "not shown while you inspect blind" in text
    assert "KNOWN-1" in text


def test_low_stock_is_named_in_the_catalogue(lead):
    resin = Resin.objects.create(name="LOW", use_per_repair_ml=1, low_stock_ml=5)
    lot = factories.resin_lot(resin=resin, code="L", quantity_ml=5)
    gone = factories.resin_lot(resin=resin, code="GONE", quantity_ml=5, retired_on=date(2026, 11, 1))
    repaired(lot, factories.coupon())
    GlassStock.objects.create(code="G-0", construction="float", thickness_mm=6, pieces=0)
    rows = [(row.name, row.what) for row in lead.get(reverse("catalogue")).context["attention"]]
    assert ("LOW lot L", "low stock, 4\u202fml left") in rows
    assert ("Glass G-0", "none left") in rows
    assert not [name for name, _ in rows if gone.code in name]


def test_glass_is_added_counted_and_changed(lead):
    given = {"code": "G-9", "construction": "float 3 / PVB 0.76 / float 3", "thickness_mm": "6.76", "pieces": "40"}
    lead.post(reverse("new-glass"), given)
    glass = GlassStock.objects.get(code="G-9")
    factories.coupon(glass=glass)
    assert lead.get(reverse("glass", args=[glass.pk])).context["stock"].left == 39
    lead.post(reverse("count-glass", args=[glass.pk]), {"pieces_left": "12", "reason": "crate fell"})
    assert GlassCount.objects.get().pieces_left == 12
    answer = lead.post(reverse("edit-glass", args=[glass.pk]), given | {"thickness_mm": "0", "reason": "x"})
    assert "more than 0" in faults(answer)


def test_a_procedure_from_its_first_draft_to_a_second_version(lead):
    lead.post(reverse("new-procedure"), {"code": "REP-7", "title": "Repair"})
    procedure = Procedure.objects.get(code="REP-7")
    page = reverse("procedure-draft", args=[procedure.pk])
    lead.post(page, {"text": "1. Clean.\r\n2. Cure 60 s.", "effective_on": "2026-11-25"})
    first = procedure.versions.get()
    assert first.is_draft
    qa = signed_in("qa")
    approve, read = reverse("approve-version", args=[first.pk]), reverse("procedure-version", args=[first.pk])
    early = qa.get(read).context["seen"]
    lead.post(page, {"text": "1. Clean.\r\n2. Cure 5 s.", "effective_on": "2026-11-25"})
    # Neither the text that was read before, nor one that nobody says to have read.
    for sent in ({"seen": str(early)}, {}):
        answer = qa.post(approve, sent, follow=True)
        assert "wrote on this draft after the page was opened" in answer.content.decode()
        assert procedure.versions.get().is_draft
    lead.post(page, {"text": "1. Clean.\r\n2. Cure 60 s.", "effective_on": "2026-11-25"})
    shown = qa.get(read)
    assert f'name="seen" value="{shown.context["seen"]}"' in shown.content.decode()
    qa.post(approve, {"seen": str(shown.context["seen"])})
    first.refresh_from_db()
    assert (first.is_draft, first.approved_by.role) == (False, "qa")
    assert "change_note" in lead.get(page).content.decode()
    answer = lead.post(page, {"text": first.text, "effective_on": "2026-12-01", "change_note": "none"})
    assert "nothing has changed" in faults(answer)
    lead.post(page, {"text": "1. Clean.\n2. Cure 90 s.", "effective_on": "2026-12-01", "change_note": "too soft"})
    second = procedure.versions.get(number=2)
    text = lead.get(reverse("procedure-version", args=[second.pk])).content.decode()
    assert "<del>" in text
    assert "2. Cure 60 s." in text
    assert "too soft" in text
    rows = [(row.name, row.what) for row in lead.get(reverse("catalogue")).context["attention"]]
    assert ("REP-7 version 2", "waits for approval") in rows


def version(**details):
    procedure = Procedure.objects.create(code=f"P-{next(factories.numbers)}", title="t")
    return ProcedureVersion.objects.create(
        procedure=procedure, number=1, text="t", effective_on=date(2026, 1, 1), **details
    )


def test_a_technician_neither_writes_nor_approves(technician):
    draft = version(is_draft=True)
    assert technician.get(reverse("procedure-draft", args=[draft.procedure_id])).status_code == 403
    assert technician.post(reverse("approve-version", args=[draft.pk])).status_code == 403
    assert technician.post(reverse("discard-draft", args=[draft.pk]), {"reason": "x"}).status_code == 403
    draft.refresh_from_db()
    assert draft.is_draft


def test_approving_twice_is_said_not_done(lead):
    approved = version()
    answer = lead.post(reverse("approve-version", args=[approved.pk]), follow=True)
    assert "approved already" in answer.content.decode()


def test_a_draft_is_discarded_with_a_reason(lead):
    draft = version(is_draft=True)
    lead.post(reverse("discard-draft", args=[draft.pk]), {"reason": "not wanted"})
    assert not ProcedureVersion.objects.exists()
    assert ProcedureVersion.history.first().history_change_reason == "not wanted"


def test_any_earlier_version_can_be_compared_with(lead):
    first = version()
    by = factories.person("lead")
    for number, text in ((2, "t\nu"), (3, "t\nu\nv")):
        made = procedures.write_draft(
            procedure=first.procedure, by=by, text=text, effective_on=date(2026, number, 1), change_note="more"
        )
        procedures.approve(version=made, by=by)
    page = reverse("procedure-version", args=[made.pk])
    assert [line.kind for line in lead.get(page).context["lines"]] == ["kept", "kept", "in"]
    assert [line.kind for line in lead.get(page, {"against": "1"}).context["lines"]] == ["kept", "in", "in"]
    assert lead.get(page, {"against": "x"}).status_code == 200


def test_a_resin_of_many_lots_takes_the_same_number_of_queries(lead):
    resin = Resin.objects.create(name="R", use_per_repair_ml=1)
    counts = []
    for rows in (1, 2):
        for _ in range(rows):
            repaired(factories.resin_lot(resin=resin), factories.coupon())
        with CaptureQueriesContext(connection) as queries:
            lead.get(reverse("resin", args=[resin.pk]))
        counts.append(len(queries))
    assert counts[0] == counts[1]


def test_a_lot_of_many_repairs_takes_the_same_number_of_queries(lead):
    lot = factories.resin_lot()
    counts = []
    for rows in (1, 2):
        for _ in range(rows):
            repaired(lot, factories.coupon())
        with CaptureQueriesContext(connection) as queries:
            lead.get(reverse("resin-lot", args=[lot.pk]))
        counts.append(len(queries))
    assert counts[0] == counts[1]
