"""Bookings made, moved and taken out by hand, typed or dragged.

What hangs on a booking is carried along, and every rule is checked before anything is stored.
"""

from __future__ import annotations

from copy import copy
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from labbench.bench.booking_changes import RulesBroken, hold_chambers, hold_loads, refuse_broken, store
from labbench.bench.booking_rules import MINUTE, broken_rules, in_order, when
from labbench.bench.chamber_book import ChamberBook, Way, chamber_book
from labbench.bench.chamber_labs import MOST_HORIZON_DAYS, PlannedLab, planned_lab, whole_minute
from labbench.bench.models import Booking, BookingChange, Load
from labbench.bench.refusals import refuse_far_ahead
from labbench.lab.models import Chamber
from labbench.science.scheduling import lab as science

# As for bookings that are moved (`booking_rules`).
PAST_BY = 10 * MINUTE
# Rules that moving the soaks before and after would not mend.
OF_ITSELF = {"kind", "temperature", "retired", "closure", "capacity", "together", "past"}


@transaction.atomic
def move_booking(
    *,
    booking: Booking,
    by: Any,
    chamber: Chamber | None = None,
    start: datetime | None = None,
    end: datetime | None = None,
    is_following: bool = True,
    reason: str = "",
    seen: tuple[datetime, datetime] | None = None,
) -> BookingChange:
    """Move one booking to another time or chamber, as one change that can be taken back.

    Parameters
    ----------
    booking, chamber, start, end
        What is moved where; None keeps it. With a new start alone the length stays.
    is_following
        Whether the soak before is stretched or shortened to reach the new start, and the soaks after it are booked again, each
        as early as it finds a place; else only this one booking changes.
    reason
        Needed where a wish of the lab is broken.
    seen
        Start and end that the caller saw: a booking that somebody else moved meanwhile is then refused.

    Raises
    ------
    RulesBroken
        With every rule that the bookings would break; `is_wish` where a reason is enough.
    ValidationError
        If the booking is over, was moved meanwhile, lies far ahead, or the soaks after it find no place.
    """
    refuse_far_ahead(start=start, end=end)
    hold_chambers()
    hold_loads([booking.load_id])
    book = chamber_book(now=timezone.now())
    way, row = _found(book, booking)
    if seen is not None and seen != (row.planned_start, row.planned_end):
        raise ValidationError(f"{way.label} was moved meanwhile: it is booked from {when(row.planned_start)} now.")
    was = {one.pk: (one.chamber_id, one.planned_start, one.planned_end) for one in way.bookings}
    old_start = row.planned_start
    _set(book, row, chamber, start, end)
    _refuse_itself(book, way, row, is_following=is_following, is_end_said=end is not None)
    if is_following:
        _reach_back(way, row, old_start)
        _carry_on(book, way, row, is_end_free=end is None)
    changed = [one for one in way.bookings if was[one.pk] != (one.chamber_id, one.planned_start, one.planned_end)]
    if not changed:
        raise ValidationError("Nothing was changed.")
    refuse_broken(book, changed, reason)
    what = f"round {row.round_number} {row.step.name}" if row.step else "all rounds"
    words = f"{way.label}, {what}: {row.chamber.code} from {when(row.planned_start)}"
    if len(changed) > 1:
        words += f", with {len(changed) - 1} more of its bookings"
    return store(changed=changed, words=words, reason=reason, by=by)


def _refuse_itself(book: ChamberBook, way: Way, row: Booking, *, is_following: bool, is_end_said: bool) -> None:
    """RulesBroken where the booking can't be there whatever the rest of its load does."""
    if is_following:
        # The rest of its load is booked again: it takes no place from its own load.
        book = replace(book, ways={**book.ways, way.load.pk: replace(way, bookings=[row])})
    wanted = OF_ITSELF | {"soak"} if is_end_said else OF_ITSELF
    found = [one for _, broken in broken_rules(book, [row], []) for one in broken if one.rule in wanted]
    if found:
        raise RulesBroken(found)


def _found(book: ChamberBook, booking: Booking) -> tuple[Way, Booking]:
    way = book.ways.get(booking.load_id)
    row = next((one for one in way.bookings if one.pk == booking.pk), None) if way else None
    if way is None or not way.is_open:
        raise ValidationError("This load travels no more; its bookings stay as they were.")
    if row is None:
        raise ValidationError("This booking was taken out meanwhile.")
    if row.ended_at is not None:
        raise ValidationError(
            f"{way.label} came out of {row.chamber.code} at {when(row.ended_at)}; that stays as it was."
        )
    return way, row


