"""A load's page, its start and end, and all its looks in one go."""

from datetime import UTC, datetime, timedelta

import pytest
from django.core.files.base import ContentFile
from django.utils import timezone

from labbench.bench.loads import start_load
from labbench.bench.models import Inspection, TraceFile
from labbench.bench.services import book, create_load
from labbench.lab.models import Chamber, ProfileStep, ThermalProfile
from tests import factories
from tests.pages.bench.conftest import text_of

pytestmark = pytest.mark.django_db
NOT_TO_BE_REPAIRED = (("P1", "pristine"), ("U1", "unrepaired"))


@pytest.fixture
def tray(repaired):
    def make(coupons=3):
        lead, study = factories.person(), factories.study(is_blind=False)
        rows = [repaired(factories.coupon(study, code=f"T{n}")) for n in range(coupons)]
        load = create_load(study=study, name="Tray 1", by=lead, coupons=rows)
        return start_load(load=load, by=lead), rows

    return make


def test_a_load_with_coupons_that_are_not_repaired_starts_only_when_that_is_confirmed(sign_in, repaired):
    client, lead, study = sign_in("lead"), factories.person(), factories.study()
    rows = [repaired(factories.coupon(study, code="T0"))]
    rows += [factories.coupon(study, code=code, role=role) for code, role in NOT_TO_BE_REPAIRED]
    rows += [factories.coupon(study, code="T1"), factories.coupon(study, code="R1", role="reference")]
    load = create_load(study=study, name="Tray 1", by=lead, coupons=rows)
    address = f"/loads/{load.pk}/step/start/"
    asked = client.post(address)
    assert [coupon.code for coupon in asked.context["coupons"]] == ["T1", "R1"]
    assert "2 coupons are not repaired yet" in text_of(asked)
    load.refresh_from_db()
    assert load.state == "planned"
    # Confirmed for one only, as when another coupon joined the load in between: asked again.
    again = client.post(address, {"unrepaired": [rows[-2].pk]})
    assert "They are not the ones that were shown before" in text_of(again)
    shown = [coupon.pk for coupon in again.context["coupons"]]
    assert client.post(address, {"unrepaired": shown}).status_code == 302
    load.refresh_from_db()
    assert load.state == "running"
    assert load.history.first().history_change_reason == "started with coupons that are not repaired: T1, R1"


def test_a_load_with_all_coupons_repaired_starts_at_once(sign_in, repaired):
    client, study = sign_in("lead"), factories.study()
    load = create_load(study=study, name="Tray 1", by=client.person, coupons=[repaired(factories.coupon(study))])
    assert client.post(f"/loads/{load.pk}/step/start/").status_code == 302
    assert load.history.first().history_change_reason == "started"


def test_a_load_that_is_not_ready_starts_only_when_that_is_confirmed(sign_in, repaired):
    client, study = sign_in("lead"), factories.study()
    coupons = [repaired(factories.coupon(study)), factories.coupon(study, code="T9")]
    load = create_load(
        study=study, name="Load 3", by=client.person, coupons=coupons, ready_at=timezone.now() + timedelta(hours=2)
    )
    address = f"/loads/{load.pk}/step/start/"
    html = text_of(client.post(address))
    assert "Load 3 is ready from" in html
    assert "1 coupon is not repaired yet" in html
    # One of the two confirmed is not enough.
    assert client.post(address, {"unrepaired": [coupons[1].pk]}).status_code == 200
    load.refresh_from_db()
    assert load.state == "planned"
    answer = client.post(address, {"unrepaired": [coupons[1].pk], "early": "1"}, follow=True)
    assert "Load 3 is running now." in text_of(answer)
    assert "Load Load 3" not in text_of(answer)
    said = load.history.first().history_change_reason
    assert said.startswith("started before it was ready (")
    assert said.endswith(") with coupons that are not repaired: T9")


def test_a_load_of_which_nothing_can_be_inspected_says_why(sign_in, repaired, looked):
    client, study = sign_in("lead"), factories.study(rounds_planned=1)
    coupons = [factories.coupon(study), repaired(factories.coupon(study))]
    load = create_load(study=study, name="Load 3", by=client.person, coupons=coupons)
    start_load(load=load, by=client.person, unrepaired={coupons[0].pk})
    assert "waits for an inspection" not in text_of(client.get(f"/loads/{load.pk}/"))
    looked(coupons[1], outcome="cracked_out")
    words = "None of its coupons waits for an inspection: 1 cracked out, 1 not repaired."
    assert words in text_of(client.get(f"/loads/{load.pk}/"))


