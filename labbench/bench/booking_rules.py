"""The rules that bookings keep, one by one and in words: the same for what is typed, dragged, planned by the solver or stored already.

What the chambers, the profile and the order of the work ask for is never broken. Hours with staff and the time from which a load is
ready are the lab's own wishes: they may be broken on purpose, with a reason.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from django.utils import timezone

from labbench.bench.chamber_book import KIND_OF_STEP, ChamberBook, Way, real_span
from labbench.bench.chamber_labs import reaches
from labbench.bench.models import Booking
from labbench.formats.date_texts import day_text, moment_text
from labbench.lab.hours import Span, is_staffed
from labbench.lab.models import Chamber

MINUTE = timedelta(minutes=1)
A_KIND: dict[str, str] = {
    Chamber.Kind.FREEZE: "a freezer",
    Chamber.Kind.HEAT: "an oven",
    Chamber.Kind.COOL: "a cool-down bench",
    Chamber.Kind.CYCLER: "a programmable chamber",
}


@dataclass(frozen=True, slots=True)
class Broken:
    """A rule that a booking breaks; `is_wish` where it may be broken with a reason."""

    rule: str
    words: str
    is_wish: bool = False


@dataclass(frozen=True, slots=True)
class Filled:
    """A time in which a chamber holds the same loads."""

    start: datetime
    end: datetime
    coupons: int


def when(at: datetime) -> str:
    """A point in time as the lab's clock shows it."""
    return moment_text(timezone.localtime(at))


def minutes_text(minutes: int) -> str:
    """45 min, 8 h, 2 h 30 min."""
    hours, rest = divmod(abs(minutes), 60)
    return " ".join(word for count, word in ((hours, f"{hours} h"), (rest, f"{rest} min")) if count) or "0 min"


def filled(spans: Iterable[tuple[datetime, datetime, int]]) -> list[Filled]:
    """Coupons in a chamber over time, from spans of loads with their coupons; times without any are left out."""
    change: dict[datetime, int] = {}
    for start, end, coupons in spans:
        change[start] = change.get(start, 0) + coupons
        change[end] = change.get(end, 0) - coupons
    found, coupons = [], 0
    for (at, more), (until, _) in pairwise([*sorted(change.items()), (datetime.max, 0)] if change else []):
        coupons += more
        if coupons and until is not datetime.max:
            found.append(Filled(at, until, coupons))
    return found


def spans_of(entries: Iterable[tuple[Way, Booking]], now: datetime) -> list[tuple[datetime, datetime, int]]:
    """When which load takes how many places."""
    return [(*real_span(booking, now), way.coupons) for way, booking in entries]


def broken_rules(
    book: ChamberBook, bookings: Collection[Booking], spans: Sequence[Span], *, is_new: bool = True
) -> list[tuple[Booking, list[Broken]]]:
    """What each of the bookings breaks as the book stands, with their changes in it; bookings that keep all rules are left out.

    Parameters
    ----------
    bookings
        Those to look at: what was changed, with its neighbours in the load.
    spans
        Staffed spans that cover all of them.
    is_new
        Whether they are about to be stored: a start in the past then is refused.
    """
    found: list[tuple[Booking, list[Broken]]] = []
    over, by_chamber = {}, book.by_chamber()
    for pk in sorted({booking.chamber_id for booking in bookings}):
        places = book.chambers[pk].capacity_coupons
        over[pk] = [one for one in filled(spans_of(by_chamber[pk], book.now)) if one.coupons > places]
    ordered = {pk: in_order(book.ways[pk]) for pk in sorted({booking.load_id for booking in bookings})}
    for booking in bookings:
        way = book.way_of(booking)
        broken = [
            *_of_chamber(book, way, booking),
            *_of_places(book, way, booking, over[booking.chamber_id]),
            *_of_soak(way, booking),
            *_of_neighbours(way, booking, ordered[booking.load_id]),
            *_of_wishes(book, way, booking, spans),
        ]
        if is_new and booking.started_at is None and booking.planned_start < book.now - 10 * MINUTE:
            broken.append(
                Broken("past", f"{_what(way, booking)} would begin at {when(booking.planned_start)}, which is past")
            )
        if broken:
            found.append((booking, broken))
    return found


def _what(way: Way, booking: Booking) -> str:
    if booking.step is None:
        return f"{way.label}, all rounds"
    return f"{way.label}, {booking.step.name} of round {booking.round_number}"


def _of_chamber(book: ChamberBook, way: Way, booking: Booking) -> Iterable[Broken]:
    chamber, step = booking.chamber, booking.step
    wanted = Chamber.Kind.CYCLER if step is None else KIND_OF_STEP[step.kind]  # type: ignore[index]
    if chamber.kind != wanted:
        words = f"{_what(way, booking)} needs {A_KIND[wanted]}, and {chamber.code} is {A_KIND[chamber.kind]}"
        yield Broken("kind", words)
    steps = way.steps if booking.step is None else (booking.step,)
    missed = [step.name for step in steps if not reaches(chamber, step)]
    if missed:
        yield Broken("temperature", f"the air of {chamber.code} does not reach the set-point of {', '.join(missed)}")
    retired = chamber.retired_on if booking.started_at is None else None
    if retired is not None and timezone.localtime(booking.planned_end).date() >= retired:
        yield Broken("retired", f"{chamber.code} is retired from {day_text(retired)}")
    # What is in there when a chamber closes is a matter of its failure, not of the plan.
    if booking.started_at is None:
        start, end = booking.planned_start, booking.planned_end
        for closure in book.closures[chamber.pk]:
            if closure.starts_at < end and start < closure.ends_at:
                reason = f" ({closure.reason})" if closure.reason else ""
                words = f"{chamber.code} is closed from {when(closure.starts_at)} to {when(closure.ends_at)}{reason}"
                yield Broken("closure", f"{_what(way, booking)}: {words}")