def _set(
    book: ChamberBook, row: Booking, chamber: Chamber | None, start: datetime | None, end: datetime | None
) -> None:
    is_elsewhere = (chamber is not None and chamber.pk != row.chamber_id) or start not in {None, row.planned_start}
    if row.started_at is not None and is_elsewhere:
        words = f"{row.load.name} is in {row.chamber.code} since {when(row.started_at)}"
        raise ValidationError(f"{words}; only its end can be planned anew.")
    length = row.planned_end - row.planned_start
    if chamber is not None:
        row.chamber = book.chambers[chamber.pk]
    if start is not None:
        row.planned_start = start
        row.planned_end = start + length
    if end is not None:
        row.planned_end = end
    if row.planned_end <= row.planned_start:
        raise ValidationError({"end": "It ends before it begins."})


def _reach_back(way: Way, row: Booking, old_start: datetime) -> None:
    """The soak before ends where it still meets the new start, with the transfer it had."""
    ordered = in_order(way)
    place = ordered.index(row)
    if not place or ordered[place - 1].ended_at is not None or row.step_id is None:
        return
    before = ordered[place - 1]
    gap = row.planned_start - before.planned_end
    longest = way.max_transfer_minutes * MINUTE
    if timedelta(0) <= gap <= longest:
        return
    was = old_start - before.planned_end
    before.planned_end = row.planned_start - (was if timedelta(0) <= was <= longest else timedelta(0))
    if before.planned_end <= (before.started_at or before.planned_start):
        raise ValidationError(
            f"{way.label}: the soak before begins at {when(before.started_at or before.planned_start)}; move that one first."
        )


def _carry_on(book: ChamberBook, way: Way, row: Booking, *, is_end_free: bool) -> None:
    """The soaks after it, each as early as it finds a place, unless they still meet its end.

    Where they find none and nobody said when it ends (`is_end_free`), it may last as long as its step allows.
    """
    ordered = in_order(way)
    after = ordered[ordered.index(row) + 1 :]
    if not after or row.step_id is None:
        return
    if timedelta(0) <= after[0].planned_start - row.planned_end <= way.max_transfer_minutes * MINUTE:
        return
    firm = ordered[: len(ordered) - len(after)]
    try:
        found = _earliest(book, way, firm=firm)
    except NoPlace as refused:
        try:
            found = _earliest(book, way, firm=firm, is_end_free=True) if is_end_free else []
        except NoPlace:
            found = []
        if not found:
            raise ValidationError(f"{refused.messages[0]} {_next_start(book, way, firm)}".strip()) from refused
    by_soak = {
        (number, step.pk if step else None): (chamber, start, end) for number, step, chamber, start, end in found
    }
    if (longer := by_soak.get((row.round_number, row.step_id))) is not None:
        row.planned_end = longer[2]
    for booking in after:
        place = by_soak.get((booking.round_number, booking.step_id))
        if place is None:
            raise ValidationError(f"{way.label} follows another profile since it was booked; plan it again.")
        booking.chamber, booking.planned_start, booking.planned_end = place


def _next_start(book: ChamberBook, way: Way, firm: list[Booking]) -> str:
    """From when on the whole load would find its places, in words; "" where its start is not what is moved."""
    if len(firm) > 1 or firm[0].started_at is not None:
        return ""
    try:
        found = _earliest(book, way, firm=[], ready=firm[0].planned_start)
    except ValidationError:
        return ""
    return f"Begun from then on, the load ends soonest with a start at {when(found[0][3])}."


class NoPlace(ValidationError):
    """Soaks that can't follow what is booked before them."""


Found = tuple[int | None, Any, Chamber, datetime, datetime]


def _earliest(
    book: ChamberBook,
    way: Way,
    *,
    firm: list[Booking],
    ready: datetime | None = None,
    is_end_free: bool = False,
    start: datetime | None = None,
    horizon_days: int = 28,
) -> list[Found]:
    """The rest of a load's way after what is firm, as early as it finds a place beside all other bookings; exact, no search.

    With a `start` what is firm has begun, the rest is booked from then on, and a limit that is broken already is no hindrance.
    ValidationError where it finds none.
    """
    # slow import: scipy and ortools
    from labbench.science.scheduling.chains import chain_of, longest_chain_minutes, settled_minutes, taken_places
    from labbench.science.scheduling.insertion import Timetable

    made = _lab_after(book, way, firm, ready, is_end_free, start, horizon_days)
    entry = next((one for one in made.lab.loads if one.name == way.label), None) if made.lab else None
    if made.lab is None or entry is None:
        raise ValidationError(made.left_out[0] if made.left_out else f"{way.label} has nothing left to book.")
    chains = [chain_of(made.lab, one) for one in made.lab.loads]
    taken = taken_places(made.lab, chains)
    horizon = max([settled_minutes(made.lab, chains), *(one.to_minutes for one in taken)])
    timetable = Timetable(made.lab, horizon + science.WEEK_MINUTES + longest_chain_minutes(made.lab), taken)
    chain = next(one for one in chains if one.load == entry)
    # A limit that the solver would waive for a load under way is one that this change would break.
    bookings = timetable.earliest(chain) if chain.waived is None or start is not None else None
    if bookings is None:
        after = f"after {when(firm[-1].planned_end)} " if firm else ""
        raise NoPlace(
            f"{way.label}: the soaks {after}can’t follow each other within their longest soaks and transfers, "
            "places and staffed hours."
        )
    end_days = bookings[-1].end_minutes // science.DAY_MINUTES + 1
    if end_days > horizon_days and horizon_days < MOST_HORIZON_DAYS:
        # Closures and holidays that lie so far ahead were not known yet; in few steps, as what is closed for good is never passed.
        days = min(max(end_days + 28, 2 * horizon_days), MOST_HORIZON_DAYS)
        return _earliest(book, way, firm=firm, ready=ready, is_end_free=is_end_free, start=start, horizon_days=days)
    codes = {chamber.code: chamber for chamber in book.chambers.values()}
    return [
        (*made.soaks[one.place], codes[one.chamber], made.time(one.start_minutes), made.time(one.end_minutes))
        for one in bookings[len(chain.done) :]
    ]