@pytest.fixture
def booked(tray):
    """A running load that is booked for a freezer, then an oven, in the hours before now."""
    load, _ = tray(1)
    profile = ThermalProfile.objects.create(name="Short", rounds=1)
    start = timezone.now().replace(second=0, microsecond=0) - timedelta(hours=10)
    return load, [
        book(
            load=load,
            chamber=Chamber.objects.create(code=code, kind=kind, capacity_coupons=24),
            step=ProfileStep.objects.create(profile=profile, number=number, name=kind, kind=kind, min_minutes=60),
            round_number=1,
            planned_start=start + timedelta(hours=hours),
            planned_end=start + timedelta(hours=hours + 3),
            by=factories.person(),
        )
        for number, (code, kind, hours) in enumerate((("F-1", "freeze", 0), ("O-1", "heat", 4)), start=1)
    ]


def moved(client, load, booking, name, **typed):
    return text_of(client.post(f"/loads/{load.pk}/bookings/{booking.pk}/{name}/", typed, follow=True))


def test_a_load_is_moved_through_its_chambers_with_the_times_as_they_were(sign_in, booked):
    client, (load, (freezer, oven)) = sign_in(), booked
    went_in = timezone.now().replace(second=0, microsecond=0) - timedelta(hours=9)
    typed = {"at": f"{timezone.localtime(went_in):%Y-%m-%dT%H:%M}"}
    assert "Tray 1 went into F-1" in moved(client, load, freezer, "in", **typed)
    assert "is still in F-1; take it out there first." in moved(client, load, oven, "in")
    assert "it can&#x27;t have come out before" in moved(client, load, freezer, "out", **typed)
    assert "Tray 1 came out of F-1" in moved(client, load, freezer, "out")
    freezer.refresh_from_db()
    assert (freezer.started_at, freezer.started_by, freezer.ended_by) == (went_in, client.person, client.person)
    assert timezone.now() - freezer.ended_at < timedelta(minutes=1)
    moved(client, load, freezer, "undo")
    freezer.refresh_from_db()
    assert (freezer.started_at, freezer.ended_at) == (went_in, None)
    assert "is not in O-1" in moved(client, load, oven, "out")


def test_a_move_is_refused_in_words(sign_in, booked):
    client, (load, (freezer, _)) = sign_in(), booked
    later = f"{timezone.localtime(timezone.now() + timedelta(days=1)):%Y-%m-%dT%H:%M}"
    assert "is still to come; by the server it is" in moved(client, load, freezer, "in", at=later)
    assert "has not been in F-1" in moved(client, load, freezer, "undo")
    client.post(f"/loads/{load.pk}/step/back/")
    assert "Tray 1 is planned; start it first." in moved(client, load, freezer, "in")
    freezer.refresh_from_db()
    assert freezer.started_at is None
    assert sign_in("guest").post(f"/loads/{load.pk}/bookings/{freezer.pk}/in/").status_code == 403
    assert client.post(f"/loads/{load.pk + 1}/bookings/{freezer.pk}/in/").status_code == 404


def look_rows(coupons, outcome="intact", **changed):
    """What the page sends: the texts of every row, and the outcome of the chosen ones."""
    data = {"round_number": "1", "step_number": ""}
    for coupon in coupons:
        data |= {f"mode_{coupon.pk}": "", f"growth_{coupon.pk}": "", f"outcome_{coupon.pk}": outcome}
    return data | changed


def test_a_load_is_looked_at_in_one_go(sign_in, tray):
    client, (load, coupons) = sign_in(), tray()
    data = look_rows(coupons)
    del data[f"outcome_{coupons[2].pk}"]
    data |= {f"outcome_{coupons[1].pk}": "crack_growth", f"growth_{coupons[1].pk}": "2,5"}
    answer = client.post(f"/loads/{load.pk}/inspect/", data, follow=True)
    assert "Stored after round 1: 1 intact, 1 crack growth." in text_of(answer)
    assert list(Inspection.objects.order_by("coupon").values_list("outcome", "crack_growth_mm", "inspector")) == [
        ("intact", None, client.person.pk),
        ("crack_growth", 2.5, client.person.pk),
    ]


def test_nothing_is_chosen_beforehand_and_nothing_chosen_is_refused(sign_in, tray):
    client, (load, coupons) = sign_in(), tray()
    address = f"/loads/{load.pk}/inspect/"
    assert "checked" not in text_of(client.get(address))
    data = {name: value for name, value in look_rows(coupons).items() if not name.startswith("outcome")}
    assert "Choose an outcome for at least one coupon." in text_of(client.post(address, data))


def test_where_one_coupon_refuses_none_is_stored_and_it_is_named(sign_in, tray, looked):
    client, (load, coupons) = sign_in(), tray()
    looked(coupons[1])
    html = text_of(client.post(f"/loads/{load.pk}/inspect/", look_rows(coupons)))
    assert "T1: Coupon T1 has an inspection at this point already (intact" in html
    assert "T0: " not in html
    assert Inspection.objects.count() == 1


def test_only_coupons_that_wait_for_this_look_are_listed(sign_in, tray, looked):
    client, (load, coupons) = sign_in(), tray()
    looked(coupons[0])
    looked(coupons[1], outcome="cracked_out")
    address = f"/loads/{load.pk}/inspect/"
    assert [row["coupon"] for row in client.get(address, {"round_number": "1"}).context["rows"]] == [coupons[2]]
    assert [row["coupon"] for row in client.get(address, {"round_number": "2"}).context["rows"]] == [
        coupons[0],
        coupons[2],
    ]


