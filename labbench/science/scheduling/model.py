"""The whole plan as constraints: every booking of every load to the minute, each in its own chamber."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from ortools.sat.python import cp_model

from labbench.science.scheduling.chains import Chain, Taken
from labbench.science.scheduling.hours import staffed_hours
from labbench.science.scheduling.lab import CYCLER, STEP_KINDS, Booking, Lab, Profile, ProfileStep

Term = cp_model.LinearExprT


@dataclass(slots=True)
class Soak:
    """One booking to be planned: its times, and which chambers it may be in."""

    start: cp_model.IntVar
    end: cp_model.IntVar
    duration: cp_model.IntVar
    present: dict[int, cp_model.IntVar]
    gap: cp_model.IntVar | None = None  # to the soak before


@dataclass(slots=True)
class Run:
    """One run of a cycler that loads of one profile may join."""

    chamber: int
    start: cp_model.IntVar
    used: cp_model.IntVar
    profile: Profile
    joined: dict[str, cp_model.IntVar]


@dataclass(slots=True)
class PlanModel:
    """Variables and rules up to a horizon; objectives are set one after another."""

    lab: Lab
    chains: Sequence[Chain]
    taken: tuple[Taken, ...]
    horizon_minutes: int
    previous: frozenset[Booking] = frozenset()
    model: cp_model.CpModel = field(init=False, default_factory=cp_model.CpModel)
    soaks: dict[str, list[Soak]] = field(init=False, default_factory=dict)
    stepwise: dict[str, cp_model.IntVar] = field(init=False, default_factory=dict)
    runs: list[Run] = field(init=False, default_factory=list)
    ends: dict[str, Term] = field(init=False, default_factory=dict)
    intervals: dict[int, list[tuple[cp_model.IntervalVar, int]]] = field(init=False, default_factory=dict)
    by_kind: dict[str, list[tuple[cp_model.IntervalVar, int]]] = field(init=False, default_factory=dict)
    makespan: cp_model.IntVar = field(init=False)
    lateness: cp_model.LinearExprT = field(init=False, default=0)
    late: dict[str, cp_model.IntVar] = field(init=False, default_factory=dict)
    moved: cp_model.LinearExprT = field(init=False, default=0)
    total: cp_model.LinearExprT = field(init=False, default=0)
    _staffed: cp_model.Domain = field(init=False)
    _hinted: set[int] = field(init=False, default_factory=set)

    def __post_init__(self) -> None:
        hours = staffed_hours(self.lab, self.horizon_minutes)
        self._staffed = cp_model.Domain.from_intervals([list(span) for span in hours.spans])
        self.makespan = self.model.new_int_var(0, self.horizon_minutes, "makespan")
        for chain in self.chains:
            self._add_chain(chain)
        self._add_runs()
        self._fill_chambers()
        self._add_measures()

    def _add_chain(self, chain: Chain) -> None:
        name, stages = chain.load.name, chain.profile.stages
        self.soaks[name] = []
        may_cycle = chain.may_cycle and self.lab.chambers_for(CYCLER, chain.load.coupons)
        stepwise = self.model.new_bool_var(f"{name} stepwise") if may_cycle else self.model.new_constant(1)
        self.stepwise[name] = stepwise
        for stage in range(chain.first_stage, len(stages)):
            soak = self._add_soak(chain, stage, stages[stage], stepwise)
            if self.soaks[name]:
                before = self.soaks[name][-1].end
                soak.gap = self.model.new_int_var(0, chain.profile.max_transfer_minutes, "")
                self.model.add(soak.start == before + soak.gap).only_enforce_if(stepwise)
            self.soaks[name].append(soak)

    def _add_soak(self, chain: Chain, stage: int, step: ProfileStep, stepwise: cp_model.IntVar) -> Soak:
        name = f"{chain.load.name} {stage}"
        if stage == chain.first_stage and chain.open_chamber is not None:
            return self._add_open_soak(chain, step)
        low, high = chain.first_start if stage == chain.first_stage else (0, self.horizon_minutes)
        start = self._moment(f"{name} start", low, high, stepwise)
        end = self._moment(f"{name} end", 0, self.horizon_minutes, stepwise)
        duration = self.model.new_int_var(step.min_minutes, step.max_minutes, f"{name} minutes")
        whole = self.model.new_optional_interval_var(start, duration, end, stepwise, name)
        self.by_kind.setdefault(step.kind, []).append((whole, chain.load.coupons))
        present = {}
        for chamber in self.lab.chambers_for(step.kind, chain.load.coupons):
            here = self.model.new_bool_var(f"{name} in {chamber}")
            present[chamber] = here
            interval = self.model.new_optional_interval_var(start, duration, end, here, f"{name} in {chamber}")
            self.intervals.setdefault(chamber, []).append((interval, chain.load.coupons))
        self.model.add(sum(present.values()) == stepwise)
        return Soak(start, end, duration, present)

    def _moment(self, name: str, low: int, high: int, needed: cp_model.IntVar) -> cp_model.IntVar:
        """A staffed minute; where there is none, nothing that needs it can be."""
        domain = self._staffed.intersection_with(cp_model.Domain(low, min(high, self.horizon_minutes)))
        if domain.is_empty():
            self.model.add(needed == 0)
            domain = cp_model.Domain(0, 0)
        return self.model.new_int_var_from_domain(domain, name)

    def _add_open_soak(self, chain: Chain, step: ProfileStep) -> Soak:
        assert chain.open_chamber is not None
        low, high = chain.open_end
        zero, one = self.model.new_constant(0), self.model.new_constant(1)
        end = self._moment("open end", low, high, one)
        interval = self.model.new_interval_var(zero, end, end, "open")
        self.intervals.setdefault(chain.open_chamber, []).append((interval, chain.load.coupons))
        self.by_kind.setdefault(step.kind, []).append((interval, chain.load.coupons))
        return Soak(self.model.new_constant(chain.first_start[0]), end, end, {chain.open_chamber: one})

    def _add_runs(self) -> None:
        movable = [chain for chain in self.chains if chain.may_cycle]
        for profile in dict.fromkeys(chain.profile for chain in movable):
            self._add_runs_of(profile, [chain for chain in movable if chain.profile == profile])
        for chain in movable:
            choices = [run.joined[chain.load.name] for run in self.runs if chain.load.name in run.joined]
            self.model.add(sum(choices) + self.stepwise[chain.load.name] == 1)

    def _add_runs_of(self, profile: Profile, movable: Sequence[Chain]) -> None:
        length = profile.cycler_minutes
        starts = self._staffed.intersection_with(self._staffed.addition_with(cp_model.Domain(-length, -length)))
        fits = min(len(movable), self.horizon_minutes // max(length, 1) + 1)
        for chamber in self.lab.chambers_for(CYCLER):
            before: Run | None = None
            for number in range(0 if starts.is_empty() else fits):
                start = self.model.new_int_var_from_domain(starts, "run")
                used = self.model.new_bool_var("run used")
                interval = self.model.new_optional_fixed_size_interval_var(start, length, used, f"run {number}")
                self.intervals.setdefault(chamber, []).append((interval, self.lab.chambers[chamber].capacity))
                joined: dict[str, cp_model.IntVar] = {}
                for chain in movable:
                    if chain.load.coupons <= self.lab.chambers[chamber].capacity:
                        joins = self.model.new_bool_var("")
                        joined[chain.load.name] = joins
                        self.model.add(start >= chain.first_start[0]).only_enforce_if(joins)
                        self.model.add_implication(joins, used)
                coupons = sum(
                    chain.load.coupons * joined[chain.load.name] for chain in movable if chain.load.name in joined
                )
                self.model.add(coupons <= self.lab.chambers[chamber].capacity)
                if before is not None:
                    self.model.add_implication(used, before.used)
                    self.model.add(start >= before.start + length).only_enforce_if(used)
                before = Run(chamber, start, used, profile, joined)
                self.runs.append(before)

    def _fill_chambers(self) -> None:
        closed = {place: self._taken_of(place) for place in range(len(self.lab.chambers))}
        for place, chamber in enumerate(self.lab.chambers):
            here = self.intervals.get(place, []) + closed[place]
            if here and chamber.kind == CYCLER:
                self.model.add_no_overlap([interval for interval, _ in here])
            elif here:
                self.model.add_cumulative([i for i, _ in here], [c for _, c in here], chamber.capacity)
        for kind in STEP_KINDS:
            # Implied by the chambers one by one, but it prunes before a chamber is chosen.
            places = self.lab.chambers_for(kind)
            together = self.by_kind.get(kind, []) + [one for place in places for one in closed[place]]
            if together and len(places) > 1:
                capacity = sum(self.lab.chambers[place].capacity for place in places)
                self.model.add_cumulative([i for i, _ in together], [c for _, c in together], capacity)

    def _taken_of(self, chamber: int) -> list[tuple[cp_model.IntervalVar, int]]:
        """What is taken beforehand, never more than the chamber holds: what is firm stays even where it is too much."""
        taken = [one for one in self.taken if one.chamber == chamber and one.from_minutes < self.horizon_minutes]
        moments = sorted({minute for one in taken for minute in (one.from_minutes, one.to_minutes)})
        levels: list[tuple[int, int, int]] = []
        for low, high in pairwise(moments):
            coupons = sum(one.coupons for one in taken if one.from_minutes <= low < one.to_minutes)
            if levels and levels[-1][1:] == (low, coupons):
                levels[-1] = levels[-1][0], high, coupons
            else:
                levels.append((low, high, coupons))
        capacity = self.lab.chambers[chamber].capacity
        return [
            (self.model.new_fixed_size_interval_var(low, high - low, "taken"), min(coupons, capacity))
            for low, high, coupons in levels
            if coupons
        ]

    def _add_measures(self) -> None:
        total: list[Term] = []
        lateness: list[Term] = []
        for chain in self.chains:
            name = chain.load.name
            end = self._end_of(chain)
            for run in self.runs:
                if name in run.joined:
                    self.model.add(end == run.start + run.profile.cycler_minutes).only_enforce_if(run.joined[name])
            self.ends[name] = end
            self.model.add(self.makespan >= end)
            total.append(chain.load.priority * end)
            if chain.load.due_minutes is not None:
                late = self.model.new_int_var(0, max(self.horizon_minutes - chain.load.due_minutes, 0), "late")
                self.model.add(late >= end - chain.load.due_minutes)
                self.late[name] = late
                lateness.append(chain.load.priority * late)
        self.total, self.lateness = sum(total), sum(lateness)
        self.moved = self._moved()

    def _end_of(self, chain: Chain) -> Term:
        soaks = self.soaks[chain.load.name]
        if not soaks:
            return chain.done[-1].end_minutes
        if not any(chain.load.name in run.joined for run in self.runs):
            return soaks[-1].end
        end = self.model.new_int_var(0, self.horizon_minutes, "end")
        self.model.add(end == soaks[-1].end).only_enforce_if(self.stepwise[chain.load.name])
        return end

    def _moved(self) -> Term:
        """How many bookings of the plan before are elsewhere or at another minute."""
        before = {booking.place: booking for booking in self.previous}
        kept: list[Term] = []
        places = {chamber.name: place for place, chamber in enumerate(self.lab.chambers)}
        for chain in self.chains:
            for stage, soak in enumerate(self.soaks[chain.load.name], start=chain.first_stage):
                round_, step = divmod(stage, len(chain.profile.steps))
                old = before.get((chain.load.name, round_ + 1, chain.profile.steps[step].name))
                if old is not None and places.get(old.chamber) in soak.present:
                    stays = self.model.new_bool_var("")
                    self.model.add(soak.start == old.start_minutes).only_enforce_if(stays)
                    self.model.add_implication(stays, soak.present[places[old.chamber]])
                    kept.append(stays)
        return len(kept) - sum(kept) if kept else 0

    def hint(self, bookings: Mapping[str, tuple[Booking, ...]]) -> None:
        """Start the search from these bookings."""
        self._hinted.clear()
        self.model.clear_hints()  # type: ignore[no-untyped-call]
        places = {chamber.name: place for place, chamber in enumerate(self.lab.chambers)}
        for chain in self.chains:
            new = bookings[chain.load.name][len(chain.done) :]
            soaks = self.soaks[chain.load.name]
            is_stepwise = not new or new[0].step is not None
            if chain.may_cycle:
                self._hint(self.stepwise[chain.load.name], int(is_stepwise))
            before = 0
            for soak, booking in zip(soaks, new if is_stepwise else (), strict=False):
                if soak.gap is not None:
                    self._hint(soak.gap, booking.start_minutes - before)
                before = booking.end_minutes
                self._hint(soak.start, booking.start_minutes)
                self._hint(soak.end, booking.end_minutes)
                if soak.duration is not soak.end:
                    self._hint(soak.duration, booking.end_minutes - booking.start_minutes)
                for chamber, here in soak.present.items():
                    self._hint(here, int(chamber == places[booking.chamber]))
            end = bookings[chain.load.name][-1].end_minutes
            end_variable = self.ends[chain.load.name]
            if isinstance(end_variable, cp_model.IntVar):
                self._hint(end_variable, end)
            if chain.load.name in self.late:
                self._hint(self.late[chain.load.name], max(0, end - (chain.load.due_minutes or 0)))
        self._hint(self.makespan, max(of_load[-1].end_minutes for of_load in bookings.values()))
        self._hint_runs(bookings, places)

    def _hint_runs(self, bookings: Mapping[str, tuple[Booking, ...]], places: Mapping[str, int]) -> None:
        whole = [b for of_load in bookings.values() for b in of_load if b.step is None]
        profiles = {chain.load.name: chain.profile for chain in self.chains}
        for chamber, profile in dict.fromkeys((run.chamber, run.profile) for run in self.runs):
            mine = [b for b in whole if places[b.chamber] == chamber and profiles[b.load] == profile]
            starts = sorted({b.start_minutes for b in mine})
            runs = [run for run in self.runs if (run.chamber, run.profile) == (chamber, profile)]
            for number, run in enumerate(runs):
                self._hint(run.used, int(number < len(starts)))
                if number < len(starts):
                    self._hint(run.start, starts[number])
                for name, joins in run.joined.items():
                    first = bookings[name][0]
                    is_here = first.step is None and places[first.chamber] == chamber
                    self._hint(joins, int(is_here and number < len(starts) and first.start_minutes == starts[number]))

    def _hint(self, variable: cp_model.IntVar, value: int) -> None:
        if variable.index not in self._hinted:
            self._hinted.add(variable.index)
            self.model.add_hint(variable, value)

    def bookings(self, value: cp_model.CpSolver | cp_model.CpSolverSolutionCallback) -> dict[str, tuple[Booking, ...]]:
        """The bookings of a solution, those done included."""
        found: dict[str, tuple[Booking, ...]] = {}
        for chain in self.chains:
            name, steps, length = chain.load.name, chain.profile.steps, chain.profile.cycler_minutes
            new: list[Booking] = []
            for run in self.runs:
                if name in run.joined and value.value(run.joined[name]):
                    start = value.value(run.start)
                    new.append(Booking(name, None, None, self.lab.chambers[run.chamber].name, start, start + length))
            for stage, soak in enumerate(self.soaks[name] if not new else (), start=chain.first_stage):
                round_, step = divmod(stage, len(steps))
                chamber = next(place for place, here in soak.present.items() if value.value(here))
                times = value.value(soak.start), value.value(soak.end)
                new.append(Booking(name, round_ + 1, steps[step].name, self.lab.chambers[chamber].name, *times))
            found[name] = (*chain.done, *new)
        return found
