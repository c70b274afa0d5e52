"""A coarse clock for counting loads: which ticks can be staffed, how long soaks are in ticks, what capacity there is.

Two roundings. *Relaxed*: every time of a plan is rounded down to its tick. Then a soak of at least a minutes takes at least
floor(a / g) ticks, one of at most b minutes at most ceil(b / g), and all bookings that cover a tick hold its last minute in
common, so that the chambers' capacity at that minute bounds them together. Whatever keeps all rules in minutes so keeps
the relaxed ones in ticks: what is impossible there is impossible. *Strict*: ticks are minutes on the grid, soaks are
rounded inwards and capacity is the least within a tick, so that what is possible there is possible.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from labbench.science.scheduling.chains import FAR_MINUTES, Chain, Taken
from labbench.science.scheduling.hours import staffed_hours
from labbench.science.scheduling.insertion import Counts
from labbench.science.scheduling.lab import DAY_MINUTES, Lab, Profile
from labbench.science.scheduling.packing import largest_fill

TICKS_MINUTES = (60, 30, 20, 15)
MOST_COUNTERS = 40_000
MOST_SIZES = 6
MOST_DATES = 6


@dataclass(frozen=True, slots=True)
class Kin:
    """Loads that are alike: of one profile, as many coupons, ready and due together; `loads` of them, of `chains`."""

    chains: tuple[Chain, ...]
    profile: Profile
    coupons: int
    ready_minutes: int
    due_minutes: int | None
    loads: int


@dataclass(frozen=True, slots=True)
class Census:
    """All loads that are counted together, and how much of a chamber they can fill.

    `largest_fill` gives, for so many free places of one chamber, the most that fits in units of `Kin.coupons`. Each of `worths` does
    the same for other units: what a load of so many coupons is worth, and the most that fits.
    """

    kins: tuple[Kin, ...]
    largest_fill: Callable[[int], int]
    worths: tuple[tuple[Mapping[int, int], Callable[[int], int]], ...] = ()


@dataclass(frozen=True, slots=True)
class Pace:
    """A profile in ticks: the least and most of each step of a round, the longest transfer, a cycler's run."""

    least: tuple[int, ...]
    most: tuple[int, ...]
    transfer: int
    run: int


