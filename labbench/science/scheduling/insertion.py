"""A place for one load among those already booked: the exact earliest end, by dynamic programming over staffed minutes.

For each soak in turn the set of minutes at which it can end is computed from the set at which it can start, minute by minute
and chamber by chamber, and from the ends the starts of the next soak. The first reachable end of the last soak is
the earliest there is; going back from it, each soak is taken as short as possible. Nothing is left out, so a load for
which no end is reached has no place within the horizon.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from labbench.science.scheduling.chains import Chain, Taken
from labbench.science.scheduling.hours import Flags, Minutes, staffed_hours
from labbench.science.scheduling.lab import CYCLER, Booking, Lab, Profile, ProfileStep

Counts = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class SoakChoice:
    """Where a soak may go: the ends that each start allows, as positions among the staffed minutes."""

    chamber: int
    first_end: Counts
    last_end: Counts


@dataclass(slots=True)
class Timetable:
    """Coupon places in use, minute by minute, from 0 to a horizon."""

    lab: Lab
    horizon_minutes: int
    taken: tuple[Taken, ...]
    minutes: Minutes = field(init=False)
    used: Counts = field(init=False)
    runs: dict[tuple[int, int, Profile], int] = field(init=False, default_factory=dict)
    _after_soak: dict[ProfileStep, tuple[Counts, Minutes]] = field(init=False, default_factory=dict)
    _transfer_to: dict[int, Counts] = field(init=False, default_factory=dict)
    _profiles: dict[str, Profile] = field(init=False)

    def __post_init__(self) -> None:
        self.minutes = staffed_hours(self.lab, self.horizon_minutes).minutes
        self.used = np.zeros((len(self.lab.chambers), self.horizon_minutes + 1), dtype=np.int64)
        for taken in self.taken:
            self.used[taken.chamber, taken.from_minutes : taken.to_minutes] += taken.coupons
        self._profiles = {load.name: self.lab.profile_of(load) for load in self.lab.loads}
        profiles = self.lab.profiles
        for transfer in {profile.max_transfer_minutes for profile in profiles}:
            self._transfer_to[transfer] = np.searchsorted(self.minutes, self.minutes + transfer, side="right")
        for step in dict.fromkeys(step for profile in profiles for step in profile.steps):
            first_end = np.searchsorted(self.minutes, self.minutes + step.min_minutes, side="left")
            self._after_soak[step] = (first_end, self.minutes + step.max_minutes)

    def add(self, bookings: tuple[Booking, ...], coupons: int) -> None:
        """Enter bookings; a negative number of coupons takes them out."""
        for booking in bookings:
            chamber = self._place_of(booking.chamber)
            self.used[chamber, max(booking.start_minutes, 0) : max(booking.end_minutes, 0)] += coupons
            if booking.step is None:
                key = chamber, booking.start_minutes, self._profiles[booking.load]
                self.runs[key] = self.runs.get(key, 0) + coupons
                if not self.runs[key]:
                    del self.runs[key]

    def fits(self, bookings: tuple[Booking, ...], coupons: int) -> bool:
        """Whether the chambers have room for bookings that keep the other rules."""
        for booking in bookings:
            chamber = self._place_of(booking.chamber)
            if booking.end_minutes > self.horizon_minutes:
                return False
            used = self.used[chamber, max(booking.start_minutes, 0) : booking.end_minutes]
            if np.any(used + coupons > self.lab.chambers[chamber].capacity):
                return False
            run = chamber, booking.start_minutes, self._profiles[booking.load]
            if booking.step is None and run not in self.runs and np.any(used > 0):
                return False
        return True

    def earliest(self, chain: Chain) -> tuple[Booking, ...] | None:
        """The bookings with which the load ends first, those done included; None if it has no place."""
        if chain.first_stage == len(chain.profile.stages):
            return chain.done
        stepwise = self._stepwise(chain)
        run = self._cycler_run(chain) if chain.may_cycle else None
        if run is None or (stepwise is not None and stepwise[-1].end_minutes < run.end_minutes):
            return stepwise
        return (run,)

    def _place_of(self, name: str) -> int:
        return next(place for place, chamber in enumerate(self.lab.chambers) if chamber.name == name)

    def free_until(self, blocked: Flags) -> Minutes:
        """The first blocked minute from each minute on."""
        beyond = self.horizon_minutes + 1
        first = np.where(blocked, np.arange(beyond), beyond)
        return np.asarray(np.minimum.accumulate(first[::-1])[::-1], dtype=np.int64)

    def _cycler_run(self, chain: Chain) -> Booking | None:
        length, load = chain.profile.cycler_minutes, chain.load
        is_staffed = np.zeros(self.horizon_minutes + length + 1, dtype=np.bool_)
        is_staffed[self.minutes] = True
        starts = self.minutes[self.minutes >= chain.first_start[0]]
        starts = starts[is_staffed[starts + length]]
        best: tuple[int, int] | None = None
        for chamber in self.lab.chambers_for(CYCLER, load.coupons):
            free = self.free_until(self.used[chamber] > 0)
            alone = starts[free[starts] >= starts + length]
            capacity = self.lab.chambers[chamber].capacity
            found = [int(alone[0])] if len(alone) else []
            found += [
                start
                for (place, start, profile), coupons in self.runs.items()
                if place == chamber
                and profile == chain.profile
                and start >= chain.first_start[0]
                and coupons + load.coupons <= capacity
            ]
            if found and (best is None or min(found) < best[0]):
                best = min(found), chamber
        if best is None:
            return None
        return Booking(load.name, None, None, self.lab.chambers[best[1]].name, best[0], best[0] + length)

    def _choices(self, chain: Chain) -> dict[ProfileStep, list[SoakChoice]]:
        choices: dict[ProfileStep, list[SoakChoice]] = {}
        free: dict[int, Minutes] = {}
        for step in dict.fromkeys(chain.profile.steps):
            first_end, latest_end = self._after_soak[step]
            choices[step] = []
            for chamber in self.lab.chambers_for(step.kind, chain.load.coupons):
                if chamber not in free:
                    room = self.lab.chambers[chamber].capacity - chain.load.coupons
                    free[chamber] = self.free_until(self.used[chamber] > room)
                end = np.minimum(latest_end, free[chamber][self.minutes])
                last_end = np.searchsorted(self.minutes, end, side="right") - 1
                choices[step].append(SoakChoice(chamber, first_end, last_end))
        return choices

    def _stepwise(self, chain: Chain) -> tuple[Booking, ...] | None:
        choices = self._choices(chain)
        stages = chain.profile.stages[chain.first_stage :]
        low, high = chain.first_start
        starts = (self.minutes >= low) & (self.minutes <= high)
        transfer_to = self._transfer_to[chain.profile.max_transfer_minutes]
        reached: list[tuple[Flags, Flags]] = []
        for place, stage in enumerate(stages):
            if place == 0 and chain.open_chamber is not None:
                ends = self._open_ends(chain)
            else:
                ends = np.zeros_like(starts)
                for choice in choices[stage]:
                    ends |= _covered(starts, choice.first_end, choice.last_end)
            if not ends.any():
                return None
            reached.append((starts, ends))
            starts = _covered(ends, np.arange(len(ends)), transfer_to - 1)
        return (*chain.done, *self._way_back(chain, stages, choices, reached))

    def _open_ends(self, chain: Chain) -> Flags:
        assert chain.open_chamber is not None
        room = self.lab.chambers[chain.open_chamber].capacity - chain.load.coupons
        free = int(self.free_until(self.used[chain.open_chamber] > room)[0])
        low, high = chain.open_end
        # What is firm may already stand in a full chamber: then it leaves as soon as it may.
        high = (
            max(min(high, free), int(self.minutes[np.searchsorted(self.minutes, low)]))
            if low <= self.minutes[-1]
            else high
        )
        return np.asarray((self.minutes >= low) & (self.minutes <= high), dtype=np.bool_)

    def _way_back(
        self,
        chain: Chain,
        stages: tuple[ProfileStep, ...],
        choices: dict[ProfileStep, list[SoakChoice]],
        reached: list[tuple[Flags, Flags]],
    ) -> list[Booking]:
        end = int(np.argmax(reached[-1][1]))
        bookings: list[Booking] = []
        for place in reversed(range(len(stages))):
            starts, ends = reached[place]
            if place < len(stages) - 1:
                # The latest end from which the start of the soak after it is in time.
                end = int(np.flatnonzero(ends[: end + 1])[-1])
            if place == 0 and chain.open_chamber is not None:
                chamber, begun = chain.open_chamber, chain.first_start[0]
            else:
                chamber, start = self._latest_start(starts, end, choices[stages[place]])
                begun = int(self.minutes[start])
            number, step = divmod(chain.first_stage + place, len(chain.profile.steps))
            bookings.append(
                Booking(
                    chain.load.name,
                    number + 1,
                    chain.profile.steps[step].name,
                    self.lab.chambers[chamber].name,
                    begun,
                    int(self.minutes[end]),
                )
            )
            if place:
                end = start
        return bookings[::-1]

    def _latest_start(self, starts: Flags, end: int, choices: list[SoakChoice]) -> tuple[int, int]:
        """Chamber and start of the shortest soak with this end; of chambers alike the fullest."""
        best: tuple[int, int, int] | None = None
        for choice in choices:
            fitting = np.flatnonzero(starts & (choice.first_end <= end) & (choice.last_end >= end))
            if len(fitting):
                start = int(fitting[-1])
                used = self.used[choice.chamber, self.minutes[start] : self.minutes[end]]
                room = self.lab.chambers[choice.chamber].capacity * len(used) - int(used.sum())
                if best is None or (start, -room) > best[:2]:
                    best = start, -room, choice.chamber
        assert best is not None
        return best[2], best[0]


def _covered(chosen: Flags, first: Counts, last: Counts) -> Flags:
    """The positions that lie within [first, last] of at least one chosen position."""
    opening = np.flatnonzero(chosen & (first <= last))
    size = len(chosen)
    change = np.bincount(first[opening], minlength=size + 1) - np.bincount(last[opening] + 1, minlength=size + 1)
    return np.asarray(np.cumsum(change)[:size] > 0, dtype=np.bool_)
