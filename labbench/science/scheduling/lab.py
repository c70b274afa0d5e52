"""What a chamber plan is made of: the lab, its chambers, hours, profile and loads; bookings and plans.

All times are whole minutes after the lab's `start`, local and without zone; they may be negative for what is past.
Rules: a load stays together and is in one chamber a step; it goes step by step through freeze, heat and cool chambers or
whole through one cycler. A cycler runs rounds x the sum of the least soaks, and loads in it at one time started together.
Loads of different profiles never share a cycler's run.
A chamber never holds more coupons than its capacity and no booking overlaps its closures; each soak lasts from the step's
least to its longest time; the next step starts 0 to `max_transfer_minutes` after the one before ends; every move into and
out of a chamber happens while staffed, both ends of a window included.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

STEP_KINDS = ("freeze", "heat", "cool")
CYCLER = "cycler"
CHAMBER_KINDS = (*STEP_KINDS, CYCLER)
DAY_MINUTES = 24 * 60
WEEK_MINUTES = 7 * DAY_MINUTES


@dataclass(frozen=True, slots=True)
class StaffedWindow:
    """Hours of a weekday (Monday = 0) with people there, in minutes after midnight, 0 <= from < to <= 1440."""

    weekday: int
    from_minutes: int
    to_minutes: int


@dataclass(frozen=True, slots=True)
class Chamber:
    """A freezer, an oven, a cool-down bench or a cycler; `capacity` in coupons."""

    name: str
    kind: str
    capacity: int


@dataclass(frozen=True, slots=True)
class Closure:
    """A time in which a chamber can't be used, its end excluded."""

    chamber: str
    from_minutes: int
    to_minutes: int


@dataclass(frozen=True, slots=True)
class Absence:
    """A time without staff whatever the weekday says (a holiday): nothing is moved after its start and before its end."""

    from_minutes: int
    to_minutes: int


@dataclass(frozen=True, slots=True)
class ProfileStep:
    """One soak of a round."""

    name: str
    kind: str
    min_minutes: int
    max_minutes: int


@dataclass(frozen=True, slots=True)
class Profile:
    """Steps that make a round, how many rounds, and how long a transfer may take."""

    rounds: int
    max_transfer_minutes: int
    steps: tuple[ProfileStep, ...]

    @property
    def stages(self) -> tuple[ProfileStep, ...]:
        """All soaks of a load in order, round after round."""
        return self.steps * self.rounds

    @property
    def cycler_minutes(self) -> int:
        """How long a cycler takes for the whole profile."""
        return self.rounds * sum(step.min_minutes for step in self.steps)


@dataclass(frozen=True, slots=True)
class Load:
    """Coupons that travel together; a load of `priority` 2 counts twice in lateness and total time.

    A load goes by its own `profile` if it has one, else by the lab's.
    """

    name: str
    coupons: int
    ready_minutes: int | None = None
    due_minutes: int | None = None
    priority: int = 1
    profile: Profile | None = None


@dataclass(frozen=True, slots=True)
class FirmBooking:
    """A booking that stays as it is: begun, done or promised.

    The firm bookings of a load are the first ones of its profile, in order. `end_minutes` is None for a load that is
    still in its chamber and may leave it at any allowed minute from now on.
    """

    load: str
    round: int | None
    step: str | None
    chamber: str
    start_minutes: int
    end_minutes: int | None


@dataclass(frozen=True, slots=True)
class Lab:
    """Everything a plan depends on.

    Attributes
    ----------
    staffed : tuple of StaffedWindow or None
        Hours of each week; None means always staffed, an empty tuple never.
    profile : Profile
        Of every load that has none of its own.
    staffed_spans : tuple of (first, last) or None
        Staffed minutes one by one, both ends included, ascending: in place of `staffed` up to the last of them, for hours that
        are not the same each week (a change of the clocks). After it the windows of `staffed` that open later go on
        weekly; with `staffed` None nobody is there after it. Absences are taken out of both.
    """

    start: datetime
    staffed: tuple[StaffedWindow, ...] | None
    chambers: tuple[Chamber, ...]
    closures: tuple[Closure, ...]
    profile: Profile
    loads: tuple[Load, ...]
    absences: tuple[Absence, ...] = ()
    firm: tuple[FirmBooking, ...] = ()
    staffed_spans: tuple[tuple[int, int], ...] | None = None

    def profile_of(self, load: Load) -> Profile:
        """The profile that a load goes by."""
        return load.profile or self.profile

    @property
    def profiles(self) -> tuple[Profile, ...]:
        """The profiles of the loads, each once."""
        return tuple(dict.fromkeys(self.profile_of(load) for load in self.loads))

    @property
    def is_never_staffed(self) -> bool:
        """Whether nobody is ever there."""
        return not self.staffed_spans and (self.staffed == () or (self.staffed is None and self.staffed_spans == ()))

    def firm_of(self, load: Load) -> tuple[FirmBooking, ...]:
        """The firm bookings of a load."""
        return tuple(booking for booking in self.firm if booking.load == load.name)

    def chambers_for(self, kind: str, coupons: int = 1) -> tuple[int, ...]:
        """Positions of the chambers of a kind that hold that many coupons."""
        return tuple(
            place for place, chamber in enumerate(self.chambers) if chamber.kind == kind and chamber.capacity >= coupons
        )


@dataclass(frozen=True, slots=True)
class Booking:
    """A load in a chamber from start to end; `round` (from 1) and `step` are None for a cycler's run."""

    load: str
    round: int | None
    step: str | None
    chamber: str
    start_minutes: int
    end_minutes: int

    @property
    def place(self) -> tuple[str, int | None, str | None]:
        """Which soak of which load this is."""
        return self.load, self.round, self.step


@dataclass(frozen=True, slots=True, order=True)
class Score:
    """How good a plan is, compared from left to right; less is better.

    Attributes
    ----------
    lateness : int
        Minutes after the due dates, summed over loads, times their priorities.
    moved : int
        Bookings that are no longer in the chamber and at the minute of the plan before; 0 if there is none.
    makespan_minutes : int
        From the lab's start to the end of the last load.
    total_minutes : int
        Minutes from the lab's start to the end of each load, summed over loads, times their priorities.
    """

    lateness: int
    moved: int
    makespan_minutes: int
    total_minutes: int


Bookings = Mapping[str, tuple[Booking, ...]]


def score(lab: Lab, bookings: Bookings, previous: frozenset[Booking] = frozenset()) -> Score:
    """The score of the bookings of every load, against the bookings of the plan before."""
    ends = {load.name: bookings[load.name][-1].end_minutes for load in lab.loads}
    lateness = sum(load.priority * late_minutes(load, ends[load.name]) for load in lab.loads)
    total = sum(load.priority * ends[load.name] for load in lab.loads)
    return Score(lateness, moved_bookings(bookings, previous), max(ends.values()), total)


def late_minutes(load: Load, end_minutes: int) -> int:
    """Minutes that a load ends after it is due."""
    return 0 if load.due_minutes is None else max(0, end_minutes - load.due_minutes)


def moved_bookings(bookings: Bookings, previous: frozenset[Booking]) -> int:
    """Bookings of the plan before that are made again, but elsewhere or at another minute."""
    before = {booking.place: booking for booking in previous}
    kept = 0
    for of_load in bookings.values():
        for booking in of_load:
            old = before.pop(booking.place, None)
            if old is not None and (old.chamber, old.start_minutes) == (booking.chamber, booking.start_minutes):
                kept += 1
    return len(previous) - kept
