"""Plans spell by spell: as much as goes through each, in whole loads, and what is left as early as it can in the last.

Between spells nothing is under way (`spells`), so each is planned by itself: counts in whole numbers say which loads go through it
and when they move, then each booking gets its chamber. A load for which the chambers one by one have no place, though together they have,
is put in where it fits, or waits for the next spell.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from ortools.sat.python import cp_model

from labbench.science.scheduling.chains import Chain, Taken
from labbench.science.scheduling.counting_shares import SharesOfLoads
from labbench.science.scheduling.counts import begun_places, booked_places
from labbench.science.scheduling.grid import Census, Grid, Kin, census, grid, tick_minutes
from labbench.science.scheduling.hours import staffed_hours
from labbench.science.scheduling.insertion import Counts, Timetable
from labbench.science.scheduling.lab import Booking, Lab, Profile
from labbench.science.scheduling.runs import Limits, run_solver
from labbench.science.scheduling.search import Search
from labbench.science.scheduling.spells import Spell, Weighing, spells_of, worths_of_sizes

# Variables of one question at most, how long a tick may get to that end; beyond, there is no plan from here.
MOST_VARIABLES = 9_000
LONGEST_TICK = 60
# Deterministic units that a question in whole numbers counts as, for each variable.
WHOLE_WORK_PER_VARIABLE = 4e-5
# Which share of the time left one such question may take, and how many are asked about the end of the last spell.
TIME_SHARE = 0.5
MOST_END_QUESTIONS = 5
# How often loads are counted into one spell: again where some of those counted found no place.
MOST_FILLINGS = 2
# So few loads left are looked a place for in the spells before as well.
FEW_LEFT = 5
# A load that would be late counts as more than all coupons.
LATE_WEIGHT = 1000.0
# How much of the least step between sums of weights may be left open, or else which share of the sum.
ENOUGH = 0.9
NEAR_ENOUGH = 0.02
PLACING_WORK = 0.05

GroupKey = tuple[Profile, int, int, bool]
Placed = dict[str, tuple[Booking, ...]]


def plan_by_spells(search: Search, weighing: Weighing | None) -> None:
    """Offer a plan made spell by spell; what is weighed is what a place in an early spell is worth."""
    waiting = [chain for chain in search.chains if chain.may_cycle]
    if weighing is None or search.previous or search.is_over:
        return
    spells = spells_of(search.lab, search.best.makespan_minutes)
    taken = (*search.taken, *begun_places(search))
    planner = _Planner(search, taken, weighing, list(waiting), spells)
    if planner.is_feasible_size:
        planner.plan()
        if not planner.left:
            search.offer({**search.bookings, **planner.bookings})


@dataclass(slots=True)
class _Planner:
    """The loads that have no place yet, and the bookings of those that have."""

    search: Search
    taken: tuple[Taken, ...]
    weighing: Weighing
    left: list[Chain]
    spells: tuple[Spell, ...]
    bookings: Placed = field(init=False, default_factory=dict)
    clock: Grid | None = field(init=False, default=None)
    known: dict[object, Counts] = field(init=False, default_factory=dict)
    coupons: dict[str, int] = field(init=False)
    worths: list[Weighing] = field(init=False)

    def __post_init__(self) -> None:
        lab, horizon = self.search.lab, self.search.best.makespan_minutes
        self.worths = worths_of_sizes(lab, self.left)
        self.coupons = {chain.load.name: chain.load.coupons for chain in self.left}
        minutes = staffed_hours(lab, horizon).minutes
        longest = max(
            int(np.count_nonzero((minutes >= spell.first_minutes) & (minutes <= spell.last_minutes)))
            for spell in self.spells
        )
        kins = max(len(self._groups(spell)) for spell in self.spells)
        stages = max(len(profile.stages) for profile in lab.profiles)
        tick = tick_minutes(lab, horizon, 1)
        while 2 * kins * stages * longest / tick > MOST_VARIABLES and tick < LONGEST_TICK:
            tick *= 2
        if 2 * kins * stages * longest / tick <= 2 * MOST_VARIABLES:
            self.clock = grid(lab, self.taken, horizon, tick, is_relaxed=False)

    @property
    def is_feasible_size(self) -> bool:
        """Whether the questions are small enough to be answered soon."""
        return self.clock is not None

    def plan(self) -> None:
        """Go through the spells until no load is left, or the time is over."""
        for number, spell in enumerate(self.spells):
            if len(self.left) <= FEW_LEFT:
                # A gap between ticks may do for them.
                for before in self.spells[:number]:
                    self._insert(before)
            for _ in range(MOST_FILLINGS):
                ready = any(chain.first_start[0] <= spell.last_minutes for chain in self.left)
                if not ready or self.search.is_over or self._fill(spell):
                    break

    def _fill(self, spell: Spell) -> bool:
        """Put loads into a spell, beside those that are there; whether it holds what it can."""
        assert self.clock is not None
        part = self.clock.between(spell.first_minutes, spell.last_minutes)
        if not len(part.ticks):
            return True
        if len(self.left) == 1 and self._insert(spell):
            return True
        program = self._program(spell, part, len(part.ticks) - 1)
        values = self._most_of(program, spell, part)
        if values is None:
            self._insert(spell)
            return True
        counted = int(values[program.counted].sum())
        if counted == len(self.left):
            # Everything that is left goes through: the last spell.
            program, values = self._soonest(spell, part, program, values)
        is_whole = self._place(spell, program.bookings(values)) == counted
        if not is_whole:
            horizon = self.search.best.makespan_minutes
            taken = (*self.taken, *booked_places(self.search.lab, self.bookings))
            self.clock = grid(self.search.lab, taken, horizon, self.clock.tick_minutes, is_relaxed=False)
        return is_whole

    @property
    def _least_step(self) -> int:
        return math.gcd(*(self.weighing.of(chain) for chain in self.left)) or 1

    def _groups(self, spell: Spell) -> dict[GroupKey, list[Chain]]:
        """The loads left that may begin in a spell, by what they have in common; those due first are first."""
        groups: dict[GroupKey, list[Chain]] = {}
        later = [one.first_minutes for one in self.spells if one.first_minutes > spell.last_minutes]
        for chain in sorted(self.left, key=lambda c: (c.load.due_minutes or 2**40, -c.load.priority)):
            start = max(chain.first_start[0], spell.first_minutes)
            if start <= spell.last_minutes:
                due = chain.load.due_minutes
                is_pressing = due is not None and bool(later) and due < later[0] + spell.last_minutes - start
                groups.setdefault((chain.profile, chain.load.coupons, start, is_pressing), []).append(chain)
        return groups

    def _program(self, spell: Spell, part: Grid, last: int) -> SharesOfLoads:
        groups = self._groups(spell)
        kins = tuple(
            Kin(tuple(alike), profile, coupons, start, None, len(alike))
            for (profile, coupons, start, _), alike in groups.items()
        )
        worths = tuple((dict(one.worth), one.most_in(self.left)) for one in self.worths)
        counted = Census(kins, census(self.left).largest_fill, worths)
        return SharesOfLoads(self.search.lab, counted, part, last, keeps_due=False, is_partial=True)

    def _weights(self, spell: Spell) -> list[float]:
        return [
            self.weighing.of(alike[0])
            + coupons / 1000
            + (LATE_WEIGHT * sum(c.load.priority for c in alike) / len(alike) if is_pressing else 0.0)
            for (_, coupons, _, is_pressing), alike in self._groups(spell).items()
        ]

    def _most_of(self, program: SharesOfLoads, spell: Spell, part: Grid) -> Counts | None:
        """Counts with the most weight; those of a spell before where its hours, chambers and loads are the same."""
        kins = program.census.kins
        key = (
            (part.ticks - part.ticks[0]).tobytes(),
            part.open_places.tobytes(),
            tuple((kin.profile, kin.coupons, kin.ready_minutes - spell.first_minutes) for kin in kins),
            tuple(pressing for _, _, _, pressing in self._groups(spell)),
        )
        known = self.known.get(key)
        if known is not None and all(
            known[counted] <= kin.loads for counted, kin in zip(program.counted, kins, strict=True)
        ):
            return known
        weights = self._weights(spell)
        most = program.most(weights, seconds=self.search.until - time.monotonic())
        if most is None:
            return None
        # Less than the least step between sums of weights is no reason to search on.
        step = LATE_WEIGHT if any(weight >= LATE_WEIGHT for weight in weights) else self._least_step
        values = self._whole(program, weights, near=max(ENOUGH * step / max(most, 1.0), NEAR_ENOUGH))
        if values is not None:
            self.known[key] = values
        return values

    def _whole(
        self, program: SharesOfLoads, weights: Sequence[float], *, near: float = 1.0, is_all: bool = False
    ) -> Counts | None:
        search = self.search
        search.work -= WHOLE_WORK_PER_VARIABLE * program.variables
        seconds = max((search.until - time.monotonic()) * TIME_SHARE, 0.1)
        answer = program.whole(weights, seconds=seconds, near=near, is_all=is_all)
        search.is_cut |= answer.is_cut
        # What the clock cut off would be another plan each time.
        return None if answer.is_cut else answer.values

    def _soonest(
        self, spell: Spell, part: Grid, program: SharesOfLoads, values: Counts
    ) -> tuple[SharesOfLoads, Counts]:
        """The counts with which all that is left ends first."""
        ones = [1.0] * len(program.census.kins)
        # No plan ends before the bound, and this is its last spell.
        bound = int(part.last_at(part.tick_of(self.search.bound_minutes)))
        low, high = max(bound, 0), _last_tick(program, values)
        while low < high:  # what even shares of loads don't reach
            middle = (low + high) // 2
            most = self._program(spell, part, middle).most(ones, seconds=self.search.until - time.monotonic())
            if most is not None and most < len(self.left):
                low = middle + 1
            else:
                high = middle
        high, place = _last_tick(program, values), low
        for _ in range(MOST_END_QUESTIONS):
            if low >= high or self.search.is_over:
                break
            shorter = self._program(spell, part, place)
            found = self._whole(shorter, ones, is_all=True)
            if found is None:
                low = place + 1
            else:
                program, values, high = shorter, found, _last_tick(shorter, found)
            place = (low + high) // 2
        return program, values

    def _place(self, spell: Spell, bookings: Sequence[Booking]) -> int:
        """Give each booking a chamber; loads for which there is none are put in where they fit. How many have a place."""
        search = self.search
        by_load: dict[str, list[Booking]] = {}
        for booking in bookings:
            by_load.setdefault(booking.load, []).append(booking)
        taken = (*self.taken, *booked_places(search.lab, self.bookings))
        placed, without = placed_bookings(search.lab, by_load, taken, spell.last_minutes)
        if without:
            placed = _placed_exactly(search, by_load, taken, spell.last_minutes) or placed
        chains = {chain.load.name: chain for chain in self.left}
        self._keep(placed)
        missing = [chains[name] for name in by_load if name not in placed]
        return len(placed) + (self._insert(spell, missing) if missing else 0)

    def _insert(self, spell: Spell, chains: Sequence[Chain] | None = None) -> int:
        """Put loads, or all that are left, where each ends first in a spell; how many found a place."""
        search, placed = self.search, dict[str, tuple[Booking, ...]]()
        timetable = Timetable(search.lab, spell.last_minutes, self.taken)
        for name, of_load in self.bookings.items():
            timetable.add(of_load, self.coupons[name])
        refused: set[tuple[object, ...]] = set()
        for chain in self.left if chains is None else chains:
            start = max(chain.first_start[0], spell.first_minutes)
            alike = chain.profile, chain.load.coupons, start
            if alike in refused or start > spell.last_minutes:
                continue
            found = timetable.earliest(replace(chain, first_start=(start, chain.first_start[1])))
            if found is None:
                refused.add(alike)
            else:
                timetable.add(found, chain.load.coupons)
                placed[chain.load.name] = found
        self._keep(placed)
        return len(placed)

    def _keep(self, placed: Placed) -> None:
        self.bookings |= placed
        self.left = [chain for chain in self.left if chain.load.name not in placed]


def _last_tick(program: SharesOfLoads, values: Counts) -> int:
    """The place of the tick at which the last load ends."""
    places = [0]
    for number, kin in enumerate(program.census.kins):
        ended = values[program.ended[number][-1]]
        if ended[-1]:
            places.append(int(np.searchsorted(ended, ended[-1])))
        for _, place, variable in program.whole_runs[number]:
            if values[variable]:
                run = program.grid.pace_of(kin.profile).run
                places.append(int(program.grid.last_at(int(program.grid.ticks[place]) + run)))
    return max(places)


def placed_bookings(
    lab: Lab, by_load: dict[str, list[Booking]], taken: tuple[Taken, ...], horizon_minutes: int
) -> tuple[Placed, list[str]]:
    """Bookings of loads with a chamber each, where it is filled best, in order of their start; and which loads got none."""
    timetable = Timetable(lab, horizon_minutes, taken)
    coupons = {load.name: load.coupons for load in lab.loads}
    kinds = {(load.name, step.name): step.kind for load in lab.loads for step in lab.profile_of(load).steps}
    found: dict[str, list[Booking]] = {}
    without: list[str] = []
    all_bookings = [booking for of_load in by_load.values() for booking in of_load]
    for booking in sorted(all_bookings, key=lambda b: (b.start_minutes, -coupons[b.load], b.end_minutes, b.load)):
        if booking.load in without:
            continue
        size = coupons[booking.load]
        best: tuple[int, Booking] | None = None
        if booking.step is None:
            best = 0, booking
        else:
            for chamber in lab.chambers_for(kinds[booking.load, booking.step], size):
                used = timetable.used[chamber, booking.start_minutes : booking.end_minutes]
                room = lab.chambers[chamber].capacity - int(used.max(initial=0)) - size
                if room >= 0 and (best is None or room < best[0]):
                    best = room, replace(booking, chamber=lab.chambers[chamber].name)
        if best is None:
            without.append(booking.load)
            for one in found.pop(booking.load, []):
                timetable.add((one,), -size)
        else:
            timetable.add((best[1],), size)
            found.setdefault(booking.load, []).append(best[1])
    return {name: tuple(of_load) for name, of_load in found.items()}, without


def _placed_exactly(
    search: Search, by_load: dict[str, list[Booking]], taken: tuple[Taken, ...], horizon_minutes: int
) -> Placed | None:
    """A chamber for each booking of as many coupons as there is a way for with these times."""
    lab, model = search.lab, cp_model.CpModel()
    stays = {name: model.new_bool_var("") for name in by_load}
    coupons = {load.name: load.coupons for load in lab.loads}
    kinds = {(load.name, step.name): step.kind for load in lab.loads for step in lab.profile_of(load).steps}
    free = Timetable(lab, horizon_minutes, taken)
    inside: dict[int, list[tuple[cp_model.IntervalVar, int]]] = {}
    choices: dict[Booking, dict[int, cp_model.IntVar]] = {}
    for of_load in by_load.values():
        for booking in of_load:
            if booking.step is None:
                continue
            size, length = coupons[booking.load], booking.end_minutes - booking.start_minutes
            choices[booking] = {}
            for chamber in lab.chambers_for(kinds[booking.load, booking.step], size):
                used = free.used[chamber, booking.start_minutes : booking.end_minutes]
                if int(used.max(initial=0)) + size <= lab.chambers[chamber].capacity:
                    here = model.new_bool_var("")
                    choices[booking][chamber] = here
                    interval = model.new_optional_fixed_size_interval_var(booking.start_minutes, length, here, "")
                    inside.setdefault(chamber, []).append((interval, size))
            model.add(sum(choices[booking].values()) == stays[booking.load])
    model.maximize(sum(coupons[name] * here for name, here in stays.items()))
    for chamber, of_chamber in inside.items():
        used = free.used[chamber]
        edges = np.flatnonzero(np.diff(used, prepend=0, append=0))
        for low, high in pairwise(edges):
            if used[low]:
                interval = model.new_fixed_size_interval_var(int(low), int(high - low), "")
                of_chamber.append((interval, min(int(used[low]), lab.chambers[chamber].capacity)))
        model.add_cumulative([i for i, _ in of_chamber], [c for _, c in of_chamber], lab.chambers[chamber].capacity)
    status, solver = run_solver(
        model, Limits(min(PLACING_WORK, search.work), search.until), seed=search.seed, stop=search.is_stopped
    )
    search.work -= solver.response_proto.deterministic_time
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None
    found: dict[str, list[Booking]] = {}
    for name, of_load in by_load.items():
        for booking in of_load if solver.value(stays[name]) else ():
            place = next((at for at, here in choices.get(booking, {}).items() if solver.value(here)), None)
            found.setdefault(name, []).append(
                booking if place is None else replace(booking, chamber=lab.chambers[place].name)
            )
    return {name: tuple(sorted(of_load, key=lambda b: b.start_minutes)) for name, of_load in found.items()}