@dataclass(frozen=True, slots=True)
class Grid:
    """The coarse clock of a lab up to a horizon.

    Attributes
    ----------
    tick_minutes : int
    is_relaxed : bool
        Which rounding.
    ticks : (n,) int64
        Ticks at which something can be moved, ascending; tick 0 begins at midnight before the lab's start.
    open_places : (chambers, n) int64
        Coupon places of each chamber that are free of closures and firm bookings, from a tick until the next in `ticks`.
    """

    tick_minutes: int
    offset_minutes: int
    is_relaxed: bool
    ticks: Counts
    open_places: Counts

    def pace_of(self, profile: Profile) -> Pace:
        """The durations of a profile in ticks."""
        up, down = (math.floor, math.ceil) if self.is_relaxed else (math.ceil, math.floor)
        tick = self.tick_minutes
        return Pace(
            tuple(up(step.min_minutes / tick) for step in profile.steps),
            tuple(down(step.max_minutes / tick) for step in profile.steps),
            down(profile.max_transfer_minutes / tick),
            up(profile.cycler_minutes / tick),
        )

    def last_at(self, tick: Counts | int) -> Counts:
        """Position of the last of `ticks` not after a tick; -1 if there is none."""
        return np.asarray(np.searchsorted(self.ticks, tick, side="right") - 1, dtype=np.int64)

    def tick_of(self, minutes: int) -> int:
        """The tick of a minute after the lab's start, rounded down."""
        return (minutes + self.offset_minutes) // self.tick_minutes

    def tick_from(self, minutes: int) -> int:
        """The first tick at which something that is ready at a minute can start."""
        return self.tick_of(minutes) if self.is_relaxed else -(-(minutes + self.offset_minutes) // self.tick_minutes)

    def between(self, first_minutes: int, last_minutes: int) -> Grid:
        """The part of the clock from one minute to another, both included."""
        low, high = self.tick_of(first_minutes), self.tick_of(last_minutes)
        kept = (self.ticks >= low) & (self.ticks <= high)
        return replace(self, ticks=self.ticks[kept], open_places=self.open_places[:, kept])

    def minutes_of(self, position: int) -> int:
        """The minute after the lab's start at which a tick begins."""
        return int(self.ticks[position]) * self.tick_minutes - self.offset_minutes


def census(chains: Sequence[Chain]) -> Census:
    """The loads that have not begun, by what they have in common."""
    groups: dict[tuple[Profile, int, int, int | None], list[Chain]] = {}
    for chain in chains:
        if chain.may_cycle:
            key = chain.profile, chain.load.coupons, chain.first_start[0], chain.load.due_minutes
            groups.setdefault(key, []).append(chain)
    ordered = sorted(groups.items(), key=lambda item: str(item[0]))
    return Census(tuple(Kin(tuple(alike), *key, len(alike)) for key, alike in ordered), _fill_of(chains))


def single_census(chains: Sequence[Chain]) -> Census:
    """The same loads as single coupons of one group for each profile, ready with the first and due never."""
    waiting = [chain for chain in chains if chain.may_cycle]
    kins = []
    for profile in dict.fromkeys(chain.profile for chain in waiting):
        alike = tuple(chain for chain in waiting if chain.profile == profile)
        ready = min(chain.first_start[0] for chain in alike)
        kins.append(Kin(alike, profile, 1, ready, None, sum(chain.load.coupons for chain in alike)))
    return Census(tuple(kins), _fill_of(waiting))


def merged_censuses(chains: Sequence[Chain]) -> list[Census]:
    """The same loads in fewer groups: all as single coupons, and those of at least each size as loads of that size.

    A group is ready with the first of its loads and due with the last, so what is impossible for it is impossible.
    """
    waiting = [chain for chain in chains if chain.may_cycle]
    sizes = sorted({chain.load.coupons for chain in waiting})
    if not waiting:
        return []
    found = [Census(_by_dates(waiting, lambda alike: sum(c.load.coupons for c in alike)), _fill_of(waiting))]
    for size in sizes[:: max(1, len(sizes) // MOST_SIZES)]:
        large = [chain for chain in waiting if chain.load.coupons >= size]
        found.append(Census(_by_dates(large, len), lambda places, size=size: places // size))  # type: ignore[misc]
    return found


def _by_dates(chains: Sequence[Chain], count: Callable[[list[Chain]], int]) -> tuple[Kin, ...]:
    """Kins of single coupons, or of loads as single places, by profile and dates."""
    profiles = dict.fromkeys(chain.profile for chain in chains)
    return tuple(
        Kin(tuple(alike), profile, 1, *dates, count(alike))
        for profile in profiles
        for dates, alike in _dated([chain for chain in chains if chain.profile == profile]).items()
    )


def _dated(chains: Sequence[Chain]) -> dict[tuple[int, int | None], list[Chain]]:
    groups: dict[tuple[int, int | None], list[Chain]] = {}
    for chain in chains:
        groups.setdefault((chain.first_start[0], chain.load.due_minutes), []).append(chain)
    if len(groups) > MOST_DATES:
        by_ready = sorted(chains, key=lambda chain: chain.first_start[0])
        share = -(-len(by_ready) // MOST_DATES)
        slices = [by_ready[place : place + share] for place in range(0, len(by_ready), share)]
        groups = {(alike[0].first_start[0], None): [] for alike in slices}
        for alike in slices:
            groups[alike[0].first_start[0], None] += alike
    return groups


def _fill_of(chains: Sequence[Chain]) -> Callable[[int], int]:
    counts = Counter(chain.load.coupons for chain in chains if chain.may_cycle)
    return partial(largest_fill, tuple(sorted(counts.items())))


def tick_minutes(lab: Lab, horizon_minutes: int, groups: int) -> int:
    """The longest tick that fits all durations, or a quarter of an hour; longer where there would be too many counters."""
    steps = [step for profile in lab.profiles for step in profile.steps]
    times = [minutes for step in steps for minutes in (step.min_minutes, step.max_minutes)]
    times += [minutes for window in lab.staffed or () for minutes in (window.from_minutes, window.to_minutes)]
    midnight = lab.start.hour * 60 + lab.start.minute
    times += [midnight + minutes for span in lab.staffed_spans or () for minutes in span]
    common = math.gcd(*times)
    tick = next((tick for tick in TICKS_MINUTES if common % tick == 0), TICKS_MINUTES[-1])
    share = len(staffed_hours(lab, horizon_minutes).minutes)
    most_stages = max(len(profile.stages) for profile in lab.profiles)
    while 2 * groups * most_stages * share / tick > MOST_COUNTERS and tick < DAY_MINUTES:
        tick *= 2
    return tick


def grid(lab: Lab, taken: tuple[Taken, ...], horizon_minutes: int, tick: int, *, is_relaxed: bool) -> Grid:
    """The coarse clock up to a horizon."""
    offset = lab.start.hour * 60 + lab.start.minute
    minutes = staffed_hours(lab, horizon_minutes).minutes + offset
    ticks = np.unique(minutes // tick) if is_relaxed else minutes[minutes % tick == 0] // tick
    return Grid(
        tick,
        offset,
        is_relaxed,
        ticks,
        _open_places(lab, taken, horizon_minutes, tick, offset, ticks, is_relaxed=is_relaxed),
    )


def _open_places(
    lab: Lab, taken: tuple[Taken, ...], horizon: int, tick: int, offset: int, ticks: Counts, *, is_relaxed: bool
) -> Counts:
    days = horizon + offset + 2 * tick
    free = np.empty((len(lab.chambers), len(ticks)), dtype=np.int64)
    if not len(ticks):
        return free
    for place, chamber in enumerate(lab.chambers):
        used = np.zeros(days + 1, dtype=np.int64)
        for one in taken:
            if one.chamber == place and one.from_minutes < horizon:
                used[one.from_minutes + offset : min(one.to_minutes, FAR_MINUTES) + offset] += one.coupons
        ticked = used[: days // tick * tick].reshape(-1, tick)
        by_tick = ticked[:, -1] if is_relaxed else ticked.max(axis=1)
        # From a tick to the next nothing moves: what is there must have a place in all the ticks between.
        most_used = np.maximum.reduceat(by_tick[: ticks[-1] + 1], ticks)
        free[place] = np.maximum(chamber.capacity - most_used, 0)
    return free
