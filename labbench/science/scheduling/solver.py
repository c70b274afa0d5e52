"""Plan the chambers: a first plan at once, bounds and plans by counting, then every booking as constraints.

The plan with least lateness is sought, among those the one that ends first, among those the one with least total time (the
sum of the loads' ends). Where a plan before is given, as few of its bookings as possible are moved, lateness going
first. The measures are minimised one after another; each counts as proved only if it was.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from ortools.sat.python import cp_model

from labbench.science.scheduling.bounds import alone_ends, places_bound
from labbench.science.scheduling.chains import (
    Chain,
    Taken,
    chain_of,
    longest_chain_minutes,
    settled_minutes,
    taken_places,
)
from labbench.science.scheduling.construction import NoPlaceError, constructed_plan
from labbench.science.scheduling.counts import bound_by_counting, bound_by_shares, plan_by_counting
from labbench.science.scheduling.grid import Census, census, merged_censuses, single_census
from labbench.science.scheduling.groups import plan_by_groups
from labbench.science.scheduling.lab import WEEK_MINUTES, Booking, Lab, Score
from labbench.science.scheduling.model import PlanModel
from labbench.science.scheduling.runs import run_solver
from labbench.science.scheduling.search import Progress, Search
from labbench.science.scheduling.spell_plans import plan_by_spells
from labbench.science.scheduling.spells import bound_by_spells

# Deterministic units that the solver is given for each second asked for: few enough that on two cores the units
# end before the seconds do, so that the same lab gives the same plan (measured by tests/benchmarks/test_planning.py).
UNITS_PER_SECOND = 0.15
FEW_BOOKINGS = 60
MANY_BOOKINGS = 500
DEFAULT_SEED = 20260101


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan of the chambers, or why there is none.

    Attributes
    ----------
    status : str
        "optimal": least lateness, makespan and total time are all proved; "feasible": the best found; "infeasible".
    reason : str
        Which of them is proved and which not, or what is in the way.
    bookings : tuple of Booking
        In order of their start.
    score : Score or None
    bound_minutes : int or None
        No plan with as little lateness ends sooner: proved.
    late : tuple of (load, minutes)
        Loads that end after their due date.
    proved : tuple of str
        Measures proved least, out of "lateness", "moved", "makespan" and "total time".
    is_repeatable : bool
        Whether the solver's work ended the search, not the clock or a stop: then the same lab and seed give the same plan.
    notes : tuple of str
        Rules that firm bookings have broken already.
    """

    status: str
    reason: str
    bookings: tuple[Booking, ...] = ()
    score: Score | None = None
    bound_minutes: int | None = None
    late: tuple[tuple[str, int], ...] = ()
    proved: tuple[str, ...] = ()
    is_repeatable: bool = True
    notes: tuple[str, ...] = ()
    no_place: tuple[str, ...] = ()


