"""Lower bounds of the makespan that need no search: the longest way of a load alone, and how often a place can be used.

A chamber of c places that never holds more than c coupons can be seen as c places that hold one coupon after another
(intervals of which at most c overlap can be coloured with c colours). How many soaks one place can take by a given
minute follows from the staffed hours: over night it may be one, over a weekend none. If all places together can't take the
soaks there are, the plan is longer. The same holds for the loads of at least some size, with as many places as such loads
fit in. Every end counts with the time that the soaks after it take.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from labbench.science.scheduling.chains import Chain, Taken
from labbench.science.scheduling.hours import Minutes
from labbench.science.scheduling.insertion import Timetable
from labbench.science.scheduling.lab import CYCLER, STEP_KINDS, Lab, Profile, ProfileStep
from labbench.science.scheduling.packing import largest_fill

MOST_READY_DATES = 12


def alone_ends(
    lab: Lab, chains: Sequence[Chain], taken: tuple[Taken, ...], horizon_minutes: int
) -> dict[str, int | None]:
    """When each load would end if it were alone: no plan ends it earlier; None if it has no place at all."""
    timetable = Timetable(lab, horizon_minutes, taken)
    known: dict[tuple[object, ...], int | None] = {}
    ends: dict[str, int | None] = {}
    for chain in chains:
        key = (
            chain.profile,
            chain.load.coupons,
            chain.first_stage,
            chain.first_start,
            chain.open_chamber,
            chain.open_end,
            chain.done,
        )
        if key not in known:
            bookings = timetable.earliest(chain)
            known[key] = bookings[-1].end_minutes if bookings else None
        ends[chain.load.name] = known[key]
    return ends


@dataclass(frozen=True, slots=True)
class _Places:
    """Soaks that places can end, as (what they add up to, earliest makespan with them) in any order."""

    gains: Minutes
    makespans: Minutes


def places_bound(lab: Lab, chains: Sequence[Chain], taken: tuple[Taken, ...], horizon_minutes: int) -> int:
    """The least makespan with which the places of every kind of chamber can take all soaks; at most the horizon."""
    timetable = Timetable(lab, horizon_minutes, taken)
    if not len(timetable.minutes):
        return 0
    bound = 0
    waiting = [chain for chain in chains if chain.open_chamber is None]
    ready = sorted({chain.first_start[0] for chain in waiting})
    for earliest in ready[:: max(1, len(ready) // MOST_READY_DATES)]:
        later = [chain for chain in waiting if chain.first_start[0] >= earliest]
        for kind in STEP_KINDS:
            mine = [chain for chain in later if any(step.kind == kind for step in chain.profile.steps)]
            if mine:
                bound = max(bound, _kind_bound(timetable, mine, kind, earliest))
    return bound


def _kind_bound(timetable: Timetable, chains: Sequence[Chain], kind: str, earliest: int) -> int:
    lab = timetable.lab
    profiles = tuple(dict.fromkeys(chain.profile for chain in chains))
    left = {
        chain.load.name: [s.kind for s in chain.profile.stages[chain.first_stage :]].count(kind) for chain in chains
    }
    sizes = sorted({chain.load.coupons for chain in chains})
    loads = tuple((size, sum(chain.load.coupons == size for chain in chains)) for size in sizes)
    first = earliest
    if not any(chain.first_stage for chain in chains):
        first = min(_after(timetable, earliest, _before_kind(profile, kind)) for profile in profiles)
    steps = [step for profile in profiles for step in profile.steps if step.kind == kind]
    length = min(profile.cycler_minutes for profile in profiles)
    ends = {chamber: _soak_ends(timetable, chamber, steps, first) for chamber in lab.chambers_for(kind, sizes[0])}
    runs = {chamber: _run_ends(timetable, chamber, length, earliest) for chamber in lab.chambers_for(CYCLER, sizes[0])}
    tails = {
        chamber: np.minimum.reduce([_after_each(timetable, times, _after_kind(one, kind)) for one in profiles])
        for chamber, times in ends.items()
    }
    per_load = max([stage.kind for stage in profile.stages].count(kind) for profile in profiles)

    def bound(work: int, gain_of: dict[int, int]) -> int:
        gains = [np.full(len(tails[c]), gain_of[c], dtype=np.int64) for c in tails]
        gains += [np.full(len(runs[c]), gain_of[c] * per_load, dtype=np.int64) for c in runs]
        return _least_time(
            _Places(np.concatenate(gains), np.concatenate([*tails.values(), *runs.values()])), work, timetable
        )

    if not ends and not runs:
        return 0
    chambers = (*ends, *runs)
    coupons = sum(chain.load.coupons * left[chain.load.name] for chain in chains)
    best = bound(coupons, {c: largest_fill(loads, lab.chambers[c].capacity) for c in chambers})
    for size in sizes:
        large = sum(left[chain.load.name] for chain in chains if chain.load.coupons >= size)
        best = max(best, bound(large, {c: lab.chambers[c].capacity // size for c in chambers}))
    return best


def _before_kind(profile: Profile, kind: str) -> tuple[ProfileStep, ...]:
    """The soaks before the first of a kind."""
    return profile.stages[: [stage.kind for stage in profile.stages].index(kind)]


def _after_kind(profile: Profile, kind: str) -> tuple[ProfileStep, ...]:
    """The soaks after the last of a kind."""
    stages = profile.stages
    return stages[len(stages) - [stage.kind for stage in stages][::-1].index(kind) :]


def _least_time(places: _Places, work: int, timetable: Timetable) -> int:
    """The first makespan by which the gains add up to the work."""
    order = np.argsort(places.makespans, kind="stable")
    enough = np.flatnonzero(np.cumsum(places.gains[order]) >= work)
    if not work:
        return 0
    return int(places.makespans[order][enough[0]]) if len(enough) else timetable.horizon_minutes


def _soak_ends(timetable: Timetable, chamber: int, steps: Sequence[ProfileStep], first: int) -> Minutes:
    """Ends of the most soaks that one place of a chamber can take one after another."""
    least, most = min(step.min_minutes for step in steps), max(step.max_minutes for step in steps)
    minutes = timetable.minutes
    free = timetable.free_until(timetable.used[chamber] >= timetable.lab.chambers[chamber].capacity)
    return _chained(minutes, _first_ends(minutes, free[minutes], least, most), first)


def _run_ends(timetable: Timetable, chamber: int, length: int, first: int) -> Minutes:
    minutes = timetable.minutes
    free = timetable.free_until(timetable.used[chamber] > 0)
    return _chained(minutes, _first_ends(minutes, free[minutes], length, length), first)


def _first_ends(minutes: Minutes, free: Minutes, least: int, most: int) -> Minutes:
    """The first end that each start, or a later one, allows; beyond all minutes if there is none."""
    never = int(minutes[-1]) + 1
    place = np.searchsorted(minutes, minutes + least)
    end = np.where(place < len(minutes), minutes[np.minimum(place, len(minutes) - 1)], never)
    end = np.where((place < len(minutes)) & (end <= minutes + most) & (end <= free), end, never)
    return np.asarray(np.minimum.accumulate(end[::-1])[::-1], dtype=np.int64)


def _chained(minutes: Minutes, first_ends: Minutes, first: int) -> Minutes:
    ends = []
    place = int(np.searchsorted(minutes, first))
    while place < len(minutes) and first_ends[place] <= minutes[-1]:
        ends.append(int(first_ends[place]))
        place = int(np.searchsorted(minutes, ends[-1]))
    return np.array(ends, dtype=np.int64)


def _after(timetable: Timetable, moment: int, stages: Sequence[ProfileStep]) -> int:
    """When the soaks after a moment end at the earliest, with a chamber always free."""
    return int(_after_each(timetable, np.array([moment], dtype=np.int64), stages)[0])


def _after_each(timetable: Timetable, moments: Minutes, stages: Sequence[ProfileStep]) -> Minutes:
    minutes = timetable.minutes
    for stage in stages:
        place = np.searchsorted(minutes, moments)
        moments = np.where(
            place < len(minutes), minutes[np.minimum(place, len(minutes) - 1)], timetable.horizon_minutes
        )
        place = np.searchsorted(minutes, moments + stage.min_minutes)
        moments = np.where(
            place < len(minutes), minutes[np.minimum(place, len(minutes) - 1)], timetable.horizon_minutes
        )
    return np.asarray(moments, dtype=np.int64)
