"""What the timeline page is made of: the strips of the chambers, the booking that is open, what can be taken back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.db.models import Max, Min
from django.http import HttpRequest
from django.urls import reverse
from django.utils import timezone

from labbench.bench.booking_changes import last_change
from labbench.bench.booking_rules import Broken, broken_rules
from labbench.bench.chamber_book import ChamberBook, Way, chamber_book
from labbench.bench.models import Booking, Load
from labbench.lab.due import due
from labbench.pages.chambers.drawing import Marked, axis, state_of, strips, what_of
from labbench.pages.chambers.forms import BookingForm
from labbench.pages.chambers.wall import moves_for_the_wall
from labbench.pages.chambers.windows import Window, window_of

MOST_BROKEN_SHOWN = 12


@dataclass(frozen=True, slots=True)
class Opened:
    """The booking that is open, with its form."""

    way: Way
    booking: Booking
    what: str
    state: str
    broken: list[Broken]
    form: BookingForm | None


def window_for(request: HttpRequest) -> Window:
    """The window that the address asks for."""
    ahead = Booking.objects.exclude(load__state=Load.State.DONE).aggregate(Min("planned_start"), Max("planned_end"))
    return window_of(request.GET, first_start=ahead["planned_start__min"], last_end=ahead["planned_end__max"])


def board(
    request: HttpRequest, *, selected: int | None = None, form: BookingForm | None = None, refused: Any = None
) -> dict[str, Any]:
    """The context of the timeline and of its part that is drawn again."""
    window, now = window_for(request), timezone.now()
    book = chamber_book(now=now, window=(window.start, window.end))
    spans = book.hours.spans(window.start, window.end)
    ahead = [one for way, one in book.bookings() if one.ended_at is None and way.is_open]
    until = max((one.planned_end for one in ahead), default=now)
    broken = broken_rules(book, ahead, book.hours.spans(now - timedelta(days=1), until), is_new=False) if ahead else []
    address = f"{reverse('chambers')}?{window.query}"
    may_move = request.user.has_perm("bench.change_booking")
    if selected is None:
        text = request.GET.get("booking", "")
        selected = int(text) if text.isascii() and text.isdigit() and len(text) < 12 else None
    opened = _opened(book, selected, dict_of(broken), form, may_move=may_move)
    today = timezone.localdate()
    return {
        "window": window,
        "axis": axis(book, window),
        "strips": strips(
            book, window, spans, Marked(frozenset(one.pk for one, _ in broken), frozenset(), selected, address)
        ),
        "wall": moves_for_the_wall(book, window),
        "opened": opened,
        "missing": selected is not None and opened is None,
        "broken": [(book.way_of(one), one, found) for one, found in broken[:MOST_BROKEN_SHOWN]],
        "broken_more": max(len(broken) - MOST_BROKEN_SHOWN, 0),
        "calibrations": [
            one
            for one in book.chambers.values()
            if one.retired_on is None and due(one.calibration_due_on, today=today).state == "overdue"
        ],
        "is_always_staffed": book.hours.is_always,
        "waiting": [way for way in book.ways.values() if way.is_open and way.steps and not way.bookings],
        "has_loads": any(way.is_open for way in book.ways.values()),
        "change": last_change() if may_move else None,
        "may_move": may_move,
        "refused": refused,
        "now": now,
        "zone": timezone.get_default_timezone_name(),
    }


def dict_of(broken: list[tuple[Booking, list[Broken]]]) -> dict[int, list[Broken]]:
    return {booking.pk: found for booking, found in broken}


def _opened(
    book: ChamberBook, pk: int | None, broken: dict[int, list[Broken]], form: BookingForm | None, *, may_move: bool
) -> Opened | None:
    if pk is None:
        return None
    for way, booking in book.bookings():
        if booking.pk == pk:
            can_move = may_move and way.is_open and booking.ended_at is None
            if can_move and form is None:
                form = BookingForm(booking=booking, chambers=chambers_for(book, booking))
            state = state_of(booking, book.now)[1]
            return Opened(way, booking, what_of(booking), state, broken.get(pk, []), form if can_move else None)
    return None


def chambers_for(book: ChamberBook, booking: Booking) -> list[Any]:
    """Chambers of the kind that a booking needs, and the one it is in."""
    kind = booking.chamber.kind
    return [
        one
        for one in book.chambers.values()
        if one.kind == kind and (not one.retired_on or one.pk == booking.chamber_id)
    ]
