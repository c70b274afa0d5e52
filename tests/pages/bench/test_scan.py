"""The bench: from a code to a coupon, what waits, and undoing."""

import re

import pytest
from django.urls import reverse

from labbench.bench.loads import start_load
from labbench.bench.models import Inspection
from labbench.bench.services import create_load, record_inspection
from tests import factories
from tests.factories import NOON
from tests.pages.bench.conftest import text_of

pytestmark = pytest.mark.django_db
BENCH = "/bench/"


@pytest.mark.parametrize("typed", ["K-17", " K-17 ", "k-17"])
def test_a_code_leads_to_its_coupon(sign_in, typed):
    coupon = factories.coupon(code="K-17")
    answer = sign_in("guest").get(BENCH, {"code": typed})
    assert answer.headers["Location"] == f"/coupons/{coupon.pk}/"


def test_the_case_of_letters_tells_two_coupons_apart(sign_in):
    factories.coupon(code="a1")
    big = factories.coupon(code="A1")
    assert sign_in().get(BENCH, {"code": "A1"}).headers["Location"] == f"/coupons/{big.pk}/"


def test_a_code_of_two_running_studies_offers_both(sign_in):
    coupons = [factories.coupon(factories.study(), code="K-17") for _ in range(2)]
    html = text_of(sign_in().get(BENCH, {"code": "K-17"}))
    assert [int(pk) for pk in re.findall(r'href="/coupons/(\d+)/"', html)] == [c.pk for c in reversed(coupons)]


def test_a_running_study_goes_before_a_closed_one(sign_in):
    factories.coupon(factories.study(state="closed"), code="K-17")
    running = factories.coupon(factories.study(), code="K-17")
    assert sign_in().get(BENCH, {"code": "K-17"}).headers["Location"] == f"/coupons/{running.pk}/"


def test_an_unknown_code_is_named(sign_in):
    assert "No coupon is called “&lt;b&gt;”" in text_of(sign_in().get(BENCH, {"code": "<b>"}))


def test_the_next_code_goes_straight_to_the_same_work(sign_in, repaired):
    waiting, done = factories.coupon(code="W"), repaired(factories.coupon(code="D"))
    client = sign_in()
    assert client.get(BENCH, {"code": "W", "then": "repair"}).headers["Location"] == f"/coupons/{waiting.pk}/repair/"
    assert client.get(BENCH, {"code": "D", "then": "repair"}).headers["Location"] == f"/coupons/{done.pk}/"
    assert sign_in("guest").get(BENCH, {"code": "W", "then": "repair"}).headers["Location"] == f"/coupons/{waiting.pk}/"


def test_what_waits_is_counted_by_study_load_and_round(sign_in, repaired, looked):
    study, lead = factories.study(code="COACH", is_blind=False), factories.person()
    factories.coupon(study)
    factories.coupon(study, role="pristine")
    repaired(factories.coupon(study))
    travelling = [repaired(factories.coupon(study)) for _ in range(3)]
    load = create_load(study=study, name="Tray 1", by=lead, coupons=travelling)
    start_load(load=load, by=lead)
    looked(travelling[0])
    looked(travelling[1], outcome="cracked_out")
    factories.coupon(factories.study(code="OLD", state="closed"))
    html = " ".join(re.sub(r"<[^>]+>", " ", text_of(sign_in().get(BENCH))).split())
    assert (
        "1 to repair 1 repaired, in no load yet 1 to look at after round 1 – Tray 1"
        " 1 to look at after round 2 – Tray 1 1 for the strength test"
    ) in html
    assert "OLD" not in html


def test_ones_own_records_can_be_undone_and_the_history_keeps_them(sign_in, looked):
    client, coupon = sign_in(), factories.coupon(code="MINE")
    look = looked(coupon, by=client.person)
    looked(factories.coupon(code="THEIRS"))
    html = text_of(client.get(BENCH))
    assert "MINE" in html
    assert "THEIRS" not in html
    answer = client.post(f"/bench/undo/inspection/{look.pk}/", follow=True)
    assert "Undone: inspection of MINE" in text_of(answer)
    assert Inspection.objects.filter(coupon=coupon).count() == 0
    assert Inspection.history.filter(id=look.pk, history_type="-").get().history_change_reason == "undone"


def test_undoing_twice_is_said_not_done(sign_in, looked):
    client = sign_in()
    look = looked(factories.coupon(), by=client.person)
    client.post(f"/bench/undo/inspection/{look.pk}/")
    assert "taken out already" in text_of(client.post(f"/bench/undo/inspection/{look.pk}/", follow=True))


def test_anothers_record_is_not_undone(sign_in, looked):
    look = looked(factories.coupon())
    answer = sign_in().post(f"/bench/undo/inspection/{look.pk}/", follow=True)
    assert "Only whoever recorded it can undo this" in text_of(answer)
    assert Inspection.objects.count() == 1


def test_undo_does_not_lead_to_another_host(sign_in, looked):
    client = sign_in()
    look = looked(factories.coupon(), by=client.person)
    answer = client.post(f"/bench/undo/inspection/{look.pk}/", {"back": "https://elsewhere.example/"})
    assert answer.headers["Location"] == BENCH


def test_a_guest_reads_and_records_nothing(sign_in):
    coupon = factories.coupon()
    client = sign_in("guest")
    assert client.get(BENCH).status_code == 200
    html = text_of(client.get(reverse("coupon", args=[coupon.pk])))
    assert "/repair/" not in html
    for name in ("record-repair", "record-inspection", "record-strength", "record-deviation", "withdraw-coupon"):
        assert client.get(reverse(name, args=[coupon.pk])).status_code == 403
        assert client.post(reverse(name, args=[coupon.pk]), {}).status_code == 403


def test_nobody_reads_without_signing_in(client, db):
    coupon = factories.coupon()
    for address in (BENCH, f"/coupons/{coupon.pk}/", "/failures/", "/failures/failures.csv", "/deviations/"):
        assert client.get(address).status_code == 302


@pytest.mark.parametrize("rows", [1, 3])
def test_the_bench_asks_the_same_number_of_questions(sign_in, django_assert_num_queries, repaired, rows):
    client, lead = sign_in(), factories.person()
    for _ in range(rows):
        study = factories.study()
        coupons = [repaired(factories.coupon(study)) for _ in range(rows)]
        load = create_load(study=study, name="Tray", by=lead, coupons=coupons)
        start_load(load=load, by=lead)
        record_inspection(coupon=coupons[0], by=client.person, seen_at=NOON, round_number=1, outcome="intact")
        factories.coupon(study)
    client.get(BENCH)
    with django_assert_num_queries(14):
        client.get(BENCH)


def test_a_caution_is_shown_until_it_was_read(sign_in):
    client, coupon = sign_in(), factories.coupon()
    address = f"/coupons/{coupon.pk}/repair/"
    assert "never look into a lamp" in text_of(client.get(address))
    client.post("/bench/cautions/repair/", {"back": address})
    assert "never look into a lamp" not in text_of(client.get(address))
    assert "never look into a lamp" in text_of(sign_in().get(address))
