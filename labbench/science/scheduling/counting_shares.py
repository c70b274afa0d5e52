"""The counts of loads with shares of a load allowed: a linear program, and so a bound that is found in a moment.

The same counts and rules as in `counting`, but not in whole numbers: what is impossible here is impossible there. It sees what follows
from hours and chains of soaks over weeks at once, where a search for whole numbers gets lost. Answered by HiGHS (Q. Huangfu and
J. A. J. Hall, "Parallelizing the dual revised simplex method", Mathematical Programming Computation 10 (2018), 119-142) in double
precision, with its tolerance of 1e-7 on each rule. Over a week or so the same solver finds whole numbers as well, and soon, because
the shares are nearly whole already.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from labbench.science.scheduling.grid import Census, Grid, Kin, Pace
from labbench.science.scheduling.insertion import Counts
from labbench.science.scheduling.lab import CYCLER, STEP_KINDS, Booking, Lab

Reals = npt.NDArray[np.float64]
# Of what HiGHS says: solved, and infeasible.
ANSWERS = {0: True, 2: False}
MOST_ITERATIONS = 40_000
# Of the search for whole numbers: how many nodes, and how near to the most is near enough.
MOST_NODES = 20
NEAR_MOST = 5e-4
# How far a sum of shares may be off before it is taken for less than the next whole number.
ROUNDING = 1e-4
# Deterministic units that a question counts as, for each variable: about as long as the constraint solver takes for them.
WORK_PER_VARIABLE = 6e-6


@dataclass(slots=True)
class Rules:
    """Rows of a sparse matrix, gathered in pieces: sums of variables that are at most, or exactly, a number."""

    rows: list[Counts] = field(default_factory=list)
    columns: list[Counts] = field(default_factory=list)
    shares: list[Reals] = field(default_factory=list)
    limits: list[Reals] = field(default_factory=list)
    count: int = 0

    def add(self, columns: Counts, shares: Reals, limits: Reals) -> None:
        """Rows of the same shape: `columns` (rows, terms), `shares` as many terms, `limits` as many rows."""
        rows, terms = columns.shape
        self.rows.append(np.repeat(np.arange(self.count, self.count + rows), terms))
        self.columns.append(columns.ravel())
        self.shares.append(np.broadcast_to(shares, columns.shape).ravel())
        self.limits.append(np.broadcast_to(limits, (rows,)).astype(np.float64))
        self.count += rows

    def add_one(self, columns: list[int], shares: list[float], limit: float) -> None:
        """One row."""
        self.add(np.array([columns], dtype=np.int64), np.array([shares]), np.array([limit]))

    def matrix(self, variables: int) -> tuple[Any, Any]:
        """The matrix and its limits; None and None without a row."""
        from scipy import sparse  # slow import

        if not self.count:
            return None, None
        where = np.concatenate(self.rows), np.concatenate(self.columns)
        return sparse.csr_matrix((np.concatenate(self.shares), where), (self.count, variables)), np.concatenate(
            self.limits
        )


@dataclass(frozen=True, slots=True)
class WholeCounts:
    """Counts in whole numbers: a value for each variable, or None; whether the clock ended the search for better ones."""

    values: Counts | None
    is_cut: bool


@dataclass(slots=True)
class SharesOfLoads:
    """The linear program of one census up to a tick at which all loads must have ended, or, `is_partial`, any of them."""

    lab: Lab
    census: Census
    grid: Grid
    last: int
    keeps_due: bool
    is_partial: bool = False
    variables: int = field(init=False, default=0)
    most_of: list[Reals] = field(init=False, default_factory=list)
    at_most: Rules = field(init=False, default_factory=Rules)
    exactly: Rules = field(init=False, default_factory=Rules)
    begun: list[Counts] = field(init=False, default_factory=list)  # by kin, (stages, ticks)
    ended: list[Counts] = field(init=False, default_factory=list)
    whole_runs: list[list[tuple[int, int, int]]] = field(init=False)  # by kin, (chamber, tick's place, variable)
    paces: list[Pace] = field(init=False)
    counted: Counts = field(init=False)  # by kin, how many loads go through all soaks; if `is_partial`

    def __post_init__(self) -> None:
        kins = self.census.kins
        self.counted = self._new(np.array([float(kin.loads) for kin in kins]) if self.is_partial else np.zeros(0))
        self.paces = [self.grid.pace_of(kin.profile) for kin in kins]
        self.whole_runs = [[] for _ in kins]
        self._add_runs()
        for number, kin in enumerate(kins):
            self._add_kin(number, kin)
        self._add_places()

    def is_possible(self) -> bool | None:
        """Whether the counts can be had; None if that was not found out."""
        from scipy import optimize  # slow import

        at_most, limits = self.at_most.matrix(self.variables)
        exactly, sums = self.exactly.matrix(self.variables)
        most = np.concatenate(self.most_of)
        # The interior-point method is the faster one here, the simplex method the one that always knows.
        for method in ("highs-ipm", "highs-ds"):
            found: Any = optimize.linprog(  # type: ignore[call-overload]
                np.zeros(self.variables),
                A_ub=at_most,
                b_ub=limits,
                A_eq=exactly,
                b_eq=sums,
                bounds=np.column_stack([np.zeros_like(most), most]),
                method=method,
                options={"maxiter": MOST_ITERATIONS},
            )
            if int(found.status) in ANSWERS:
                return ANSWERS[int(found.status)]
        return None

    def most(self, weights: Sequence[float], *, seconds: float) -> float | None:
        """An upper bound of the weights of the loads that can go through all soaks; None if none was found out in time."""
        from scipy import optimize  # slow import

        at_most, limits = self.at_most.matrix(self.variables)
        exactly, sums = self.exactly.matrix(self.variables)
        most = np.concatenate(self.most_of)
        for method in ("highs-ipm", "highs-ds"):
            found: Any = optimize.linprog(  # type: ignore[call-overload]
                -self._weighed(weights),
                A_ub=at_most,
                b_ub=limits,
                A_eq=exactly,
                b_eq=sums,
                bounds=np.column_stack([np.zeros_like(most), most]),
                method=method,
                options={"maxiter": MOST_ITERATIONS, "time_limit": max(seconds, 0.1)},
            )
            if int(found.status) == 0:
                return float(-found.fun) + ROUNDING
        return None

    def whole(
        self, weights: Sequence[float], *, seconds: float, near: float = NEAR_MOST, is_all: bool = False
    ) -> WholeCounts:
        """Whole numbers with nearly the largest weights, to a share of them; with `is_all` every load goes through all soaks."""
        from scipy import optimize  # slow import

        at_most, limits = self.at_most.matrix(self.variables)
        exactly, sums = self.exactly.matrix(self.variables)
        most = np.concatenate(self.most_of)
        least = np.zeros_like(most)
        if is_all:
            least[self.counted] = most[self.counted]
        found: Any = optimize.milp(
            -self._weighed(weights) if not is_all else np.zeros_like(most),
            constraints=[
                optimize.LinearConstraint(at_most, -np.inf, limits),
                optimize.LinearConstraint(exactly, sums, sums),
            ],
            integrality=np.ones(len(most), dtype=np.int64),
            bounds=optimize.Bounds(least, most),
            options={"time_limit": seconds, "node_limit": MOST_NODES, "mip_rel_gap": near},
        )
        values = None if found.x is None else np.rint(found.x).astype(np.int64)
        return WholeCounts(values, is_cut=int(found.status) == 1 and (found.mip_node_count or 0) < MOST_NODES)

    def _weighed(self, weights: Sequence[float]) -> Reals:
        weighed = np.zeros(self.variables)
        weighed[self.counted] = weights
        return weighed

    def _new(self, most: Reals) -> Counts:
        first = self.variables
        self.variables += len(most)
        self.most_of.append(most)
        return np.arange(first, self.variables, dtype=np.int64)

    def _add_runs(self) -> None:
        """Runs of cyclers: in each one at a time, of loads of one profile that begin together."""
        ticks = self.grid.ticks
        for chamber in self.lab.chambers_for(CYCLER):
            capacity = self.lab.chambers[chamber].capacity
            starts: list[tuple[int, int, int]] = []
            for profile in dict.fromkeys(kin.profile for kin in self.census.kins):
                run = self.grid.pace_of(profile).run
                for place in range(self.last + 1):
                    if ticks[place] + run <= ticks[self.last] and self._is_open(chamber, place, run, capacity):
                        begins = int(self._new(np.ones(1))[0])
                        starts.append((place, run, begins))
                        self._add_coupons(profile, chamber, place, begins)
            for place in dict.fromkeys(place for place, _, _ in starts):
                under_way = [v for at, run, v in starts if 0 <= ticks[place] - ticks[at] < max(run, 1)]
                self.at_most.add_one(under_way, [1.0] * len(under_way), 1.0)

    def _is_open(self, chamber: int, place: int, run: int, capacity: int) -> bool:
        end = int(self.grid.ticks[place]) + run
        during = self.grid.open_places[chamber, place : int(self.grid.last_at(end - 1)) + 1]
        return bool(np.all(during >= capacity))

    def _add_coupons(self, profile: object, chamber: int, place: int, begins: int) -> None:
        columns, shares = [begins], [float(-self.census.largest_fill(self.lab.chambers[chamber].capacity))]
        for number, kin in enumerate(self.census.kins):
            if kin.profile == profile and self.grid.ticks[place] >= self.grid.tick_from(kin.ready_minutes):
                count = int(self._new(np.array([float(kin.loads)]))[0])
                self.whole_runs[number].append((chamber, place, count))
                columns.append(count)
                shares.append(float(kin.coupons))
        self.at_most.add_one(columns, shares, 0.0)

    def _add_kin(self, number: int, kin: Kin) -> None:
        grid, size, stages, pace = self.grid, self.last + 1, len(kin.profile.stages), self.paces[number]
        ticks = grid.ticks[:size]
        begun_most = np.full((stages, size), float(kin.loads))
        ended_most = begun_most.copy()
        begun_most[0, ticks < grid.tick_from(kin.ready_minutes)] = 0
        for stage in range(stages):
            step = stage % len(kin.profile.steps)
            ended_most[stage, grid.last_at(ticks - pace.least[step]) < 0] = 0
        begun = self._new(begun_most.ravel()).reshape(stages, size)
        ended = self._new(ended_most.ravel()).reshape(stages, size)
        for counts in (begun, ended):
            self._not_above(counts[:, :-1].ravel(), counts[:, 1:].ravel())
        for stage in range(stages):
            step = stage % len(kin.profile.steps)
            before = grid.last_at(ticks - pace.least[step])
            after = np.minimum(grid.last_at(ticks + pace.most[step]), self.last)
            self._not_above(ended[stage][before >= 0], begun[stage][before[before >= 0]])
            self._not_above(begun[stage], ended[stage][after])
        moved = np.minimum(grid.last_at(ticks + pace.transfer), self.last)
        for one, next_ in pairwise(range(stages)):
            self._not_above(begun[next_], ended[one])
            self._not_above(ended[one], begun[next_][moved])
        whole = [variable for _, _, variable in self.whole_runs[number]]
        for counts in (begun[0], ended[-1]):
            of_all = [int(counts[-1]), *whole], [1.0] * (1 + len(whole))
            if self.is_partial:
                self.exactly.add_one([*of_all[0], int(self.counted[number])], [*of_all[1], -1.0], 0.0)
            else:
                self.exactly.add_one(*of_all, float(kin.loads))
        if self.keeps_due and kin.due_minutes is not None:
            self._keep_due(number, kin, ended[-1])
        self.begun.append(begun)
        self.ended.append(ended)

    def _not_above(self, lower: Counts, upper: Counts) -> None:
        if len(lower):
            self.at_most.add(np.column_stack([lower, upper]), np.array([1.0, -1.0]), np.zeros(1))

    def _keep_due(self, number: int, kin: Kin, ended: Counts) -> None:
        assert kin.due_minutes is not None
        due = self.grid.tick_of(kin.due_minutes)
        run = self.paces[number].run
        in_time = [variable for _, place, variable in self.whole_runs[number] if self.grid.ticks[place] + run <= due]
        place = min(int(self.grid.last_at(due)), self.last)
        in_time += [int(ended[place])] if place >= 0 else []
        self.exactly.add_one(in_time or [int(ended[0])], [1.0] * max(len(in_time), 1), float(kin.loads))

    def _add_places(self) -> None:
        kins = self.census.kins
        sizes = sorted({kin.coupons for kin in kins})
        for kind in STEP_KINDS:
            chambers = list(self.lab.chambers_for(kind))
            free = self.grid.open_places[chambers, : self.last + 1]
            fills = np.vectorize(self.census.largest_fill, otypes=[np.float64])(free).sum(axis=0) if chambers else None
            self._add_kind(kind, [float(kin.coupons) for kin in kins], fills)
            for size in sizes if len(sizes) > 1 else ():
                large = [float(kin.coupons >= size) for kin in kins]
                self._add_kind(kind, large, (free // size).sum(axis=0).astype(np.float64) if chambers else None)
            for worth, most_worth in self.census.worths:
                most = np.vectorize(most_worth, otypes=[np.float64])(free).sum(axis=0) if chambers else None
                self._add_kind(kind, [float(worth[kin.coupons]) for kin in kins], most)

    def _add_kind(self, kind: str, weights: list[float], limits: Reals | None) -> None:
        """What is in all chambers of a kind together, each kin by its weight, at every tick."""
        columns, shares = [], []
        for number, kin in enumerate(self.census.kins):
            for stage, step in enumerate(kin.profile.stages):
                if step.kind == kind and weights[number]:
                    columns += [self.begun[number][stage], self.ended[number][stage]]
                    shares += [weights[number], -weights[number]]
        if columns:
            size = self.last + 1
            self.at_most.add(np.column_stack(columns), np.array(shares), np.zeros(size) if limits is None else limits)

    def bookings(self, values: Counts) -> list[Booking]:
        """Whole numbers as bookings of single loads, those first in each kin; soaks have no chamber yet (an empty name)."""
        found = []
        for number, kin in enumerate(self.census.kins):
            left = list(kin.chains[: int(values[self.counted[number]])] if self.is_partial else kin.chains)
            for chamber, place, variable in self.whole_runs[number]:
                for _ in range(int(values[variable])):
                    start = self.grid.minutes_of(place)
                    end = start + kin.profile.cycler_minutes
                    found.append(Booking(left.pop().load.name, None, None, self.lab.chambers[chamber].name, start, end))
            for stage in range(len(kin.profile.stages)):
                begins = self._moments(values[self.begun[number][stage]])
                ends = self._moments(values[self.ended[number][stage]])
                round_, step = divmod(stage, len(kin.profile.steps))
                name = kin.profile.steps[step].name
                for chain, begin, end in zip(left, begins, ends, strict=True):
                    found.append(Booking(chain.load.name, round_ + 1, name, "", begin, end))
        return found

    def _moments(self, counts: Counts) -> list[int]:
        gained = np.diff(counts, prepend=0)
        return [self.grid.minutes_of(int(place)) for place in np.repeat(np.arange(len(counts)), gained)]
