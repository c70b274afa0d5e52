"""How many loads have begun and ended each soak by when: a model of counts instead of single loads.

For loads that are alike let A_k(t) and B_k(t) be how many have begun and ended soak k by tick t. Taking them in turn, the
i-th to begin a soak is the i-th to end it, so that soaks of a to b ticks and transfers up to c ticks mean
B_k(t) <= A_k(t - a), A_k(t - b) <= B_k(t), A_k+1(t) <= B_k(t) <= A_k+1(t + c). Coupons in chambers of one kind are the sum
of A_k - B_k over their soaks. Chambers of one kind are taken together, so this is a relaxation of the plan; with loads
alike it is nearly the plan itself, and far stronger than a model of single bookings, because the staffed hours enter as
ticks. For cumulative counts as such see M. Queyranne and A. S. Schulz, "Polyhedral approaches to machine
scheduling" (1994), section on time-indexed formulations.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from ortools.sat.python import cp_model

from labbench.science.scheduling.grid import Census, Grid, Kin, Pace
from labbench.science.scheduling.lab import CYCLER, STEP_KINDS, Booking, Lab, Profile
from labbench.science.scheduling.runs import Limits, run_solver


@dataclass(slots=True)
class Counting:
    """The counts of one lab on one grid, up to the tick at which all loads must have ended."""

    lab: Lab
    census: Census
    grid: Grid
    last: int
    keeps_due: bool
    kins: tuple[Kin, ...] = field(init=False)
    paces: dict[Profile, Pace] = field(init=False)
    model: cp_model.CpModel = field(init=False, default_factory=cp_model.CpModel)
    begun: list[list[list[cp_model.IntVar]]] = field(init=False, default_factory=list)
    ended: list[list[list[cp_model.IntVar]]] = field(init=False, default_factory=list)
    runs: dict[tuple[int, int, int], cp_model.IntVar] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.kins = self.census.kins
        self.paces = {kin.profile: self.grid.pace_of(kin.profile) for kin in self.kins}
        self._count_runs()
        for number, kin in enumerate(self.kins):
            self._count_soaks(number, kin)
        self._bound_places()

    def solve(
        self, limits: Limits, seed: int, stop: Callable[[], bool]
    ) -> tuple[cp_model.CpSolverStatus, cp_model.CpSolver]:
        """The solver's status and the solver with its answer."""
        return run_solver(self.model, limits, seed=seed, stop=stop)

    def seek_least_total_time(self) -> None:
        """Ask for the least sum of the loads' ends as well."""
        gaps = np.diff(self.grid.ticks[: self.last + 1])
        missing = [
            int(gap) * kin.chains[0].load.priority * (kin.loads - self.ended[number][-1][place])
            for number, kin in enumerate(self.kins)
            for place, gap in enumerate(gaps)
        ]
        self.model.minimize(sum(missing))

    def _count_runs(self) -> None:
        """Runs of cyclers: one at a time in each, whole profiles of loads that begin together."""
        ticks = self.grid.ticks
        for chamber in self.lab.chambers_for(CYCLER):
            starts = []
            for profile, pace in self.paces.items():
                for place in range(self.last + 1):
                    if ticks[place] + pace.run > ticks[self.last] or not self._run_is_open(chamber, place, pace.run):
                        continue
                    begins = self.model.new_bool_var("")
                    starts.append((place, pace.run, begins))
                    coupons = self._run_coupons(chamber, place, profile)
                    fill = self.census.largest_fill(self.lab.chambers[chamber].capacity)
                    self.model.add(coupons <= fill * begins)
            for place in dict.fromkeys(place for place, _, _ in starts):
                under_way = [begins for at, run, begins in starts if 0 <= ticks[place] - ticks[at] < max(run, 1)]
                self.model.add_at_most_one(under_way)

    def _run_coupons(self, chamber: int, place: int, profile: Profile) -> cp_model.LinearExprT:
        """Coupons in a run of a cycler that begins at a place of the grid."""
        coupons: list[cp_model.LinearExprT] = []
        for number, kin in enumerate(self.kins):
            if kin.profile == profile and self.grid.ticks[place] >= self.grid.tick_from(kin.ready_minutes):
                count = self.model.new_int_var(0, kin.loads, "")
                self.runs[number, chamber, place] = count
                coupons.append(kin.coupons * count)
        return sum(coupons)

    def _run_is_open(self, chamber: int, place: int, run: int) -> bool:
        end = int(self.grid.ticks[place]) + run
        is_moved_at_end = self.grid.ticks[self.grid.last_at(end)] == end or self.grid.is_relaxed
        during = self.grid.open_places[chamber, place : int(self.grid.last_at(end - 1)) + 1]
        return bool(is_moved_at_end and np.all(during >= self.lab.chambers[chamber].capacity))

    def _count_soaks(self, number: int, kin: Kin) -> None:
        grid, model, size, pace = self.grid, self.model, self.last + 1, self.paces[kin.profile]
        whole = [count for (of, _, _), count in self.runs.items() if of == number]
        begun, ended = [], []
        for stage in range(len(kin.profile.stages)):
            begun.append([model.new_int_var(0, kin.loads, "") for _ in range(size)])
            ended.append([model.new_int_var(0, kin.loads, "") for _ in range(size)])
            for counts in (begun[-1], ended[-1]):
                for before, after in pairwise(counts):
                    model.add(before <= after)
            step = stage % len(kin.profile.steps)
            self._soak(begun[-1], ended[-1], pace.least[step], pace.most[step])
            if stage:
                self._transfer(ended[-2], begun[-1], pace.transfer)
        for place in range(size):
            if grid.ticks[place] < grid.tick_from(kin.ready_minutes):
                model.add(begun[0][place] == 0)
        model.add(ended[-1][-1] + sum(whole) == kin.loads)
        model.add(begun[0][-1] + sum(whole) == kin.loads)
        if self.keeps_due and kin.due_minutes is not None:
            self._keep_due(number, kin, ended[-1])
        self.begun.append(begun)
        self.ended.append(ended)

    def _keep_due(self, number: int, kin: Kin, ended: list[cp_model.IntVar]) -> None:
        assert kin.due_minutes is not None
        due = self.grid.tick_of(kin.due_minutes)
        in_time = [
            count
            for (of, _, place), count in self.runs.items()
            if of == number and self.grid.ticks[place] + self.paces[kin.profile].run <= due
        ]
        place = min(int(self.grid.last_at(due)), self.last)
        self.model.add((ended[place] if place >= 0 else 0) + sum(in_time) == kin.loads)

    def _soak(self, begun: list[cp_model.IntVar], ended: list[cp_model.IntVar], least: int, most: int) -> None:
        ticks = self.grid.ticks[: self.last + 1]
        before = self.grid.last_at(ticks - least)
        after = np.minimum(self.grid.last_at(ticks + most), self.last)
        for place in range(self.last + 1):
            self.model.add(ended[place] <= (begun[before[place]] if before[place] >= 0 else 0))
            self.model.add(begun[place] <= ended[after[place]])

    def _transfer(self, ended: list[cp_model.IntVar], begun: list[cp_model.IntVar], most: int) -> None:
        after = np.minimum(self.grid.last_at(self.grid.ticks[: self.last + 1] + most), self.last)
        for place in range(self.last + 1):
            self.model.add(begun[place] <= ended[place])
            self.model.add(ended[place] <= begun[after[place]])

    def _bound_places(self) -> None:
        """What is in all chambers of a kind together fits them: in coupons, and in loads of at least some size."""
        sizes = sorted({kin.coupons for kin in self.kins})
        for kind in STEP_KINDS:
            stages = [[s for s, stage in enumerate(kin.profile.stages) if stage.kind == kind] for kin in self.kins]
            chambers = self.lab.chambers_for(kind)
            if not any(stages):
                continue
            inside = [
                [sum(self.begun[n][s][place] - self.ended[n][s][place] for s in of) for n, of in enumerate(stages)]
                for place in range(self.last + 1)
            ]
            for place in range(self.last + 1):
                free = [int(self.grid.open_places[chamber, place]) for chamber in chambers]
                coupons = sum(kin.coupons * count for kin, count in zip(self.kins, inside[place], strict=True))
                self.model.add(coupons <= sum(self.census.largest_fill(places) for places in free))
                for size in sizes if len(sizes) > 1 else ():
                    large = sum(c for kin, c in zip(self.kins, inside[place], strict=True) if kin.coupons >= size)
                    self.model.add(large <= sum(places // size for places in free))

    def bookings(self, solver: cp_model.CpSolver) -> list[Booking]:
        """The counts as bookings of single loads, first come first served; soaks have no chamber yet (an empty name)."""
        found = []
        for number, kin in enumerate(self.kins):
            left = list(kin.chains)
            for (of, chamber, place), count in self.runs.items():
                for _ in range(solver.value(count) if of == number else 0):
                    start = self.grid.minutes_of(place)
                    name = self.lab.chambers[chamber].name
                    end = start + kin.profile.cycler_minutes
                    found.append(Booking(left.pop().load.name, None, None, name, start, end))
            for stage in range(len(kin.profile.stages)):
                begins, ends = (
                    self._moments(solver, self.begun[number][stage]),
                    self._moments(solver, self.ended[number][stage]),
                )
                round_, step = divmod(stage, len(kin.profile.steps))
                name = kin.profile.steps[step].name
                for chain, begin, end in zip(left, begins, ends, strict=True):
                    found.append(Booking(chain.load.name, round_ + 1, name, "", begin, end))
        return found

    def _moments(self, solver: cp_model.CpSolver, counts: list[cp_model.IntVar]) -> list[int]:
        values = np.array([solver.value(count) for count in counts])
        gained = np.diff(values, prepend=0)
        return [self.grid.minutes_of(int(place)) for place in np.repeat(np.arange(len(values)), gained)]
