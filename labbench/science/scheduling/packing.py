"""Which chamber each booking goes to when only its kind and its times are settled, and how full a chamber can be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

from labbench.science.scheduling.chains import Taken
from labbench.science.scheduling.insertion import Timetable
from labbench.science.scheduling.lab import Booking, Lab


@lru_cache(maxsize=4096)
def largest_fill(loads: tuple[tuple[int, int], ...], places: int) -> int:
    """The most coupons, whole loads only, that go into so many places; `loads` are pairs of coupons and how many loads."""
    reachable = 1
    mask = (1 << (places + 1)) - 1
    for coupons, count in loads:
        for _ in range(min(count, places // coupons)):
            reachable |= (reachable << coupons) & mask
    return reachable.bit_length() - 1


@lru_cache(maxsize=4096)
def most_worth(loads: tuple[tuple[int, int, int], ...], places: int) -> int:
    """The most that whole loads in so many places can be worth; `loads` are triples of coupons, worth and how many loads."""
    best = [0] * (places + 1)
    for coupons, worth, count in loads:
        for _ in range(min(count, places // coupons) if worth else 0):
            best = [max(b, best[p - coupons] + worth) if p >= coupons else b for p, b in enumerate(best)]
    return best[-1]


def packed(
    lab: Lab, bookings: Sequence[Booking], taken: tuple[Taken, ...], horizon_minutes: int
) -> tuple[list[Booking], int]:
    """The bookings with a chamber each, and for how many there was none.

    In order of their start, each goes to the chamber that it fills best; of loads of one size every one finds a place if
    the chambers of its kind have enough of them and none is closed.
    """
    timetable = Timetable(lab, horizon_minutes, taken)
    coupons = {load.name: load.coupons for load in lab.loads}
    kinds = {(load.name, step.name): step.kind for load in lab.loads for step in lab.profile_of(load).steps}
    found, without = [], 0
    for booking in sorted(bookings, key=lambda b: (b.start_minutes, -coupons[b.load], b.end_minutes)):
        if booking.step is None:
            found.append(booking)
            continue
        size = coupons[booking.load]
        best: tuple[int, Booking] | None = None
        chambers = lab.chambers_for(kinds[booking.load, booking.step], size)
        for chamber in chambers:
            here = replace(booking, chamber=lab.chambers[chamber].name)
            used = timetable.used[chamber, booking.start_minutes : booking.end_minutes]
            room = lab.chambers[chamber].capacity - int(used.max(initial=0)) - size
            if room >= 0 and (best is None or room < best[0]):
                best = room, here
        if best is None:
            without += 1
            best = 0, replace(booking, chamber=lab.chambers[chambers[0]].name)
        timetable.add((best[1],), size)
        found.append(best[1])
    return found, without
