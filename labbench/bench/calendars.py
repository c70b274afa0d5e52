"""A person's moves as an iCalendar feed (RFC 5545) at a private address.

Nothing of an event says which arm a coupon belongs to: study, load, chambers, round and step only.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Count, Max
from django.utils import timezone
from django.utils.crypto import salted_hmac
from icalendar import Alarm, Calendar, Event

from labbench.bench.models import Booking, CalendarAddress
from labbench.bench.soak_watch import place_in_profile
from labbench.bench.todays_work import (
    ENTER,
    INSPECT,
    LEAVE,
    MOVE,
    START,
    Doing,
    doings,
    loads_at_work,
    studies_of,
)

TOKEN_BYTES = 32
EVENT_LASTS = timedelta(minutes=15)
ASKED_EVERY = timedelta(minutes=15)
SEEN_EVERY = timedelta(minutes=10)
Key = tuple[int, int | None, int | None]


def new_token() -> str:
    return secrets.token_urlsafe(TOKEN_BYTES)


@transaction.atomic
def give_address(*, person: Any) -> CalendarAddress:
    """The person's address, made now if there was none."""
    made, _ = CalendarAddress.objects.get_or_create(
        person=person, defaults={"token": new_token(), "made_at": timezone.now()}
    )
    return made


@transaction.atomic
def renew_address(*, person: Any) -> CalendarAddress:
    """A new address; the one before answers no more."""
    address = CalendarAddress.objects.select_for_update().filter(person=person).first()
    if address is None:
        return give_address(person=person)
    address.token, address.made_at, address.read_at = new_token(), timezone.now(), None
    address.full_clean()
    address.save()
    return address


@transaction.atomic
def change_address(*, person: Any, is_of_all_studies: bool, alarm_minutes: int) -> CalendarAddress:
    """Which studies the feed tells of, and how long before a move it rings (0: not at all)."""
    address = CalendarAddress.objects.select_for_update().filter(person=person).first()
    if address is None:
        raise ValidationError("You have no calendar address yet.")
    address.is_of_all_studies, address.alarm_minutes = is_of_all_studies, alarm_minutes
    address.full_clean()
    address.save()
    return address


def drop_address(*, person: Any) -> None:
    """No address any more."""
    CalendarAddress.objects.filter(person=person).delete()


def address_of_token(token: str) -> CalendarAddress | None:
    """The address with this token, of a person who may still sign in; notes that it was read."""
    address = CalendarAddress.objects.select_related("person").filter(token=token, person__is_active=True).first()
    now = timezone.now()
    if address is not None and (address.read_at is None or address.read_at < now - SEEN_EVERY):
        CalendarAddress.objects.filter(pk=address.pk).update(read_at=now)
    return address


def feed(address: CalendarAddress) -> bytes:
    """The calendar as it stands; the same bytes as long as no booking and no move changes."""
    loads = loads_at_work(None if address.is_of_all_studies else studies_of(address.person))
    told = [doing for doing in doings(loads) if doing.kind in {START, MOVE, ENTER, LEAVE, INSPECT} and doing.at]
    changes = changes_of(told)
    calendar = Calendar.new(
        prodid="-//labbench//moves of loads//EN",
        method="PUBLISH",
        uid=f"loads-of-{address.person_id}@{installation()}",
        name="labbench: loads",
    )
    # Not of the standard (RFC 7986 has NAME for it).
    calendar.pop("X-WR-CALNAME", None)
    # RFC 7986, 5.7: there is no default type, so the type has to stand with the value.
    calendar.add("refresh-interval", ASKED_EVERY, parameters={"VALUE": "DURATION"})
    for doing in sorted(told, key=lambda doing: (doing.at or timezone.now(), doing.key)):
        calendar.add_component(event(doing, address, changes))
    return calendar.to_ical()


def bookings_told(doing: Doing) -> list[Booking]:
    return [booking for booking in (doing.out_of, doing.into) if booking is not None]


def key_of(booking: Booking) -> Key:
    """What a booking is for: it keeps its place in the calendar also where a new plan makes a new row of it."""
    return booking.load_id, booking.round_number, booking.step_id


