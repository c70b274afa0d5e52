"""Plans fall into parts where no soak bridges the time without staff: bounds hold, and plans keep the rules."""

from __future__ import annotations

import time
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from ortools.sat.python import cp_model

from labbench.science.scheduling import spell_plans
from labbench.science.scheduling.chains import chain_of, taken_places
from labbench.science.scheduling.construction import constructed_plan
from labbench.science.scheduling.document import plan_document
from labbench.science.scheduling.lab import Chamber, Closure, Load, late_minutes
from labbench.science.scheduling.model import PlanModel
from labbench.science.scheduling.packing import most_worth
from labbench.science.scheduling.search import Search
from labbench.science.scheduling.solver import Plan
from labbench.science.scheduling.spell_plans import plan_by_spells
from labbench.science.scheduling.spells import Spell, bound_by_spells, spells_of, weighings, worths_of_sizes
from tests.science.labs import as_document, week_lab
from tests.science.plan_checker import broken_rules
from tests.science.varied_labs import varied_lab


def search_for(lab, seconds=60):
    chains = tuple(chain_of(lab, load) for load in lab.loads)
    taken = taken_places(lab, chains)
    draft = constructed_plan(lab, chains, taken)
    until = time.monotonic() + seconds
    return Search(
        lab, chains, taken, frozenset(), 1, draft.bookings, 0, 9.0, until, lambda: False, lambda _: None
    )  # fmt: skip


def least_makespan(search):
    """By single bookings alone, without any count; None if that takes too long."""
    model = PlanModel(search.lab, search.chains, search.taken, search.best.makespan_minutes)
    model.model.minimize(model.makespan)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.max_deterministic_time = 1
    status = solver.solve(model.model)
    return int(solver.objective_value) if status == cp_model.OPTIMAL else None


def test_a_weekend_parts_a_plan_unless_a_soak_may_last_over_it():
    lab = week_lab(3, 1)
    # Monday 8:00 to Friday 18:00, and the week after from Monday 7:00.
    assert spells_of(lab, 14 * 1440)[:2] == (Spell(0, 4 * 1440 + 600), Spell(7 * 1440 - 60, 11 * 1440 + 600))
    steps = lab.profile.steps
    gap = 2 * 1440 + 13 * 60
    for most, spells in ((gap - 1, 2), (gap, 1)):
        longer = replace(lab.profile, steps=(replace(steps[0], max_minutes=most), *steps[1:]))
        assert len(spells_of(replace(lab, profile=longer), 12 * 1440)) == spells


def test_a_cyclers_run_over_the_weekend_joins_two_weeks():
    lab = week_lab(3, 6)
    assert len(spells_of(lab, 12 * 1440)) == 2
    assert len(spells_of(replace(lab, chambers=(*lab.chambers, Chamber("cycler", "cycler", 8))), 12 * 1440)) == 1


def small_weeks(seed):
    """Labs so small that their best plan can be looked up, but of more than one week."""
    rng = np.random.default_rng(seed)
    sizes, capacity = ((8,), (4, 8), (3, 5, 8))[seed % 3], int(rng.choice([8, 10, 13]))
    lab = week_lab(int(rng.integers(4, 7)), 2, sizes=sizes, freezers=1, ovens=1, capacity=capacity, seed=seed)
    if seed % 4 == 1:
        first = int(rng.integers(0, 5)) * 1440
        lab = replace(lab, closures=(Closure("freezer 1", first, first + 1440),))
    if seed % 4 == 2:
        loads = [replace(load, ready_minutes=int(rng.integers(0, 9)) * 1440) for load in lab.loads]
        lab = replace(lab, loads=tuple(loads))
    return lab


def test_no_plan_ends_before_the_bound_by_spells():
    known, close = 0, 0
    for seed in range(9):
        search = search_for(small_weeks(seed))
        least = least_makespan(search)
        bound_by_spells(search)
        if least is not None:
            assert search.bound_minutes <= least, seed
            known += 1
            close += search.bound_minutes >= 0.95 * least
    assert known >= 6
    assert close >= 5


