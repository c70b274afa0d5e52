"""Plans for many loads: group after group, each by constraints around what stands already."""

from __future__ import annotations

import time
from dataclasses import replace

from ortools.sat.python import cp_model

from labbench.science.scheduling.chains import Chain, Taken
from labbench.science.scheduling.construction import NoPlaceError, constructed_plan
from labbench.science.scheduling.lab import CYCLER, Booking
from labbench.science.scheduling.model import PlanModel
from labbench.science.scheduling.runs import Limits, run_solver
from labbench.science.scheduling.search import Search

GROUP_BOOKINGS = 120
# Work for one group at most, in the solver's deterministic units.
GROUP_WORK = 0.1


def plan_by_groups(search: Search, share: float) -> None:
    """Put the loads in by groups, in order of due date and readiness: each group ends as early as it is found to."""
    in_order = sorted(
        search.chains,
        key=lambda chain: (
            chain.may_cycle,
            2**40 if chain.load.due_minutes is None else chain.load.due_minutes,
            chain.first_start[0],
        ),
    )
    size = max(2, GROUP_BOOKINGS // max(len(profile.stages) for profile in search.lab.profiles))
    groups = [in_order[place : place + size] for place in range(0, len(in_order), size)]
    taken, bookings = search.taken, dict[str, tuple[Booking, ...]]()
    work = min(search.work * share / len(groups), GROUP_WORK)
    for group in groups:
        if search.is_over:
            return
        found = _group_plan(search, group, taken, work)
        if found is None:
            return
        bookings |= found
        taken = (*taken, *_places(search, group, found))
    search.offer(bookings)


def _group_plan(
    search: Search, group: list[Chain], taken: tuple[Taken, ...], work: float
) -> dict[str, tuple[Booking, ...]] | None:
    lab = replace(search.lab, loads=tuple(chain.load for chain in group))
    try:
        draft = constructed_plan(lab, group, taken)
    except NoPlaceError:
        return None
    horizon = max(of_load[-1].end_minutes for of_load in draft.bookings.values())
    model = PlanModel(lab, group, taken, horizon)
    model.model.minimize(model.makespan)
    until = time.monotonic() + (search.until - time.monotonic()) / 8
    status, solver = run_solver(model.model, Limits(work, until), seed=search.seed, stop=search.is_stopped)
    search.is_cut |= time.monotonic() >= until
    search.work -= solver.response_proto.deterministic_time
    return model.bookings(solver) if status in (cp_model.OPTIMAL, cp_model.FEASIBLE) else draft.bookings


def _places(search: Search, group: list[Chain], found: dict[str, tuple[Booking, ...]]) -> list[Taken]:
    chambers = {chamber.name: place for place, chamber in enumerate(search.lab.chambers)}
    taken = []
    for chain in group:
        for booking in found[chain.load.name][len(chain.done) :]:
            chamber = search.lab.chambers[chambers[booking.chamber]]
            # A run under way takes no further load from the next group.
            coupons = chamber.capacity if chamber.kind == CYCLER else chain.load.coupons
            taken.append(Taken(chambers[booking.chamber], max(booking.start_minutes, 0), booking.end_minutes, coupons))
    return taken
