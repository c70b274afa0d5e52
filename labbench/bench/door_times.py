"""A plan's soaks drawn out to the start of the next: what waits, waits in its chamber and not at the door.

The search takes any transfer up to the longest allowed as equally good, so that its plans may let coupons stand at the door for all of
it. Starts, chambers and the end of every load stay as they were found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from labbench.science.scheduling.lab import Booking, Lab


def without_waiting_at_the_door(lab: Lab, bookings: Sequence[Booking]) -> tuple[Booking, ...]:
    """The bookings, each soak lasting until the next of its load begins where its longest soak and its chamber's places allow that."""
    coupons = {load.name: load.coupons for load in lab.loads}
    steps = {(load.name, step.name): step for load in lab.loads for step in lab.profile_of(load).steps}
    over = {(one.load, one.round, one.step) for one in lab.firm if one.end_minutes is not None}
    found = list(bookings)
    of_load: dict[str, list[int]] = {}
    for place in sorted(range(len(found)), key=lambda place: found[place].start_minutes):
        of_load.setdefault(found[place].load, []).append(place)
    for places in of_load.values():
        for place, after in pairwise(places):
            one, until = found[place], found[after].start_minutes
            if one.step is None or one.place in over or until <= one.end_minutes:
                continue
            if until - one.start_minutes > steps[one.load, one.step].max_minutes:
                continue
            if _has_room(lab, found, one, until, coupons):
                found[place] = replace(one, end_minutes=until)
    return tuple(found)


def _has_room(lab: Lab, bookings: Sequence[Booking], one: Booking, until: int, coupons: dict[str, int]) -> bool:
    """Whether the chamber of a booking holds its load from its end until a later minute, beside all others."""
    if any(
        closure.chamber == one.chamber and closure.from_minutes < until and one.end_minutes < closure.to_minutes
        for closure in lab.closures
    ):
        return False
    others = [
        other
        for other in bookings
        if other.chamber == one.chamber and other.start_minutes < until and other.end_minutes > one.end_minutes
    ]
    capacity = next(chamber.capacity for chamber in lab.chambers if chamber.name == one.chamber)
    # The places taken only grow where another booking begins.
    for minute in {
        one.end_minutes,
        *(other.start_minutes for other in others if other.start_minutes > one.end_minutes),
    }:
        taken = sum(coupons[other.load] for other in others if other.start_minutes <= minute < other.end_minutes)
        if taken + coupons[one.load] > capacity:
            return False
    return True
