"""The page of the day: order, windows, one press for a move, what is asked before and after it, the doubled hour."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from labbench.bench import loads
from labbench.bench.booking_changes import undo_change
from labbench.bench.bookings import book_load, unbook_load
from labbench.bench.models import CalendarAddress, ChamberFailure, Deviation, LoadPlace
from labbench.bench.services import record_inspections
from labbench.bench.todays_work import chambers_now
from labbench.lab.hours import set_weekday
from labbench.lab.models import Chamber
from labbench.studies.models import Coupon
from tests import factories
from tests.bench import soaks
from tests.bench.soaks import HOUR, booked
from tests.factories import NOON
from tests.pages.bench.conftest import text_of

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)


@pytest.fixture
def clock():
    with soaks.clock_at(NOON) as clock:
        yield clock


def cards(client, address="/today/"):
    parts = client.get(address).context["parts"]
    return {heading: [card.title for card in rows] for heading, rows in parts if rows}


def press(client, load, booking, name, **typed):
    return client.post(f"/loads/{load.pk}/bookings/{booking.pk}/{name}/", {"back": "today"} | typed, follow=True)


def test_what_is_late_comes_first_then_what_can_be_done_then_what_comes(sign_in, rooms, clock):
    client, by = sign_in(), factories.person("technician")
    soaking, late, door = (
        soaks.load(f"Tray {number}", rooms=rooms, start=NOON - hours * HOUR)
        for number, hours in ((1, 2), (2, 19), (3, 17))
    )
    soaks.load("Tray 4", rooms=rooms, start=NOON + HOUR, is_running=False)
    loads.move_in(booking=booked(soaking, 1, 1), by=by, at=NOON - 2 * HOUR)
    loads.move_in(booking=booked(late, 1, 1), by=by, at=NOON - 19 * HOUR)
    loads.move_in(booking=booked(door, 1, 1), by=by, at=NOON - 17 * HOUR)
    loads.move_out(booking=booked(door, 1, 1), by=by, at=NOON - 5 * MINUTE)
    assert cards(client) == {
        "Overdue": ["Tray 2: out of F-1, into O-1"],
        "To be done now": ["Tray 3: into O-1"],
        "Coming": ["Start Tray 4, into F-1", "Tray 1: out of F-1, into O-1"],
    }
    html = text_of(client.get("/today/"))
    assert "longer than the longest soak by 1 h" in html
    assert "at the door; has to be in within 5 min" in html
    assert "least soak reached in 6 h" in html
    assert "After that, as planned" in html


def test_countdowns_go_by_the_servers_clock(sign_in, tray, clock):
    loads.move_in(booking=booked(tray, 1, 1), by=factories.person("technician"), at=NOON - HOUR)
    html = text_of(sign_in().get("/today/work/"))
    assert f'data-now="{int(NOON.timestamp() * 1000)}"' in html
    assert f'data-until="{(NOON + 7 * HOUR).isoformat()}"' in html
    assert "<html" not in html


def test_a_transfer_is_one_press(sign_in, tray, clock):
    client = sign_in()
    clock.set(NOON + 16 * HOUR)
    loads.move_in(booking=booked(tray, 1, 1), by=client.person, at=NOON)
    oven = booked(tray, 1, 2)
    html = text_of(press(client, tray, booked(tray, 1, 1), "transfer", into=oven.pk, shown=oven.chamber_id))
    assert "Tray 1 came out of F-1 and went into O-1 at" in html
    assert booked(tray, 1, 2).started_at == NOON + 16 * HOUR
    again = text_of(press(client, tray, booked(tray, 1, 1), "transfer", into=oven.pk, shown=oven.chamber_id))
    assert "nothing is stored twice" in again
    assert 'class="notice info"' in again


def test_what_can_be_avoided_is_asked_first_and_stored_with_the_time_of_the_press(sign_in, tray, clock):
    client = sign_in()
    loads.move_in(booking=booked(tray, 1, 1), by=client.person, at=NOON)
    clock.set(NOON + 3 * HOUR)
    asked = press(client, tray, booked(tray, 1, 1), "out")
    assert "Move Tray 1 all the same?" in text_of(asked)
    assert "for 3 h (round 1, freeze); at least 8 h." in text_of(asked)
    assert booked(tray, 1, 1).ended_at is None
    clock.set(NOON + 3 * HOUR + 4 * MINUTE)
    at = asked.context["at"].isoformat()
    press(client, tray, booked(tray, 1, 1), "out", at=at, sure="on", reason="fire drill")
    assert booked(tray, 1, 1).ended_at == NOON + 3 * HOUR
    assert list(Deviation.objects.values_list("kind", "reason")) == [("soak", "fire drill")]


def test_what_can_not_be_avoided_is_stored_at_once_and_its_reason_asked_for(sign_in, tray, clock):
    client = sign_in()
    loads.move_in(booking=booked(tray, 1, 1), by=client.person, at=NOON)
    clock.set(NOON + 19 * HOUR)
    html = text_of(press(client, tray, booked(tray, 1, 1), "out"))
    assert "Why did it happen?" in html
    assert "for 19 h (round 1, freeze); at most 18 h." in html
    deviation = Deviation.objects.get()
    assert "Why did it happen?" in text_of(client.get("/today/"))
    why = f"/deviations/{deviation.pk}/reason/"
    assert "Say why it happened." in text_of(client.post(why, {"reason": " ", "back": "today"}, follow=True))
    client.post(why, {"reason": "nobody on Sunday", "back": "today"})
    deviation.refresh_from_db()
    assert deviation.reason == "nobody on Sunday"
    assert "Why did it happen?" not in text_of(client.get("/today/"))
    assert "nobody on Sunday" in text_of(client.get(f"/loads/{tray.pk}/"))


def test_the_plan_may_have_changed_since_the_page_was_shown(sign_in, tray, rooms, clock):
    client, freezer = sign_in(), booked(tray, 1, 1)
    shown = freezer.chamber_id
    freezer.chamber = rooms["F-2"]
    freezer.save()
    html = text_of(press(client, tray, freezer, "in", shown=shown))
    assert "The plan now says F-2, not the chamber that was shown; nothing was stored." in html
    assert "went into F-1" in text_of(press(client, tray, freezer, "in", shown=shown, chamber=rooms["F-1"].pk))
    freezer.delete()
    assert "has changed meanwhile; nothing was stored" in text_of(
        press(client, tray, tray.bookings.model(pk=10**6), "in")
    )


def test_start_is_one_press_with_the_first_chamber_and_asks_what_it_asks_elsewhere(sign_in, rooms, clock):
    client = sign_in("lead")
    tray = soaks.load(rooms=rooms, is_running=False)
    LoadPlace.objects.create(load=tray, coupon=factories.coupon(tray.study, code="U9"), place=9)
    freezer = booked(tray, 1, 1)
    sent = {"back": "today", "into": freezer.pk, "shown": freezer.chamber_id}
    asked = client.post(f"/loads/{tray.pk}/step/start/", sent)
    assert "1 coupon is not repaired yet" in text_of(asked)
    assert asked.context["kept"] == {name: str(value) for name, value in sent.items()}
    unrepaired = Coupon.objects.get(code="U9").pk
    html = text_of(client.post(f"/loads/{tray.pk}/step/start/", sent | {"unrepaired": unrepaired}, follow=True))
    assert "Tray 1 is running now; it is in F-1." in html
    assert booked(tray, 1, 1).started_at == NOON


# Paris: on 25 October 2026 the hour from 02:00 came twice, on 29 March 2026 it did not come (IANA time zone database).
@pytest.fixture
def paris(settings):
    settings.TIME_ZONE = "Europe/Paris"
    timezone.get_default_timezone.cache_clear()
    with timezone.override(ZoneInfo("Europe/Paris")):
        yield ZoneInfo("Europe/Paris")
    timezone.get_default_timezone.cache_clear()


def test_a_time_that_came_twice_is_asked_about(sign_in, rooms, paris):
    client, start = sign_in(), datetime(2026, 10, 24, 16, tzinfo=paris)
    tray = soaks.load(rooms=rooms, start=start)
    with soaks.clock_at(datetime(2026, 10, 25, 9, tzinfo=paris)):
        loads.move_in(booking=booked(tray, 1, 1), by=client.person, at=start)
        asked = text_of(press(client, tray, booked(tray, 1, 1), "out", at="2026-10-25T02:30"))
        assert "02:30 (UTC+2), the first time" in asked
        assert "02:30 (UTC+1), the second time" in asked
        assert booked(tray, 1, 1).ended_at is None
        html = text_of(press(client, tray, booked(tray, 1, 1), "out", at="2026-10-25T02:30:00+01:00"))
        assert "came out of F-1 at 02:30 (UTC+1)." in html
    # From 16:00 to the second 02:30 are eleven and a half hours.
    assert booked(tray, 1, 1).ended_at - start == timedelta(hours=11, minutes=30)


def test_every_form_with_a_time_asks_which_was_meant_and_keeps_what_else_was_typed(sign_in, rooms, paris):
    client, freezer = sign_in(), rooms["F-1"]
    tray = soaks.load(rooms=rooms, start=datetime(2026, 10, 24, 16, tzinfo=paris), is_running=False)
    twice = "2026-10-25T02:30"
    booking = booked(tray, 1, 1)
    with soaks.clock_at(datetime(2026, 10, 25, 9, tzinfo=paris)):
        start = {"at": twice, "into": booking.pk, "shown": booking.chamber_id, "back": "today"}
        asked = client.post(f"/loads/{tray.pk}/step/start/", start)
        assert "02:30 (UTC+1), the second time" in text_of(asked)
        assert ("into", str(booking.pk)) in asked.context["kept"]
        client.post(f"/loads/{tray.pk}/step/start/", start | {"at": asked.context["readings"][1][0].isoformat()})
        assert booked(tray, 1, 1).started_at == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
        address, typed = f"/chambers/{freezer.pk}/failure/", {"began_at": twice, "note": "power cut"}
        asked = client.post(address, typed)
        assert ("note", "power cut") in asked.context["kept"]
        assert ChamberFailure.objects.count() == 0
        client.post(address, typed | {"began_at": asked.context["readings"][0][0].isoformat()})
        failure = ChamberFailure.objects.get()
        assert failure.began_at == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
        works = f"/chambers/failures/{failure.pk}/works-again/"
        asked = client.post(works, {"ended_at": twice})
        client.post(works, {"ended_at": asked.context["readings"][1][0].isoformat()})
        failure.refresh_from_db()
        assert failure.ended_at - failure.began_at == HOUR


def test_a_time_that_the_clock_skipped_is_refused(sign_in, tray, paris):
    loads.move_in(booking=booked(tray, 1, 1), by=factories.person("technician"), at=NOON)
    html = text_of(press(sign_in(), tray, booked(tray, 1, 1), "out", at="2026-03-29T02:30"))
    assert "02:30 did not exist that night: the clock went forward over it." in html


@pytest.mark.parametrize("typed", ["yesterday", "2026-13-40T25:00", "<b>", "9" * 39])
def test_what_is_no_time_is_refused(sign_in, tray, typed):
    html = text_of(press(sign_in(), tray, booked(tray, 1, 1), "in", at=typed))
    assert "is no time; write it like 2026-11-25 14:05." in html
    assert booked(tray, 1, 1).started_at is None


def test_mine_are_the_studies_that_i_work_in(sign_in, rooms, clock):
    client = sign_in()
    mine, _ = soaks.load("Tray 1", rooms=rooms), soaks.load("Tray 2", rooms=rooms)
    assert "Nothing of yours is to be done" in text_of(client.get("/today/?of=mine"))
    loads.move_in(booking=booked(mine, 1, 1), by=client.person, at=NOON)
    found = cards(client)
    assert [title for titles in found.values() for title in titles] == ["Tray 1: out of F-1, into O-1"]
    assert len(cards(client, "/today/?of=all")) == 2


def test_an_empty_lab_says_what_to_do(sign_in):
    html = text_of(sign_in().get("/today/"))
    assert "No load is to be moved" in html
    assert "Put coupons into a load" in html


def test_a_guest_sees_the_day_and_moves_nothing(sign_in, tray, clock):
    client, freezer = sign_in("guest"), booked(tray, 1, 1)
    html = text_of(client.get("/today/"))
    assert "Tray 1: into F-1" in html
    assert "move-form" not in html
    assert press(client, tray, freezer, "in").status_code == 403
    assert client.get(f"/chambers/{freezer.chamber_id}/failure/").status_code == 403
    assert client.get(f"/loads/{tray.pk}/found-elsewhere/").status_code == 403


@pytest.mark.parametrize("rows", [1, 3])
def test_the_day_asks_the_same_number_of_questions(sign_in, rooms, clock, django_assert_num_queries, rows):
    client = sign_in()
    for number in range(rows):
        tray = soaks.load(f"Tray {number}", rooms=rooms)
        loads.move_in(booking=booked(tray, 1, 1), by=client.person, at=NOON - 20 * HOUR)
        loads.move_out(booking=booked(tray, 1, 1), by=client.person, at=NOON - HOUR)
    client.get("/today/work/")
    with django_assert_num_queries(15):
        client.get("/today/work/")


def test_a_chamber_that_failed_is_recorded_seen_on_the_day_and_taken_back(sign_in, tray, rooms, clock):
    client, address = sign_in(), f"/chambers/{rooms['F-1'].pk}/failure/"
    loads.move_in(booking=booked(tray, 1, 1), by=client.person, at=NOON)
    clock.set(NOON + 6 * HOUR)
    typed = {"began_at": f"{timezone.localtime(NOON + 5 * HOUR):%Y-%m-%dT%H:%M}", "note": "power cut", "back": "today"}
    html = text_of(client.post(address, typed, follow=True))
    assert "The failure of F-1 is recorded. 1 load was in it and marked." in html

    assert "The chambers are planned again" in html
    assert "Until the failure it had <b>5\N{NARROW NO-BREAK SPACE}h</b> of at least 8\N{NARROW NO-BREAK SPACE}h" in html
    assert "F-1 has failed" in text_of(client.get("/today/"))
    failure = ChamberFailure.objects.get()
    went = {"chamber": rooms["F-2"].pk, "back": "today"}
    html = text_of(
        client.post(f"/chambers/failures/{failure.pk}/bookings/{booked(tray, 1, 1).pk}/go-on/", went, follow=True)
    )
    assert "Tray 1 goes on in F-2." in html
    page = text_of(client.get(f"/loads/{tray.pk}/"))
    assert "goes on after 5\N{NARROW NO-BREAK SPACE}h" in page
    assert "chamber fault or power cut" in page
    html = text_of(client.post(f"/chambers/failures/{failure.pk}/works-again/", {}, follow=True))
    assert "F-1 works again." in html
    client.post(f"/chambers/failures/{failure.pk}/take-back/")
    assert "taken back already" in text_of(client.post(f"/chambers/failures/{failure.pk}/take-back/", follow=True))
    assert Deviation.objects.count() == 0


def test_a_coupon_found_elsewhere_is_kept_from_the_page(sign_in, tray, rooms, clock):
    client, coupon = sign_in(), tray.places.first().coupon
    loads.move_in(booking=booked(tray, 1, 1), by=client.person, at=NOON)
    clock.set(NOON + HOUR)
    address, typed = f"/loads/{tray.pk}/found-elsewhere/", {"coupon": coupon.pk, "chamber": rooms["F-2"].pk}
    assert "Which load was it found with?" in text_of(client.post(address, typed | {"mend": "with"}))
    html = text_of(client.post(address, typed | {"mend": "back", "note": "slipped in"}, follow=True))
    assert "was found in F-2 at 2 Nov 2026, 13:00" in html
    assert Deviation.objects.get().coupon == coupon


def test_a_calendar_is_private_and_read_without_signing_in(sign_in, tray, client):
    person = sign_in()
    assert "You have no address yet" in text_of(person.get("/today/calendar/"))
    person.post("/today/calendar/give/")
    address = f"/calendar/{CalendarAddress.objects.get().token}/loads.ics"
    assert address in text_of(person.get("/today/calendar/"))
    answer = client.get(address)
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    assert answer["Cache-Control"] == "private, max-age=300"
    assert answer.content.startswith(b"BEGIN:VCALENDAR\r\n")
    assert client.get(address, headers={"If-None-Match": answer["ETag"]}).status_code == 304
    assert client.get("/calendar/wrong/loads.ics").status_code == 404
    assert client.get("/today/calendar/").status_code == 302
    refused = person.post("/today/calendar/change/", {"is_of_all_studies": "mine", "alarm_minutes": "-5"}, follow=True)
    assert 'class="notice danger"' in text_of(refused)
    person.post("/today/calendar/change/", {"is_of_all_studies": "mine", "alarm_minutes": "0"})
    assert CalendarAddress.objects.get().alarm_minutes == 0
    person.post("/today/calendar/renew/")
    assert client.get(address).status_code == 404
    person.post("/today/calendar/drop/")
    assert CalendarAddress.objects.count() == 0


def test_the_study_names_the_coupons_that_a_failure_touched(sign_in, tray, rooms, clock):
    client = sign_in()
    study = tray.study
    study.is_blind = True
    study.save()
    loads.move_in(booking=booked(tray, 1, 1), by=client.person, at=NOON - HOUR)
    page = f"/studies/{study.code}/"
    assert "did not go by the profile. Their data stay in" not in text_of(client.get(page))
    client.post(f"/chambers/{rooms['F-1'].pk}/failure/", {"note": "door open"})
    for reader in (client, sign_in("lead")):
        html = text_of(reader.get(page))
        assert "<b>3 coupons</b> went through" in html
        assert "chamber fault or power cut: " in html
        assert "F-1 failed from 2 Nov 2026, 12:00 on" in html
        # Of the whole load, so it tells no arm: also whoever inspects blind reads it.
        assert "F-1 failed from" in text_of(reader.get("/deviations/"))
        assert "F-1 failed from" in text_of(reader.get(f"/coupons/{tray.places.first().coupon_id}/"))


def test_a_quiet_day_before_planned_moves_says_that_moves_are_planned(sign_in, rooms, clock):
    soaks.load("Tray 1", rooms=rooms, start=NOON + 96 * HOUR, is_running=False)
    html = text_of(sign_in().get("/today/"))
    assert "Nothing is to be moved today or tomorrow" in html
    assert "has a chamber booked" not in html


def test_a_refused_move_keeps_the_time_that_was_typed_at_its_card(sign_in, rooms, clock):
    client = sign_in()
    trays = [soaks.load(f"Tray {number}", rooms=rooms) for number in (1, 2)]
    html = text_of(press(client, trays[0], booked(trays[0], 1, 1), "in", at="2099-01-01T05:00"))
    assert "is still to come" in html
    assert html.count('value="2099-01-01T05:00"') == 1
    assert html.index("Tray 1") < html.index('value="2099-01-01T05:00"')
    assert 'value="2099' not in text_of(client.get("/today/"))
    # Refused where the load starts, too.
    waiting = soaks.load("Tray 3", rooms=rooms, is_running=False)
    typed = {"back": "today", "into": booked(waiting, 1, 1).pk, "at": "2099-01-01T05:00"}
    html = text_of(client.post(f"/loads/{waiting.pk}/step/start/", typed, follow=True))
    assert html.count('value="2099-01-01T05:00"') == 1


def test_where_the_failure_took_the_whole_soak_only_the_whole_step_is_offered(sign_in, tray, rooms, clock):
    client, address = sign_in(), f"/chambers/{rooms['F-1'].pk}/failure/"
    loads.move_in(booking=booked(tray, 1, 1), by=client.person, at=NOON)
    clock.set(NOON + HOUR)
    client.post(address, {"began_at": NOON.isoformat(), "note": "never cooled"})
    html = text_of(client.get(address))
    assert "The whole step again: 8\N{NARROW NO-BREAK SPACE}h" in html
    assert "The rest of the soak" not in html


def test_going_on_says_when_somebody_is_there_to_take_it_out(sign_in, tray, rooms, clock):
    client, address = sign_in(), f"/chambers/{rooms['F-1'].pk}/failure/"
    loads.move_in(booking=booked(tray, 1, 1), by=client.person, at=NOON)
    clock.set(NOON + 6 * HOUR)
    client.post(address, {"began_at": (NOON + 5 * HOUR).isoformat()})
    assert "nobody is there then" not in text_of(client.get(address))
    # At 18:00, a day that begins at 08:00: the whole step, 18 h at the longest, may wait for it; the rest, 13 h, may not.
    for weekday in range(7):
        set_weekday(weekday=weekday, windows=[(8 * 60, 18 * 60)], by=client.person)
    html = text_of(client.get(address))
    assert html.count("so it is booked until then") == 1
    assert html.count("nobody is there then") == 1
    # Nobody comes before the longest soak is over.
    for weekday in range(7):
        set_weekday(
            weekday=weekday, windows=[(11 * 60, 12 * 60)] if weekday == NOON.weekday() else [], by=client.person
        )
    assert text_of(client.get(address)).count("nobody is there then") == 2


def looked_at(load, by, number, outcome, at):
    coupons = [place.coupon for place in load.places.select_related("coupon")]
    looks = [(row, {"round_number": number, "outcome": outcome}) for row in coupons]
    record_inspections(looks=looks, by=by, seen_at=at)


def test_a_load_whose_next_rounds_were_taken_out_is_booked_again(sign_in, tray, clock):
    client, by = sign_in("lead"), factories.person("technician")
    soaks.been_through(tray, (2, 1), by)
    clock.set(NOON + 25 * HOUR)
    looked_at(tray, by, 1, "intact", NOON + 25 * HOUR)
    unbook_load(load=tray, by=by, reason="Planned anew")
    title = "Tray 1 is under way and no chamber is booked for what comes next"
    assert cards(client) == {"To be done now": [title]}
    assert f'href="/chambers/loads/{tray.pk}/"' in client.get("/today/").content.decode()
    assert "No chamber is booked for the rest of its way." in text_of(client.get(f"/chambers/loads/{tray.pk}/"))
    start = NOON + 30 * HOUR
    client.post(f"/chambers/loads/{tray.pk}/book/", {"start": f"{start:%Y-%m-%dT%H:%M}"})
    rows = list(tray.bookings.order_by("planned_start"))
    assert [(row.round_number, row.step.name) for row in rows] == [
        (number, step) for number in (1, 2, 3) for step in ("freeze", "heat", "cool")
    ]
    assert rows[3].planned_start == start
    assert cards(client) == {"Overdue": ["Tray 1: into F-1"]}
    assert "No chamber is booked" not in text_of(client.get(f"/chambers/loads/{tray.pk}/"))


def test_of_a_load_in_its_chamber_the_rest_is_booked_from_the_end_of_its_soak(tray, clock):
    by = factories.person("technician")
    loads.move_in(booking=booked(tray, 1, 1), by=by, at=NOON)
    clock.set(NOON + HOUR)
    unbook_load(load=tray, by=by, reason="Planned anew")
    change = book_load(load=tray, by=by)
    assert booked(tray, 1, 1).planned_end == booked(tray, 1, 2).planned_start == NOON + 8 * HOUR
    assert tray.bookings.count() == 9
    undo_change(change=change, by=by)
    assert [row.planned_end for row in tray.bookings.all()] == [NOON + 16 * HOUR]
    # Its longest soak is over: it comes out now.
    clock.set(NOON + 20 * HOUR)
    book_load(load=tray, by=by)
    assert booked(tray, 1, 2).planned_start == NOON + 20 * HOUR


def test_a_load_that_has_been_through_all_rounds_has_nothing_left_to_book(tray, clock):
    by = factories.person("technician")
    soaks.been_through(tray, (4, 1), by)
    clock.set(NOON + 73 * HOUR)
    with pytest.raises(ValidationError, match="has nothing left to book"):
        book_load(load=tray, by=by)


def test_a_load_of_which_nothing_travels_any_more_only_comes_out_and_is_finished(sign_in, tray, clock):
    client, by = sign_in(), factories.person("technician")
    soaks.been_through(tray, (2, 1), by)
    clock.set(NOON + 33 * HOUR)
    loads.move_in(booking=booked(tray, 2, 1), by=by, at=NOON + 24 * HOUR, answer=loads.Answer(is_sure=True))
    looked_at(tray, by, 1, "cracked_out", NOON + 24 * HOUR)
    assert cards(client) == {"To be done now": ["Tray 1: out of F-1"]}
    loads.move_out(booking=booked(tray, 2, 1), by=by, at=NOON + 33 * HOUR)
    clock.set(NOON + 60 * HOUR)
    page = client.get("/today/")
    assert cards(client) == {"To be done now": ["Finish Tray 1"]}
    assert page.context["ahead"] == []
    client.post(f"/loads/{tray.pk}/step/finish/", {"back": "today"})
    tray.refresh_from_db()
    assert tray.state == "done"


def test_a_failure_that_ends_before_it_began_is_told_beside_the_time(sign_in, tray, rooms, clock):
    typed = {"began_at": "2026-11-02T12:00", "is_over": "on", "ended_at": "2026-11-02T11:00"}
    answer = sign_in().post(f"/chambers/{rooms['F-1'].pk}/failure/", typed)
    assert list(answer.context["form"].errors) == ["ended_at"]
    assert not ChamberFailure.objects.exists()


def test_a_lab_that_looks_after_each_step_finds_the_way_at_the_card(sign_in, tray, clock):
    client, step = sign_in(), booked(tray, 1, 1).step
    loads.move_in(booking=booked(tray, 1, 1), by=client.person, at=NOON)
    address = f"/loads/{tray.pk}/inspect/?round_number=1&amp;step_number={step.number}"
    assert address not in text_of(client.get("/today/"))
    clock.set(NOON + 9 * HOUR)
    html = text_of(client.get("/today/"))
    assert address in html
    assert "Look at the coupons after round 1, freeze" in html
    page = client.get(address.replace("&amp;", "&"))
    assert (page.context["round_number"], page.context["step_number"]) == (1, step.number)
    # After the last step of a round the look after the round is asked for instead.
    for number, hours in ((2, 9), (3, 12)):
        loads.transfer(
            out_of=booked(tray, 1, number - 1), into=booked(tray, 1, number), by=client.person, at=NOON + hours * HOUR,
            answer=loads.Answer(is_sure=True),
        )  # fmt: skip
        clock.set(NOON + (hours + 4) * HOUR)
    assert "Look at the coupons after round 1" not in text_of(client.get("/today/"))


def test_a_chamber_that_retires_later_can_be_chosen_and_one_retired_is_shown_while_it_holds_a_load(
    sign_in, rooms, clock
):
    client, tray = sign_in(), soaks.load(rooms=rooms)
    Chamber.objects.filter(code="F-2").update(retired_on=NOON.date() + timedelta(days=30))
    press(client, tray, booked(tray, 1, 1), "in", chamber=rooms["F-2"].pk)
    assert booked(tray, 1, 1).chamber == rooms["F-2"]
    Chamber.objects.filter(code__in=["F-1", "F-2"]).update(retired_on=NOON.date())
    shown = {row.chamber.code: len(row.loads) for row in chambers_now(NOON)}
    assert shown["F-2"] == 1
    assert "F-1" not in shown


def test_a_chamber_is_retired_by_the_day_of_the_lab(rooms):
    Chamber.objects.filter(code="F-1").update(retired_on=NOON.date() + timedelta(days=1))
    with timezone.override(ZoneInfo("Pacific/Auckland")):
        assert "F-1" not in {row.chamber.code for row in chambers_now(NOON)}