def test_what_was_chosen_stays_chosen_when_other_rows_are_shown(sign_in, tray, looked):
    client, (load, coupons) = sign_in(), tray()
    looked(coupons[1])
    asked = look_rows([coupons[0]], "crack_growth") | {f"outcome_{coupons[1].pk}": "void"}
    asked |= {f"growth_{coupons[0].pk}": "2,5", f"mode_{coupons[0].pk}": "ran from a leg"}
    shown = client.post(f"/loads/{load.pk}/inspect/", asked | {"show": "1", "show_round": "1", "show_step": ""})
    rows = {row["coupon"].code: row for row in shown.context["rows"]}
    assert sorted(rows) == ["T0", "T2"]
    assert [rows["T0"][name].value() for name in ("outcome", "growth", "mode")] == [
        "crack_growth", "2,5", "ran from a leg",
    ]  # fmt: skip
    assert rows["T2"]["outcome"].value() is None
    assert "One choice was of coupons that do not wait for this look, and not kept." in text_of(shown)
    later = client.post(f"/loads/{load.pk}/inspect/", asked | {"show": "1", "show_round": "2", "show_step": ""})
    assert {row["coupon"].code: row["outcome"].value() for row in later.context["rows"]} == {
        "T0": "crack_growth", "T1": "void", "T2": None,
    }  # fmt: skip
    assert "Store the inspections after round 2" in text_of(later)
    assert Inspection.objects.count() == 1


@pytest.mark.parametrize("asked", ["0", "-1", "x", "9" * 40, "٣", "2000"])
def test_an_odd_round_in_the_address_is_no_crash(sign_in, tray, asked):
    load, _ = tray(1)
    assert sign_in().get(f"/loads/{load.pk}/inspect/", {"round_number": asked}).status_code == 200


def test_a_load_starts_ends_and_says_what_was_not_looked_at(sign_in, tray):
    client, (load, _) = sign_in(), tray()
    answer = client.post(f"/loads/{load.pk}/step/finish/", follow=True)
    assert "Tray 1 is done now." in text_of(answer)
    assert "3 of its coupons have not been looked at" in text_of(answer)
    assert "only a running load is finished" in text_of(client.post(f"/loads/{load.pk}/step/finish/", follow=True))
    client.post(f"/loads/{load.pk}/step/back/")
    load.refresh_from_db()
    assert load.state == "running"


def test_a_guest_moves_no_load_and_stores_no_look(sign_in, tray):
    client, (load, coupons) = sign_in("guest"), tray(1)
    assert client.get(f"/loads/{load.pk}/").status_code == 200
    assert client.post(f"/loads/{load.pk}/step/finish/").status_code == 403
    assert client.post(f"/loads/{load.pk}/inspect/", look_rows(coupons)).status_code == 403
    assert client.post(f"/loads/{load.pk}/deviation/", {"kind": "other", "description": "x"}).status_code == 403


@pytest.mark.parametrize("rows", [1, 3])
@pytest.mark.parametrize(("below", "questions"), [("", 20), ("inspect/", 7)])
def test_a_load_asks_the_same_number_of_questions(sign_in, tray, django_assert_num_queries, rows, below, questions):
    client, (load, coupons) = sign_in("lead"), tray(rows)
    for coupon in coupons:
        client.post(f"/coupons/{coupon.pk}/deviation/", {"kind": "other", "description": f"{coupon} was warm"})
    client.get(f"/loads/{load.pk}/{below}")
    with django_assert_num_queries(questions):
        client.get(f"/loads/{load.pk}/{below}")


def test_a_trace_is_handed_out_as_a_file_and_never_shown(sign_in, tray):
    load, _ = tray(1)
    trace = TraceFile(
        load=load,
        filename="<b>logger.html",
        sha256="0" * 64,
        uploaded_at=datetime(2026, 11, 3, tzinfo=UTC),
        uploaded_by=factories.person(),
    )
    trace.file.save("logger.html", ContentFile(b"<script>alert(1)</script>"))
    answer = sign_in("guest").get(f"/traces/{trace.pk}/file/")
    assert b"".join(answer) == b"<script>alert(1)</script>"
    assert answer.headers["Content-Type"] == "application/octet-stream"
    assert answer.headers["Content-Disposition"].startswith("attachment;")
    assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_a_load_in_a_chamber_is_neither_finished_nor_taken_back(sign_in, booked):
    client, (load, (booking, _)) = sign_in(), booked
    address = f"/loads/{load.pk}/"
    assert "Finish the load" in text_of(client.get(address))
    client.post(f"{address}bookings/{booking.pk}/in/")
    html = text_of(client.get(address))
    assert "Finish the load" not in html
    assert "It has not started after all" not in html