def _lab_after(
    book: ChamberBook,
    way: Way,
    firm: list[Booking],
    ready: datetime | None,
    is_end_free: bool,
    start: datetime | None,
    horizon_days: int,
) -> PlannedLab:
    """The lab in which a load has been through what is firm (or is in the last of it) and everybody else stays as booked."""
    if start is not None:
        ways = {pk: replace(one, bookings=firm) if one is way else one for pk, one in book.ways.items()}
        minute = whole_minute(max(start, book.now))
        return planned_lab(replace(book, ways=ways), start=minute, loads={way.load.pk}, horizon_days=horizon_days)
    begun = []
    for booking in firm:
        one = copy(booking)
        one.started_at = booking.started_at or booking.planned_start
        one.ended_at = booking.ended_at or booking.planned_end
        begun.append(one)
    if is_end_free:
        begun[-1].ended_at = None
    load = copy(way.load)
    if ready is not None:
        load.ready_at = ready
    there = replace(way, load=load, bookings=begun)
    start = whole_minute(book.now)
    if begun and begun[-1].started_at is not None:
        start = begun[-1].started_at.replace(second=0, microsecond=0)
    ways = {pk: there if one is way else one for pk, one in book.ways.items()}
    return planned_lab(replace(book, ways=ways), start=start, loads={way.load.pk}, horizon_days=horizon_days)


@transaction.atomic
def book_load(*, load: Load, by: Any, start: datetime | None = None, reason: str = "") -> BookingChange:
    """Book all soaks of a load that has no booking ahead, each as early as it finds a place from `start` on.

    Of a load under way those that are left; where it is in a chamber it is booked to come out when the next has a place.
    """
    refuse_far_ahead(start=start)
    hold_chambers()
    hold_loads([load.pk])
    book = chamber_book(now=timezone.now())
    way = book.ways.get(load.pk)
    if way is None or not way.is_open:
        raise ValidationError("This load travels no more.")
    begun = [one for one in way.bookings if one.started_at is not None]
    if len(begun) < len(way.bookings):
        raise ValidationError(f"{way.label} is booked already; move its bookings.")
    if start is not None and start < book.now - PAST_BY:
        raise ValidationError({"start": f"{when(start)} is past; leave it empty to book from now on."})
    inside = next((one for one in begun if one.ended_at is None), None)
    how = {"start": start or book.now} if begun else {"ready": start}
    changed: list[Booking] = []
    made: list[Booking] = []
    for number, step, chamber, first, last in _earliest(book, way, firm=begun, **how):
        if inside is not None and not changed:
            inside.planned_end = last
            changed.append(inside)
            continue
        booking = Booking(load=way.load, chamber=chamber, step=step, round_number=number)
        booking.planned_start, booking.planned_end = first, last
        made.append(booking)
    if not made:
        raise ValidationError(f"{way.label} has nothing left to book.")
    way.bookings = [*begun, *made]
    refuse_broken(book, [*changed, *made], reason, is_planned=bool(begun))
    words = f"{way.label} booked from {when(made[0].planned_start)} to {when(made[-1].planned_end)}"
    return store(changed=changed, made=made, words=words, reason=reason, by=by)


@transaction.atomic
def unbook_load(*, load: Load, by: Any, reason: str) -> BookingChange:
    """Take out the bookings of a load that have not begun. ValidationError without a reason, or if there is none."""
    if not reason.strip():
        raise ValidationError("Say why these bookings are taken out.")
    hold_chambers()
    hold_loads([load.pk])
    gone = list(Booking.objects.filter(load=load, started_at=None).select_related("chamber", "load__study"))
    if not gone:
        raise ValidationError(f"{load.name} has no booking that has not begun.")
    words = f"{load.study.code} {load.name}: {len(gone)} booking{'' if len(gone) == 1 else 's'} taken out"
    return store(gone=gone, words=words, reason=reason, by=by)