def _of_places(book: ChamberBook, way: Way, booking: Booking, full: list[Filled]) -> Iterable[Broken]:
    chamber, (start, end) = booking.chamber, real_span(booking, book.now)
    over = [one for one in full if one.start < end and start < one.end]
    if over and booking.ended_at is None:
        most = max(over, key=lambda one: one.coupons)
        words = (
            f"{chamber.code} would hold {most.coupons} coupons at {when(max(most.start, start))}; "
            f"it has {chamber.capacity_coupons} places"
        )
        yield Broken("capacity", f"{_what(way, booking)}: {words}")
    if booking.step is None and booking.ended_at is None:
        for other, at in book.bookings():
            if at is booking or at.chamber_id != chamber.pk:
                continue
            first, last = real_span(at, book.now)
            if first < end and start < last and first != start:
                words = f"{other.label} is in it from {when(first)} to {when(last)}"
                yield Broken("together", f"a run of {chamber.code} begins for all its loads at once; {words}")


def _of_soak(way: Way, booking: Booking) -> Iterable[Broken]:
    if booking.ended_at is not None:
        return
    start = booking.started_at or booking.planned_start
    minutes = round((booking.planned_end - start) / MINUTE) + booking.soaked_before_minutes
    step = booking.step
    if step is None:
        # A run that has begun some minutes late ends as late; nobody is there to see it.
        if booking.started_at is None and minutes != way.run_minutes:
            words = f"{minutes_text(minutes)} are booked, all its rounds take {minutes_text(way.run_minutes)}"
            yield Broken("soak", f"{_what(way, booking)}: {words}")
        return
    # A begun soak is counted to the minute: what began some seconds late is not short.
    slack = 1 if booking.started_at is not None else 0
    words = ""
    if minutes + slack < step.min_minutes:
        words = f"a soak of {minutes_text(minutes)} is shorter than {minutes_text(step.min_minutes)}"
    elif step.max_minutes is not None and minutes - slack > step.max_minutes:
        words = f"a soak of {minutes_text(minutes)} is longer than {minutes_text(step.max_minutes)}"
    if words:
        yield Broken("soak", f"{_what(way, booking)}: {words}")


def order_of(way: Way) -> dict[tuple[int | None, int | None], int]:
    """The position of each soak (round, step) among all of a load."""
    return {(number, step.pk): place for place, (number, step) in enumerate(way.stages)}


def in_order(way: Way) -> list[Booking]:
    """The bookings of a load in the order of its profile; a step of another profile comes last."""
    order = order_of(way)
    last = len(order)
    return sorted(
        way.bookings, key=lambda one: (order.get((one.round_number, one.step_id), last), one.part, one.planned_start)
    )


def _of_neighbours(way: Way, booking: Booking, bookings: list[Booking]) -> Iterable[Broken]:
    place = bookings.index(booking)
    pairs = [(bookings[place - 1], booking)] if place else []
    pairs += [(booking, bookings[place + 1])] if place + 1 < len(bookings) else []
    for before, after in pairs:
        if after.started_at is not None:
            continue
        end, start = before.ended_at or before.planned_end, after.planned_start
        if start < end:
            words = f"{_short(before)} ends at {when(end)}, {_short(after)} begins at {when(start)}"
            yield Broken("order", f"{way.label} would be in two chambers at once: {words}")
        elif before.ended_at is None and (start - end) > way.max_transfer_minutes * MINUTE:
            minutes = round((start - end) / MINUTE)
            between = f"between {_short(before)} and {_short(after)} of {way.label}"
            words = f"{minutes_text(minutes)} {between}, at most {minutes_text(way.max_transfer_minutes)} are allowed"
            yield Broken("transfer", words)


def _short(booking: Booking) -> str:
    return "all rounds" if booking.step is None else f"{booking.step.name} {booking.round_number}"


def _of_wishes(book: ChamberBook, way: Way, booking: Booking, spans: Sequence[Span]) -> Iterable[Broken]:
    moves = [("out of", booking.planned_end)] if booking.ended_at is None else []
    if booking.started_at is None:
        moves.insert(0, ("into", booking.planned_start))
        ready = way.load.ready_at
        if ready is not None and booking.planned_start < ready:
            yield Broken("ready", f"{way.label} is ready only from {when(ready)}", is_wish=True)
    for word, at in moves:
        if at >= book.now and not is_staffed(spans, at):
            yield Broken(
                "hours",
                f"nobody is there at {when(at)} to take {way.label} {word} {booking.chamber.code}",
                is_wish=True,
            )
