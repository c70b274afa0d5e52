"""Labs of one size that differ in all else, for benchmarks: 30 loads x 3 rounds over two freezers, two ovens and a bench; invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from labbench.science.scheduling.lab import DAY_MINUTES, Closure, Lab, Load, Profile, ProfileStep, StaffedWindow
from tests.science.labs import week_lab

SIZES = ((8,), (4, 6, 8, 10, 12), (6, 12), tuple(range(4, 13)), (4, 8, 12))
FREEZES = ((480, 960), (480, 1080), (600, 1200), (720, 1440))
HEATS = ((120, 180), (120, 240), (90, 180), (240, 480))
COOLS = ((30, 480), (60, 900), (60, 240))
DAYS = (
    tuple(StaffedWindow(day, 7 * 60, 18 * 60) for day in range(5)),
    tuple(StaffedWindow(day, 6 * 60, 22 * 60) for day in range(5)),
    tuple(StaffedWindow(day, 8 * 60, 16 * 60 + 30) for day in range(5)),
    (*(StaffedWindow(day, 7 * 60, 18 * 60) for day in range(5)), StaffedWindow(5, 8 * 60, 12 * 60)),
    tuple(StaffedWindow(day, 7 * 60, 19 * 60) for day in range(7)),
)


def varied_lab(seed: int, loads: int = 30, rounds: int = 3, *, chambers: tuple[int, int] = (2, 2)) -> Lab:
    """A lab drawn by its seed: sizes, soaks, hours, capacities; in some of them due dates, ready times and closures."""
    rng = np.random.default_rng(seed)

    def one_of(choices):
        return choices[int(rng.integers(len(choices)))]

    lab = week_lab(loads, rounds, sizes=one_of(SIZES), freezers=chambers[0], ovens=chambers[1], seed=seed)
    steps = tuple(
        ProfileStep(kind, kind, *one_of(choices))
        for kind, choices in (("freeze", FREEZES), ("heat", HEATS), ("cool", COOLS))
    )
    capacity = {"freeze": one_of((24, 30, 36)), "heat": one_of((24, 18)), "cool": one_of((48, 36))}
    lab = replace(
        lab,
        profile=Profile(rounds, int(one_of((5, 10, 30))), steps),
        staffed=one_of(DAYS),
        chambers=tuple(replace(one, capacity=capacity[one.kind]) for one in lab.chambers),
    )
    kind = seed % 4
    if kind in (1, 3):
        lab = replace(lab, loads=tuple(_dated(load, rng, kind) for load in lab.loads))
    if kind in (2, 3):
        first = int(rng.integers(2, 6)) * DAY_MINUTES
        lab = replace(lab, closures=(Closure("freezer 1", first, first + 2 * DAY_MINUTES),))
    return lab


def _dated(load: Load, rng: np.random.Generator, kind: int) -> Load:
    ready = int(rng.integers(0, 6)) * DAY_MINUTES if rng.random() < 0.5 else None
    due = int(rng.integers(10, 25)) * DAY_MINUTES if kind == 3 or rng.random() < 0.4 else None
    return replace(load, ready_minutes=ready, due_minutes=due)
