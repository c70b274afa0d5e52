"""What is left to plan of each load, and what of the chambers is taken beforehand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labbench.science.scheduling.hours import Hours, staffed_hours
from labbench.science.scheduling.lab import CYCLER, Booking, FirmBooking, Lab, Load, Profile

FAR_MINUTES = 2**40


@dataclass(frozen=True, slots=True)
class Chain:
    """The soaks of one load that still have to be planned, in order.

    Attributes
    ----------
    profile : Profile
        The load's own, or the lab's.
    done : tuple of Booking
        Firm bookings with an end, before those to be planned.
    first_stage : int
        Position of the first soak to plan in `Profile.stages`; as many as there are stages if none is left.
    first_start : (int, int)
        Earliest and latest start of that soak; for a load still in its chamber both are when it went in.
    open_chamber : int or None
        The chamber a load is still in; its soak is the first to plan and starts at `first_start`.
    open_end : (int, int)
        Earliest and latest end of that soak.
    waived : str or None
        The rule that what is firm has broken already, in words; planning goes on without it there.
    """

    load: Load
    profile: Profile
    done: tuple[Booking, ...]
    first_stage: int
    first_start: tuple[int, int]
    open_chamber: int | None = None
    open_end: tuple[int, int] = (0, 0)
    waived: str | None = None

    @property
    def may_cycle(self) -> bool:
        """Whether the load may still go whole through a cycler."""
        return not self.done and self.open_chamber is None


@dataclass(frozen=True, slots=True)
class Taken:
    """Coupon places of a chamber that are taken from one minute to another, by closures and firm bookings."""

    chamber: int
    from_minutes: int
    to_minutes: int
    coupons: int


def chain_of(lab: Lab, load: Load) -> Chain:
    """What is left to plan of a load."""
    firm, profile = lab.firm_of(load), lab.profile_of(load)
    earliest = max(load.ready_minutes or 0, 0)
    if not firm:
        return Chain(load, profile, (), 0, (earliest, FAR_MINUTES))
    stages = profile.stages
    done = tuple(
        _booking(profile, booking) for booking in firm if booking.end_minutes is not None or booking.step is None
    )
    if firm[-1].step is None:
        return Chain(load, profile, done, len(stages), (0, FAR_MINUTES))
    if firm[-1].end_minutes is None:
        return _open_chain(lab, load, done, firm[-1])
    last_end = done[-1].end_minutes
    latest = last_end + profile.max_transfer_minutes
    waived = None
    if len(done) < len(stages) and _first_staffed(lab, max(last_end, 0)) > latest:
        waived = f"{load.name}: the longest transfer after {firm[-1].step} of round {firm[-1].round} is over"
        latest = FAR_MINUTES
    return Chain(load, profile, done, len(done), (max(last_end, 0), latest), waived=waived)


def _open_chain(lab: Lab, load: Load, done: tuple[Booking, ...], firm: FirmBooking) -> Chain:
    profile = lab.profile_of(load)
    step = profile.stages[len(done)]
    earliest, latest = max(firm.start_minutes + step.min_minutes, 0), firm.start_minutes + step.max_minutes
    waived = None
    if _first_staffed(lab, earliest) > latest:
        waived = f"{load.name}: the longest soak of {firm.step} in round {firm.round} can't be kept any more"
        latest = FAR_MINUTES
    chamber = next(place for place, chamber in enumerate(lab.chambers) if chamber.name == firm.chamber)
    start = firm.start_minutes
    return Chain(load, profile, done, len(done), (start, start), chamber, (earliest, latest), waived)


def _first_staffed(lab: Lab, minute: int) -> int:
    """The first staffed minute from `minute` on, within some weeks."""
    hours = staffed_hours(lab, minute + 5 * 7 * 1440)
    place = int(np.searchsorted(hours.minutes, minute))
    return int(hours.minutes[place]) if place < len(hours.minutes) else FAR_MINUTES


def _booking(profile: Profile, firm: FirmBooking) -> Booking:
    end = firm.start_minutes + profile.cycler_minutes if firm.end_minutes is None else firm.end_minutes
    return Booking(firm.load, firm.round, firm.step, firm.chamber, firm.start_minutes, end)


def taken_places(lab: Lab, chains: Sequence[Chain]) -> tuple[Taken, ...]:
    """What closures and firm bookings with an end take, from minute 0 on; several may overlap."""
    places = {chamber.name: place for place, chamber in enumerate(lab.chambers)}
    closed = [
        Taken(
            places[closure.chamber],
            closure.from_minutes,
            closure.to_minutes,
            lab.chambers[places[closure.chamber]].capacity,
        )
        for closure in lab.closures
    ]
    firm = [
        Taken(
            places[booking.chamber],
            booking.start_minutes,
            booking.end_minutes,
            _taken_coupons(lab, places[booking.chamber], chain),
        )
        for chain in chains
        for booking in chain.done
    ]
    return tuple(
        Taken(taken.chamber, max(taken.from_minutes, 0), taken.to_minutes, taken.coupons)
        for taken in (*closed, *firm)
        if taken.to_minutes > 0
    )


def _taken_coupons(lab: Lab, chamber: int, chain: Chain) -> int:
    # Nobody else may join a running cycler at another minute, so a firm run takes it whole.
    return lab.chambers[chamber].capacity if lab.chambers[chamber].kind == CYCLER else chain.load.coupons


def settled_minutes(lab: Lab, chains: Sequence[Chain]) -> int:
    """From when on the lab repeats itself week by week: no closure, absence, ready date or firm booking any more."""
    times = [0]
    times += [closure.to_minutes for closure in lab.closures]
    times += [absence.to_minutes for absence in lab.absences]
    times += [last for _, last in lab.staffed_spans or ()]
    for chain in chains:
        times.append(chain.load.ready_minutes or 0)
        times += [booking.end_minutes for booking in chain.done]
        times += [chain.open_end[0]] if chain.open_chamber is not None else []
    return max(times)


def longest_chain_minutes(lab: Lab) -> int:
    """An upper bound of the time between a load's first move and its last."""
    return max(
        max(
            sum(stage.max_minutes + profile.max_transfer_minutes for stage in profile.stages),
            profile.cycler_minutes,
        )
        for profile in lab.profiles
    )


__all__ = [
    "FAR_MINUTES",
    "Chain",
    "Hours",
    "Taken",
    "chain_of",
    "longest_chain_minutes",
    "settled_minutes",
    "taken_places",
]