def changes_for(doing: Doing, changes: dict[Key, tuple[int, datetime]]) -> list[tuple[int, datetime]]:
    """Changes of the bookings that an event is about; a look is about the whole way of its load."""
    if doing.kind == INSPECT:
        return [found for key, found in changes.items() if key[0] == doing.load.pk]
    return [changes[key] for booking in bookings_told(doing) if (key := key_of(booking)) in changes]


def changes_of(told: Iterable[Doing]) -> dict[Key, tuple[int, datetime]]:
    """How often the bookings of a step were changed, taken out or made anew, and when last; one query."""
    loads = {doing.load.pk for doing in told}
    rows = (
        Booking.history.filter(load__in=loads)
        .order_by()
        .values_list("load", "round_number", "step")
        .annotate(Count("history_id"), Max("history_date"))
    )
    return {(load, number, step): (count, last) for load, number, step, count, last in rows}


def event(doing: Doing, address: CalendarAddress, changes: dict[Key, tuple[int, datetime]]) -> Event:
    at = doing.at
    assert at is not None  # only such are told
    found = changes_for(doing, changes)
    last = max((changed for _, changed in found), default=at).astimezone(UTC).replace(microsecond=0)
    made = Event.new(
        uid=f"{uid_of(doing)}@{installation()}",
        start=at.astimezone(UTC).replace(microsecond=0),
        end=at.astimezone(UTC).replace(microsecond=0) + EVENT_LASTS,
        stamp=last,
        last_modified=last,
        # Grows with every change of one of the two bookings: RFC 5545, 3.8.7.4.
        sequence=sum(count for count, _ in found),
        summary=summary_of(doing),
        description=description_of(doing),
        location=location_of(doing),
    )
    if address.alarm_minutes:
        alarm = Alarm.new(summary=None, description=summary_of(doing))
        alarm.add("action", "DISPLAY")
        alarm.add("trigger", -timedelta(minutes=address.alarm_minutes))
        made.add_component(alarm)
    return made


def installation() -> str:
    """A name of this installation that tells nothing: the right side of an event's UID."""
    return f"{salted_hmac('labbench.calendar', 'installation').hexdigest()[:20]}.labbench"


def uid_of(doing: Doing) -> str:
    """The same for a move as long as it is to be made, however it is planned."""
    if doing.kind == INSPECT:
        return f"load-{doing.load.pk}-round-{doing.round_number}-inspection"
    booking = doing.into or doing.out_of
    assert booking is not None
    side = "in" if doing.into is not None else "out"
    step = booking.step.number if booking.step else 0
    return f"load-{doing.load.pk}-round-{booking.round_number or 0}-step-{step}-part-{booking.part}-{side}"


def summary_of(doing: Doing) -> str:
    load = f"{doing.load.study.code} {doing.load.name}"
    if doing.kind == INSPECT:
        return f"{load}: look at {doing.coupons} coupons after round {doing.round_number}"
    out_of = doing.out_of if doing.kind in {MOVE, LEAVE} else None
    ways = [f"out of {out_of.chamber}"] if out_of else []
    ways += [f"into {doing.into.chamber}"] if doing.into else []
    return f"{load}: {', '.join(ways)}"


def description_of(doing: Doing) -> str:
    out_of = doing.out_of if doing.kind in {MOVE, LEAVE} else None
    steps = [place_in_profile(booking) for booking in (out_of, doing.into) if booking is not None]
    lines = [f"{doing.coupons} coupons"] + ([", then ".join(steps)] if steps else [])
    for word, at, why in (
        ("Not before", doing.earliest, doing.why_earliest),
        ("At the latest", doing.latest, doing.why_latest),
    ):
        if at is not None:
            shown = timezone.localtime(at)
            lines.append(f"{word} {shown:%Y-%m-%d %H:%M} (UTC{shown:%z}){f': {why}' if why else ''}")
    return "\n".join(lines)


def location_of(doing: Doing) -> str | None:
    booking = doing.into or doing.out_of
    return str(booking.chamber) if booking is not None else None
