"""The moves of a part of the time as a list for the wall: on paper the shapes of the timeline are too small for names."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from labbench.bench.booking_rules import in_order
from labbench.bench.chamber_book import ChamberBook, Way
from labbench.bench.soak_watch import place_in_profile
from labbench.formats.date_texts import clock_text
from labbench.pages.chambers.drawing import Sheet
from labbench.pages.chambers.windows import Window

MOST_MOVES = 200


@dataclass(frozen=True, slots=True)
class WallMove:
    """One move to come: when (also in words), of which load, from where to where, between which steps."""

    at: datetime
    when: str
    load: str
    coupons: int
    words: str
    steps: str


def moves_for_the_wall(book: ChamberBook, window: Window) -> list[WallMove]:
    """The moves of a window that are still to be made, in order of time; at most `MOST_MOVES`."""
    sheet = Sheet(book, window)
    found = [move for way in book.ways.values() if way.is_open for move in _moves(sheet, way)]
    inside = [move for move in found if window.start <= move.at < window.end]
    return sorted(inside, key=lambda move: (move.at, move.load))[:MOST_MOVES]


def _moves(sheet: Sheet, way: Way) -> Iterator[WallMove]:
    def move(at: datetime, words: str, steps: str) -> WallMove:
        return WallMove(at, sheet.clock(at), way.label, way.coupons, words, steps)

    ordered = in_order(way)
    for booking in ordered[:1]:
        if booking.started_at is None:
            yield move(booking.planned_start, f"into {booking.chamber.code}", place_in_profile(booking))
    for before, after in pairwise(ordered):
        if after.started_at is not None:
            continue
        steps = f"{place_in_profile(before)}, then {place_in_profile(after)}"
        if before.ended_at is not None:
            yield move(after.planned_start, f"into {after.chamber.code}", place_in_profile(after))
            continue
        words = f"out of {before.chamber.code}, into {after.chamber.code}"
        if after.planned_start - before.planned_end >= timedelta(minutes=1):
            words += f" at {clock_text(sheet.local(after.planned_start))}"
        yield move(before.planned_end, words, steps)
    for booking in ordered[-1:]:
        if booking.ended_at is None:
            yield move(booking.planned_end, f"out of {booking.chamber.code}", place_in_profile(booking))
