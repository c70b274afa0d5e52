"""Bounds and plans by counting loads: at which makespan the counts are impossible, and plans made from possible ones."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from ortools.sat.python import cp_model

from labbench.science.scheduling.chains import Taken
from labbench.science.scheduling.counting import Counting
from labbench.science.scheduling.counting_shares import WORK_PER_VARIABLE, SharesOfLoads
from labbench.science.scheduling.grid import Census, Grid, census, grid, tick_minutes
from labbench.science.scheduling.hours import staffed_hours
from labbench.science.scheduling.lab import Booking, Lab
from labbench.science.scheduling.packing import packed
from labbench.science.scheduling.runs import Limits
from labbench.science.scheduling.search import Search

POSSIBLE = (cp_model.OPTIMAL, cp_model.FEASIBLE)
# Least work that one question to the solver is given, in its deterministic units, and how many may stay without an answer.
QUESTION_WORK = 0.1
MOST_UNANSWERED = 2
# Counts with shares of loads: how many variables a question may have, how long a tick may get to that end, how many questions are
# asked, the first at which share of the best makespan, and from which share of it on a closer bound is left to others.
MOST_SHARES = 13_000
LONGEST_TICK = 240
MOST_SHARE_QUESTIONS = 8
NEAR_BEST = 0.985
CLOSE_ENOUGH = 0.004


def bound_by_counting(search: Search, loads: Census, share: float, *, is_likely_tight: bool = False) -> None:
    """Raise the bound of the makespan to where the relaxed counts become possible.

    What is impossible is mostly seen at once, so questions come from below; only if the best plan is likely to be the
    best there is, the first one is about the makespan just below it.
    """
    if not loads.kins:
        return
    horizon = search.best.makespan_minutes
    tick = tick_minutes(search.lab, horizon, len(loads.kins))
    clock = grid(search.lab, search.taken, horizon, tick, is_relaxed=True)
    high = int(clock.last_at(clock.tick_of(horizon - 1)))
    low = max(int(clock.last_at(clock.tick_of(search.bound_minutes))), 0)
    least_work, unanswered = search.work * (1 - share), 0
    place = high if is_likely_tight else (low + high) // 2
    while low <= high and unanswered < MOST_UNANSWERED and not search.is_over and search.work > least_work:
        counting = Counting(search.lab, loads, clock, place, keeps_due=search.best.lateness == 0)
        # Loads all alike are counted quickly, and then the bound is often the makespan itself: worth a longer question.
        status, _ = _asked(search, counting, search.work - least_work, 3 if is_likely_tight else 1)
        unanswered += status == cp_model.UNKNOWN
        if status == cp_model.INFEASIBLE:
            search.raise_bound(_first_end_after(search, clock, place))
            low = place + 1
        else:
            high = place - 1
        place = (low + high) // 2


def bound_by_shares(search: Search, loads: Census) -> None:
    """Raise the bound of the makespan to where counts with shares of a load become possible: cheap, and mostly close."""
    if not loads.kins or search.is_closed:
        return
    horizon = search.best.makespan_minutes
    stages = sum(len(kin.profile.stages) for kin in loads.kins)
    tick = tick_minutes(search.lab, horizon, len(loads.kins))
    staffed = len(staffed_hours(search.lab, horizon).minutes)
    while 2 * stages * staffed / tick > MOST_SHARES and tick < LONGEST_TICK:
        tick *= 2
    if 2 * stages * staffed / tick > 2 * MOST_SHARES:
        return
    clock = grid(search.lab, search.taken, horizon, tick, is_relaxed=True)
    high = int(clock.last_at(clock.tick_of(horizon - 1)))
    low = max(int(clock.last_at(clock.tick_of(search.bound_minutes))), 0)
    # If nothing is much shorter than the best plan, that is most of what is to be known.
    place = max(int(clock.last_at(clock.tick_of(round(NEAR_BEST * horizon)))), low)
    for _ in range(MOST_SHARE_QUESTIONS):
        if low > high or clock.minutes_of(high) - clock.minutes_of(low) < CLOSE_ENOUGH * horizon or search.is_over:
            return
        program = SharesOfLoads(search.lab, loads, clock, place, keeps_due=search.best.lateness == 0)
        search.work -= WORK_PER_VARIABLE * program.variables
        is_possible = program.is_possible()
        if is_possible is None:
            return
        if is_possible:
            high = place - 1
        else:
            search.raise_bound(_first_end_after(search, clock, place))
            low = place + 1
        place = (low + high) // 2


def _asked(
    search: Search, counting: Counting, work: float, times: int = 1
) -> tuple[cp_model.CpSolverStatus, cp_model.CpSolver]:
    status, solver = counting.solve(
        Limits(min(work, times * max(QUESTION_WORK, search.work / 15)), search.until), search.seed, search.is_stopped
    )
    search.work -= solver.response_proto.deterministic_time
    return status, solver


def _first_end_after(search: Search, clock: Grid, place: int) -> int:
    """The first staffed minute of the tick after one at which not all can have ended."""
    minutes = staffed_hours(search.lab, search.best.makespan_minutes).minutes
    later = minutes[minutes >= (int(clock.ticks[place]) + 1) * clock.tick_minutes - clock.offset_minutes]
    return int(later[0]) if len(later) else search.best.makespan_minutes


def plan_by_counting(search: Search, share: float) -> None:
    """Look for the shortest makespan that the strict counts allow, and make plans of them."""
    loads = census(search.chains)
    if not loads.kins or search.best.lateness or search.previous:
        return
    taken = (*search.taken, *begun_places(search))
    horizon = search.best.makespan_minutes
    tick = tick_minutes(search.lab, horizon, len(loads.kins))
    clock = grid(search.lab, taken, horizon, tick, is_relaxed=False)
    if not len(clock.ticks):
        return
    high = int(clock.last_at(clock.tick_of(horizon)))
    low = int(np.searchsorted(clock.ticks, clock.tick_of(search.bound_minutes)))
    least_work, place, best = search.work * (1 - share), low, None
    while low <= high and not search.is_over and search.work > least_work:
        if _made(search, clock, loads, taken, place, search.work - least_work, is_shortest=False):
            high, best = place - 1, place
        else:
            low = place + 1
        place = (low + high) // 2
    if best is not None and not search.is_over:
        _made(search, clock, loads, taken, best, search.work / 2, is_shortest=True)


def _made(
    search: Search,
    clock: Grid,
    loads: Census,
    taken: tuple[Taken, ...],
    place: int,
    work: float,
    *,
    is_shortest: bool,
) -> bool:
    """Whether a plan came of the counts up to a tick."""
    counting = Counting(search.lab, loads, clock, place, keeps_due=True)
    if is_shortest:
        counting.seek_least_total_time()
    status, solver = _asked(search, counting, work, 2)
    if status not in POSSIBLE:
        return False
    bookings, without = packed(search.lab, counting.bookings(solver), taken, search.best.makespan_minutes)
    if without:
        return False
    by_load: dict[str, list[Booking]] = {}
    for booking in sorted(bookings, key=lambda booking: booking.start_minutes):
        by_load.setdefault(booking.load, []).append(booking)
    search.offer({**search.bookings, **{name: tuple(of_load) for name, of_load in by_load.items()}})
    return True


def begun_places(search: Search) -> list[Taken]:
    """Loads that have begun keep the bookings of the best plan while the others are counted."""
    begun = {
        chain.load.name: search.bookings[chain.load.name][len(chain.done) :]
        for chain in search.chains
        if not chain.may_cycle
    }
    return booked_places(search.lab, begun)


def booked_places(lab: Lab, bookings: Mapping[str, tuple[Booking, ...]]) -> list[Taken]:
    """What bookings of loads take; a cycler under way takes no further load."""
    places = {chamber.name: place for place, chamber in enumerate(lab.chambers)}
    coupons = {load.name: load.coupons for load in lab.loads}
    return [
        Taken(
            places[booking.chamber],
            max(booking.start_minutes, 0),
            booking.end_minutes,
            coupons[name] if booking.step is not None else lab.chambers[places[booking.chamber]].capacity,
        )
        for name, of_load in bookings.items()
        for booking in of_load
        if booking.end_minutes > 0
    ]