@pytest.mark.parametrize("seed", range(6))
def test_plans_by_spells_keep_the_rules(seed):
    lab = replace(small_weeks(seed), loads=tuple(Load(f"load {n}", 3 + n % (1 + seed)) for n in range(14)))
    search = search_for(lab)
    before = search.best
    plan_by_spells(search, bound_by_spells(search))
    assert search.best <= before
    bookings = [booking for of_load in search.bookings.values() for booking in of_load]
    for booking in bookings:
        spell = next(one for one in spells_of(lab, 80 * 1440) if one.last_minutes >= booking.start_minutes)
        assert booking.end_minutes <= spell.last_minutes
    assert broken(search) == []


def broken(search):
    lab, score = search.lab, search.best
    bookings = [booking for of_load in search.bookings.values() for booking in of_load]
    late = tuple((load.name, late_minutes(load, search.bookings[load.name][-1].end_minutes)) for load in lab.loads)
    plan = Plan("feasible", "", tuple(bookings), score, search.bound_minutes, tuple(one for one in late if one[1]))
    return broken_rules(as_document(lab), plan_document(lab, plan))


def test_a_week_that_takes_too_long_is_filled_load_by_load(monkeypatch):
    monkeypatch.setattr(spell_plans, "TIME_SHARE", 0.0)
    lab = week_lab(12, 3, sizes=(4, 6, 7, 10, 11, 12), freezers=2, ovens=1)
    search = search_for(lab)
    loads = set(search.bookings)
    plan_by_spells(search, bound_by_spells(search))
    assert search.is_cut
    assert set(search.bookings) == loads
    assert broken(search) == []


def test_loads_go_through_the_weeks_as_counted():
    # 30 loads alike: 13 can go through the first week, with a freezer closed for two days of it, 16 through the second: one
    # is left. It takes 12 h, 1.5 h and 1 h three times between 6:00 and 22:00, which are 50.5 h.
    search = search_for(varied_lab(14))
    plan_by_spells(search, bound_by_spells(search))
    ends = [of_load[-1].end_minutes for of_load in search.bookings.values()]
    week = 7 * 1440
    assert [sum(end // week == number for end in ends) for number in range(3)] == [13, 16, 1]
    assert search.best.makespan_minutes == 2 * week - 120 + 3030
    assert search.bound_minutes >= 0.995 * search.best.makespan_minutes


def test_the_most_a_chamber_is_worth_is_that_of_the_best_choice():
    rng = np.random.default_rng(3)
    for _ in range(60):
        loads = tuple((int(rng.integers(1, 9)), int(rng.integers(0, 9)), int(rng.integers(1, 4))) for _ in range(3))
        places = int(rng.integers(1, 25))
        best = 0
        for counts in product(*(range(count + 1) for _, _, count in loads)):
            chosen = list(zip(loads, counts, strict=True))
            if sum(size * n for (size, _, _), n in chosen) <= places:
                best = max(best, sum(worth * n for (_, worth, _), n in chosen))
        assert most_worth(loads, places) == best


def test_the_worth_of_sizes_sees_how_many_fillings_of_a_chamber_loads_take():
    # Above half of a chamber each load needs one of its own: nine fillings, though the coupons would go into seven.
    lab = week_lab(9, 1, sizes=(13,), freezers=1, ovens=1, capacity=18, bench=18)
    lab = replace(lab, loads=(*lab.loads, Load("small", 5)))
    chains = [chain_of(lab, load) for load in lab.loads]
    assert sum(chain.load.coupons for chain in chains) == 122
    (worth,) = worths_of_sizes(lab, chains)
    fillings = sum(worth.of(chain) for chain in chains) / worth.most_in(chains)(18)
    assert fillings == 9
    assert worth in weighings(lab, chains)