def plan_chambers(
    lab: Lab,
    *,
    seconds: float = 10.0,
    seed: int = DEFAULT_SEED,
    previous: Iterable[Booking] = (),
    progress: Callable[[Progress], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
) -> Plan:
    """The best plan found within some seconds.

    Parameters
    ----------
    lab : Lab
        At least one load.
    seconds : float
        Wall-clock limit; the solver also stops after a fixed amount of work for it.
    seed : int
    previous : bookings
        The plan before: as few of its bookings as possible are moved.
    progress : callable
        Called with each better plan's score and each better bound.
    should_stop : callable
        Asked a few times a second; once it says yes the best plan so far is given.

    Returns
    -------
    Plan
    """
    if not lab.loads:
        raise ValueError("there is no load to plan")
    until = time.monotonic() + seconds
    chains = tuple(chain_of(lab, load) for load in lab.loads)
    taken = taken_places(lab, chains)
    alone = alone_ends(lab, chains, taken, settled_minutes(lab, chains) + WEEK_MINUTES + longest_chain_minutes(lab))
    no_place = tuple(name for name, end in alone.items() if end is None)
    if no_place:
        return _without_plan(no_place, "each of them alone breaks a rule whatever its start")
    before = frozenset(previous)
    try:
        draft = constructed_plan(lab, chains, taken, before)
    except NoPlaceError as refused:
        return _without_plan((refused.load,), "beside the loads that have begun")
    ends = {name: end for name, end in alone.items() if end is not None}
    search = Search(
        lab,
        chains,
        taken,
        before,
        seed,
        draft.bookings,
        max(ends.values()),
        seconds * UNITS_PER_SECOND,
        until,
        should_stop or (lambda: False),
        progress or (lambda _: None),
    )
    return _finish(search, _search(search, ends, draft.timetable.horizon_minutes))


def _without_plan(loads: tuple[str, ...], why: str) -> Plan:
    listed = ", ".join(loads[:5]) + (f" and {len(loads) - 5} more" if len(loads) > 5 else "")
    return Plan("infeasible", f"no place for {listed}: {why}", no_place=loads)


def _search(search: Search, alone: dict[str, int], horizon: int) -> tuple[str, ...]:
    """Improve plan and bound; which measures are proved."""
    search.raise_bound(places_bound(search.lab, search.chains, search.taken, search.best.makespan_minutes))
    if search.soaks <= FEW_BOOKINGS:
        proved = _by_constraints(search, alone, horizon, 0.5)
        if _is_all(search, proved):
            return proved
    _bound_and_shorten(search)
    return _by_constraints(search, alone, horizon, 1.0)


def _bound_and_shorten(search: Search) -> None:
    """A strong bound of the makespan and a plan near it, by counting and by constraints."""
    loads = census(search.chains)
    is_large = search.soaks > MANY_BOOKINGS
    before = search.best
    plan_by_spells(search, bound_by_spells(search))
    if is_large and len(loads.kins) > 1 and not search.previous and search.best == before:
        plan_by_groups(search, 0.4)
    merged = merged_censuses(search.chains)
    single, first = single_census(search.chains), search.best
    bound_by_shares(search, single)
    if merged and len(merged[0].kins) > len(search.lab.profiles):
        bound_by_shares(search, merged[0])
    if len(loads.kins) == 1:
        bound_by_counting(search, loads, 0.3, is_likely_tight=True)
        plan_by_counting(search, 0.5)
        _bound_again(search, single, first)
        return
    if merged and not search.is_closed:
        bound_by_counting(search, merged[0], 0.3)
    if not search.is_closed and not search.previous and not is_large:
        _shorten(search, 0.35)
    _bound_again(search, single, first)
    for fewer in merged[1:]:
        if not search.is_closed:
            bound_by_counting(search, fewer, 0.05)
    if not search.is_closed:
        bound_by_counting(search, loads, 0.4)


def _bound_again(search: Search, loads: Census, before: Score) -> None:
    """For a plan that became shorter, a closer bound: its clock is finer, and the questions lie nearer to it."""
    if search.best.makespan_minutes < before.makespan_minutes:
        bound_by_shares(search, loads)


def _shorten(search: Search, share: float) -> None:
    """Look for a shorter makespan with no more lateness, afresh: a hint would hold the search near the plan it has."""
    model = PlanModel(search.lab, search.chains, search.taken, search.best.makespan_minutes)
    if not isinstance(model.lateness, int):
        model.model.add(model.lateness <= search.best.lateness)
    _minimise(search, model, "makespan", model.makespan, search.work * share, is_hinted=False)


def _is_all(search: Search, proved: tuple[str, ...]) -> bool:
    return set(proved) >= {"lateness", "makespan", "total time"} | ({"moved"} if search.previous else set())


def _by_constraints(search: Search, alone: dict[str, int], horizon: int, share: float) -> tuple[str, ...]:
    """Minimise the measures one after another, each with the ones before held at their best."""
    loads = search.lab.loads
    least_late = sum(
        load.priority * max(0, alone[load.name] - load.due_minutes) for load in loads if load.due_minutes is not None
    )
    least_total = sum(load.priority * alone[load.name] for load in loads)
    is_wide = search.best.lateness > least_late or search.best.moved > 0
    model = PlanModel(
        search.lab,
        search.chains,
        search.taken,
        horizon if is_wide else search.best.makespan_minutes,
        search.previous,
    )
    proved: list[str] = []
    kept_work = search.work * (1 - share)
    measures = [
        ("lateness", model.lateness, least_late, 0.35, horizon >= _enough_minutes(search)),
        ("moved", model.moved, 0, 0.35, False),
        ("makespan", model.makespan, search.bound_minutes, 0.6, True),
        ("total time", model.total, least_total, 1.0, True),
    ]
    for name, expression, least, part, is_whole in measures:
        value = _value(search.best, name)
        least = max(least, search.bound_minutes) if name == "makespan" else least
        is_least = value <= least
        if not is_least and not search.is_over and search.work > kept_work:
            is_least = _minimise(search, model, name, expression, (search.work - kept_work) * part) and is_whole
        if is_least and (not proved or set(proved) >= set(_before(name, search))):
            proved.append(name)
        if not isinstance(expression, int):
            model.model.add(expression <= _value(search.best, name))
    return tuple(proved)


def _before(name: str, search: Search) -> list[str]:
    order = (
        ["lateness", "moved", "makespan", "total time"] if search.previous else ["lateness", "makespan", "total time"]
    )
    return order[: order.index(name)] if name in order else []


def _enough_minutes(search: Search) -> int:
    """A horizon beyond which no load needs to go for the least lateness: those never late can follow one by one."""
    dues = [load.due_minutes for load in search.lab.loads if load.due_minutes is not None]
    each = WEEK_MINUTES + longest_chain_minutes(search.lab)
    last_due = max([*dues, settled_minutes(search.lab, search.chains)]) + search.best.lateness
    return last_due + len(search.lab.loads) * each


def _value(best: Score, name: str) -> int:
    return {
        "lateness": best.lateness,
        "moved": best.moved,
        "makespan": best.makespan_minutes,
        "total time": best.total_minutes,
    }[name]


def _minimise(
    search: Search,
    model: PlanModel,
    name: str,
    expression: cp_model.LinearExprT,
    work: float,
    *,
    is_hinted: bool = True,
) -> bool:
    """Whether the measure's least value was found and proved."""
    if is_hinted:
        model.hint(search.bookings)
    model.model.add(model.makespan >= search.bound_minutes)
    model.model.minimize(expression)

    def found(callback: cp_model.CpSolverSolutionCallback) -> None:
        search.offer(model.bookings(callback))

    def bound(value: float) -> None:
        if name == "makespan":
            search.raise_bound(min(int(value), search.best.makespan_minutes))

    status, solver = run_solver(
        model.model,
        search.limits(min(work / search.work, 1.0)),
        seed=search.seed,
        stop=search.is_stopped,
        found=found,
        bound=bound,
        has_hint=is_hinted,
    )
    search.work -= solver.response_proto.deterministic_time
    if status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        search.offer(model.bookings(solver))
    if status == cp_model.OPTIMAL and name == "makespan":
        search.raise_bound(search.best.makespan_minutes)
    return bool(status == cp_model.OPTIMAL)


def _finish(search: Search, proved: tuple[str, ...]) -> Plan:
    is_optimal = _is_all(search, proved)
    order = {load.name: place for place, load in enumerate(search.lab.loads)}
    bookings = sorted(
        (booking for of_load in search.bookings.values() for booking in of_load),
        key=lambda booking: (booking.start_minutes, order[booking.load], booking.end_minutes),
    )
    late = tuple(
        (load.name, search.bookings[load.name][-1].end_minutes - load.due_minutes)
        for load in search.lab.loads
        if load.due_minutes is not None and search.bookings[load.name][-1].end_minutes > load.due_minutes
    )
    return Plan(
        "optimal" if is_optimal else "feasible",
        _reason(search, proved),
        tuple(bookings),
        search.best,
        min(search.bound_minutes, search.best.makespan_minutes),
        late,
        proved,
        is_repeatable=time.monotonic() < search.until and not search.is_cut and not search.is_stopped(),
        notes=tuple(chain.waived for chain in search.chains if chain.waived is not None),
    )


def _reason(search: Search, proved: tuple[str, ...]) -> str:
    measures = ["lateness", *(["moved"] if search.previous else []), "makespan", "total time"]
    words = {"moved": "number of moved bookings"}
    named = [words.get(name, name) for name in measures if name in proved]
    open_ = [words.get(name, name) for name in measures if name not in proved]
    if not open_:
        return f"Proved least: {', '.join(named)}."
    return f"Proved least: {', '.join(named) or 'nothing'}. Best found, not proved least: {', '.join(open_)}."


__all__ = ["Chain", "Plan", "Progress", "Taken", "plan_chambers"]
