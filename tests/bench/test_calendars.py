"""The private calendar, read back with the library: RFC 5545 (and RFC 7986 for the calendar's name)."""

from datetime import timedelta

import pytest
from icalendar import Calendar

from labbench.bench import calendars, loads
from labbench.bench.models import Booking, CalendarAddress
from labbench.lab.records import keep
from labbench.studies.models import CouponLevel
from tests import factories
from tests.bench import soaks
from tests.bench.soaks import HOUR, booked
from tests.factories import NOON

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)


@pytest.fixture
def rooms(db):
    return soaks.chambers()


@pytest.fixture
def address(db):
    return calendars.give_address(person=factories.person("technician"))


def events(address):
    calendar = Calendar.from_ical(calendars.feed(address))
    return {str(event["UID"]).partition("@")[0]: event for event in calendar.walk("VEVENT")}


def test_every_move_ahead_is_an_event_with_its_alarm(rooms, address):
    tray = soaks.load(rooms=rooms, rounds=1, is_running=False)
    found = events(address)
    names = ("step-1-part-1-in", "step-2-part-1-in", "step-3-part-1-in", "step-3-part-1-out")
    start, heat, cool, out = (found[f"load-{tray.pk}-round-1-{name}"] for name in names)
    assert len(found) == 4
    code = tray.study.code
    assert [str(event["SUMMARY"]) for event in (start, heat, cool, out)] == [
        f"{code} Tray 1: into F-1",
        f"{code} Tray 1: out of F-1, into O-1",
        f"{code} Tray 1: out of O-1, into B-1",
        f"{code} Tray 1: out of B-1",
    ]
    assert [event.decoded("DTSTART") for event in (start, heat, cool, out)] == [
        NOON, NOON + 16 * HOUR, NOON + 18 * HOUR, NOON + 24 * HOUR,
    ]  # fmt: skip
    (alarm,) = start.walk("VALARM")
    assert (str(alarm["ACTION"]), alarm.decoded("TRIGGER")) == ("DISPLAY", timedelta(minutes=-10))
    assert str(start["LOCATION"]) == "F-1"


def test_what_the_standard_asks_for_is_there(rooms, address):
    soaks.load(name="Tray; of Zoë, the \\ long-winded one, whose name is longer than a line may be, 1", rooms=rooms)
    raw = calendars.feed(address)
    calendar = Calendar.from_ical(raw)
    assert (str(calendar["VERSION"]), str(calendar["METHOD"]), str(calendar["NAME"])) == (
        "2.0", "PUBLISH", "labbench: loads",
    )  # fmt: skip
    assert b"\r\nREFRESH-INTERVAL;VALUE=DURATION:PT15M\r\n" in raw
    # 3.1: lines end in CRLF and have at most 75 octets; 3.3.11: commas, semicolons and backslashes are escaped.
    lines = raw.split(b"\r\n")
    assert max(len(line) for line in lines) <= 75
    unfolded = raw.replace(b"\r\n ", b"").decode()
    assert "Tray\\; of Zoë\\, the \\\\ long-winded one\\, whose name" in unfolded
    event = calendar.walk("VEVENT")[0]
    assert "Tray; of Zoë, the \\ long-winded one" in str(event["SUMMARY"])
    assert b"DTSTART:20261102T120000Z" in raw
    for name in ("UID", "DTSTAMP", "SEQUENCE", "LAST-MODIFIED"):
        assert all(name in one for one in calendar.walk("VEVENT"))


def test_the_same_calendar_has_the_same_bytes(rooms, address):
    soaks.load(rooms=rooms)
    assert calendars.feed(address) == calendars.feed(address)


def test_an_event_keeps_its_uid_and_its_sequence_grows_when_it_is_planned_anew(rooms, address):
    tray = soaks.load(rooms=rooms)
    uid = f"load-{tray.pk}-round-1-step-2-part-1-in"
    before = events(address)[uid]
    oven = booked(tray, 1, 2)
    oven.planned_start += 30 * MINUTE
    freezer = booked(tray, 1, 1)
    freezer.planned_end += 30 * MINUTE
    for row in (oven, freezer):
        keep(row, by=factories.person())
    moved = events(address)[uid]
    assert moved.decoded("DTSTART") - before.decoded("DTSTART") == 30 * MINUTE
    assert moved["SEQUENCE"] > before["SEQUENCE"]
    # A new plan may take bookings out and make others: still the same event, and a later one.
    Booking.objects.get(pk=oven.pk).delete()
    oven.pk = None
    oven.chamber = rooms["O-2"]
    keep(oven, by=factories.person())
    again = events(address)[uid]
    assert str(again["LOCATION"]) == "O-2"
    assert again["SEQUENCE"] > moved["SEQUENCE"]


def test_a_move_that_was_made_is_gone_and_the_next_stands_in_its_window(rooms, address):
    tray = soaks.load(rooms=rooms)
    by = factories.person("technician")
    loads.move_in(booking=booked(tray, 1, 1), by=by, at=NOON + 10 * HOUR)
    found = events(address)
    assert f"load-{tray.pk}-round-1-step-1-part-1-in" not in found
    heat = found[f"load-{tray.pk}-round-1-step-2-part-1-in"]
    # Planned for hour 16, but the least soak of 8 h is reached at hour 18 only.
    assert heat.decoded("DTSTART") == NOON + 18 * HOUR
    assert "Not before 2026-11-03 06:00 (UTC+0000): least soak, 8 h" in str(heat["DESCRIPTION"])


def test_a_blind_study_tells_no_arm(rooms, address):
    tray = soaks.load(rooms=rooms)
    study = tray.study
    study.is_blind, study.title = True, "Is it resin KRYPTON?"
    study.save()
    factor = factories.factor(study, "resin", ("KRYPTON", "XENON"))
    for place, level in zip(tray.places.all(), (*factor.levels.all(), factor.levels.first()), strict=True):
        CouponLevel.objects.create(coupon=place.coupon, factor=factor, level=level)
    raw = calendars.feed(address)
    assert b"KRYPTON" not in raw
    assert b"XENON" not in raw
    assert b"Tray 1" in raw


def test_mine_are_the_studies_that_i_work_in(rooms):
    person, other = factories.person("technician"), factories.person("technician")
    mine, others = soaks.load("Tray 1", rooms=rooms), soaks.load("Tray 2", rooms=rooms)
    loads.move_in(booking=booked(mine, 1, 1), by=person, at=NOON)
    loads.move_in(booking=booked(others, 1, 1), by=other, at=NOON)
    calendars.give_address(person=person)
    address = calendars.change_address(person=person, is_of_all_studies=False, alarm_minutes=0)
    found = events(address)
    assert {str(event["SUMMARY"]).split(":")[0] for event in found.values()} == {f"{mine.study.code} Tray 1"}
    assert not any(event.walk("VALARM") for event in found.values())


def test_a_token_can_not_be_guessed_and_a_new_one_makes_the_old_worthless(address):
    old = address.token
    assert len(old) >= 43  # 32 random bytes
    new = calendars.renew_address(person=address.person)
    assert calendars.address_of_token(old) is None
    found = calendars.address_of_token(new.token)
    assert found is not None
    assert CalendarAddress.objects.get().read_at is not None
    address.person.is_active = False
    address.person.save()
    assert calendars.address_of_token(new.token) is None
