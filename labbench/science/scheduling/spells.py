"""Spells: stretches of time that no load can be on its way across, and what can go through each of them.

Where nobody is there for longer than any soak, transfer or cycler's run may last - mostly a weekend - every load that begins before
ends before. Then the plan falls into parts that share nothing but the loads: whole loads go through each part, and what can
go through a part is a small question. Added up, the most that goes through each says how many parts are needed, and what is
left for the last of them says when that one ends.

What goes through is weighed: by coupons, or by the worth of a load's size in filling chambers of one
capacity (the dual prices of the cutting-stock problem: P. C. Gilmore and R. E. Gomory, "A linear programming approach to the
cutting-stock problem", Operations Research 9 (1961), 849-859). Any weights are valid: a chamber never holds more of them than the
best choice of loads that fits.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from labbench.science.scheduling.chains import Chain
from labbench.science.scheduling.counting_shares import Reals, SharesOfLoads
from labbench.science.scheduling.grid import Census, Grid, Kin, grid, tick_minutes
from labbench.science.scheduling.hours import staffed_hours
from labbench.science.scheduling.lab import STEP_KINDS, Lab
from labbench.science.scheduling.packing import largest_fill, most_worth
from labbench.science.scheduling.search import Search

# What a chamber's fill is worth in whole numbers, how many patterns price it at most.
WORTH = 12
MOST_PATTERNS = 200
# How many variables a question may have, how long a tick may get to that end, and how close the bound is worth a further question.
MOST_VARIABLES = 13_000
LONGEST_TICK = 240
# Deterministic units that a question counts as, for each variable.
WORK_PER_VARIABLE = 1.3e-5
CLOSE_ENOUGH = 0.002
MOST_QUESTIONS = 10


@dataclass(frozen=True, slots=True)
class Spell:
    """From the first staffed minute to the last."""

    first_minutes: int
    last_minutes: int


def spells_of(lab: Lab, horizon_minutes: int) -> tuple[Spell, ...]:
    """The spells up to a horizon; one of them where every time without staff can be bridged by a soak."""
    longest = max(
        max(
            *(step.max_minutes for step in profile.steps),
            profile.max_transfer_minutes,
            profile.cycler_minutes if lab.chambers_for("cycler") else 0,
        )
        for profile in lab.profiles
    )
    spells: list[Spell] = []
    for first, last in staffed_hours(lab, horizon_minutes).spans:
        if spells and first - spells[-1].last_minutes <= longest:
            spells[-1] = Spell(spells[-1].first_minutes, last)
        else:
            spells.append(Spell(first, last))
    return tuple(spells)


@dataclass(frozen=True, slots=True)
class Weighing:
    """What a load of so many coupons counts, in whole numbers; `worth` are pairs of coupons and that."""

    worth: tuple[tuple[int, int], ...]

    def of(self, chain: Chain) -> int:
        """What a load counts."""
        return dict(self.worth)[chain.load.coupons]

    def census(self, chains: Sequence[Chain], first_minutes: int) -> Census:
        """The loads as single units of weight, those ready by `first_minutes` together."""
        groups: dict[tuple[object, int], list[Chain]] = {}
        for chain in chains:
            groups.setdefault((chain.profile, max(chain.first_start[0], first_minutes)), []).append(chain)
        kins = [
            Kin(tuple(alike), alike[0].profile, 1, ready, None, sum(self.of(chain) for chain in alike))
            for (_, ready), alike in groups.items()
        ]
        return Census(tuple(kin for kin in kins if kin.loads), self.most_in(chains))

    def most_in(self, chains: Sequence[Chain]) -> Callable[[int], int]:
        """The most that these loads weigh in so many places."""
        counts = Counter(chain.load.coupons for chain in chains)
        return partial(most_worth, tuple((coupons, worth, counts[coupons]) for coupons, worth in self.worth))

    def reachable(self, chains: Sequence[Chain], most: float) -> int:
        """The most that whole loads weigh, up to a limit."""
        counts = Counter(self.of(chain) for chain in chains)
        total = sum(worth * count for worth, count in counts.items())
        return largest_fill(tuple(sorted(item for item in counts.items() if item[0])), min(int(most), total))


def weighings(lab: Lab, chains: Sequence[Chain]) -> list[Weighing]:
    """Weights to try: coupons, and the worth of sizes in each capacity."""
    counts = Counter(chain.load.coupons for chain in chains)
    sizes = sorted(counts)
    found = [Weighing(tuple((size, size) for size in sizes))]
    if len(sizes) == 1:
        return found
    return list(dict.fromkeys([*found, *worths_of_sizes(lab, chains)]))


def worths_of_sizes(lab: Lab, chains: Sequence[Chain]) -> list[Weighing]:
    """The worth of sizes in chambers of each capacity; none where all loads are of one size."""
    counts = Counter(chain.load.coupons for chain in chains)
    found = []
    for capacity in sorted({chamber.capacity for chamber in lab.chambers if chamber.kind in STEP_KINDS}):
        worth = _worth_in(counts, capacity) if len(counts) > 1 else {}
        if any(worth.values()):
            found.append(Weighing(tuple((size, worth.get(size, size)) for size in sorted(counts))))
    return found


def _worth_in(counts: Counter[int], capacity: int) -> dict[int, int]:
    """Dual prices of filling chambers of one capacity with these loads, as whole numbers."""
    from scipy import optimize  # slow import

    sizes = sorted(size for size in counts if size <= capacity)
    if not sizes:
        return {}
    patterns = [[min(capacity // size, counts[size]) if size == one else 0 for size in sizes] for one in sizes]
    price = np.zeros(len(sizes))
    for _ in range(MOST_PATTERNS):
        answer = optimize.linprog(
            [-counts[size] for size in sizes], A_ub=patterns, b_ub=np.ones(len(patterns)), method="highs"
        )
        if answer.status != 0:
            return {}
        price = np.asarray(answer.x)
        pattern = _best_pattern(sizes, counts, price, capacity)
        if float(price @ pattern) <= 1 + 1e-6 or pattern in patterns:
            break
        patterns.append(pattern)
    return {size: round(WORTH * float(one)) for size, one in zip(sizes, price, strict=True)}


def _best_pattern(sizes: list[int], counts: Counter[int], price: Reals, capacity: int) -> list[int]:
    """The most worth filling of one chamber."""
    best: list[tuple[float, list[int]]] = [(0.0, [0] * len(sizes)) for _ in range(capacity + 1)]
    for number, size in enumerate(sizes):
        for _ in range(min(counts[size], capacity // size)):
            for places in range(capacity, size - 1, -1):
                value, pattern = best[places - size]
                if value + price[number] > best[places][0] + 1e-9:
                    taken = list(pattern)
                    taken[number] += 1
                    best[places] = value + float(price[number]), taken
    return best[capacity][1]


def bound_by_spells(search: Search) -> Weighing | None:
    """Raise the bound of the makespan to where all that is weighed can have gone through, spell by spell.

    Gives the weights that raised it last; None if there is one spell only or no load is still to begin.
    """
    waiting = [chain for chain in search.chains if chain.may_cycle]
    spells = spells_of(search.lab, search.best.makespan_minutes)
    if not waiting or len(spells) == 1:
        return None
    tried = weighings(search.lab, waiting)
    best = tried[0]
    for weighing in tried:
        before = search.bound_minutes
        if not search.is_closed:
            _Passage(search, waiting, weighing).raise_bound(spells)
        if search.bound_minutes > before:
            best = weighing
    return best


@dataclass(slots=True)
class _Passage:
    """How much of what is weighed goes through spells."""

    search: Search
    waiting: Sequence[Chain]
    weighing: Weighing

    def raise_bound(self, spells: tuple[Spell, ...]) -> None:
        clock = self._clock(spells)
        if clock is None:
            return
        left = sum(self.weighing.of(chain) for chain in self.waiting)
        known: dict[object, int | None] = {}
        for spell in spells:
            part = clock.between(spell.first_minutes, spell.last_minutes)
            chains = [chain for chain in self.waiting if chain.first_start[0] <= spell.last_minutes]
            ready = tuple(max(chain.first_start[0] - spell.first_minutes, 0) for chain in chains)
            key = (part.ticks - part.ticks[:1]).tobytes(), part.open_places.tobytes(), ready
            if key not in known:
                known[key] = self._most(chains, spell, part, len(part.ticks) - 1)
            most = known[key]
            if most is None:
                return
            if most >= left:
                self._end(chains, spell, part, left)
                return
            left -= most
            later = [one.first_minutes for one in spells if one.first_minutes > spell.last_minutes]
            self.search.raise_bound(min([*later, self.search.best.makespan_minutes]))
            if self.search.is_over:
                return

    def _clock(self, spells: tuple[Spell, ...]) -> Grid | None:
        """The finest clock on which the longest spell is not too large a question."""
        search, horizon = self.search, self.search.best.makespan_minutes
        kins = max(len(self.weighing.census(self.waiting, spell.first_minutes).kins) for spell in spells)
        stages = max(len(profile.stages) for profile in search.lab.profiles)
        minutes = staffed_hours(search.lab, horizon).minutes
        longest = max(
            int(np.count_nonzero((minutes >= spell.first_minutes) & (minutes <= spell.last_minutes)))
            for spell in spells
        )
        tick = tick_minutes(search.lab, horizon, 1)
        while 2 * kins * stages * longest / tick > MOST_VARIABLES and tick < LONGEST_TICK:
            tick *= 2
        if 2 * kins * stages * longest / tick > 2 * MOST_VARIABLES:
            return None
        return grid(search.lab, search.taken, horizon, tick, is_relaxed=True)

    def _most(self, chains: Sequence[Chain], spell: Spell, part: Grid, last: int) -> int | None:
        """The most that goes through a spell up to a tick; None if it was not found out."""
        census = self.weighing.census(chains, spell.first_minutes)
        if not census.kins:
            return 0
        program = SharesOfLoads(self.search.lab, census, part, last, keeps_due=False, is_partial=True)
        self.search.work -= WORK_PER_VARIABLE * program.variables
        most = program.most([1.0] * len(census.kins), seconds=self.search.until - time.monotonic())
        return None if most is None else self.weighing.reachable(chains, most)

    def _end(self, chains: Sequence[Chain], spell: Spell, part: Grid, left: int) -> None:
        """Raise the bound to the first tick by which what is left can have gone through the last spell."""
        search = self.search
        high = len(part.ticks) - 1
        low = max(int(part.last_at(part.tick_of(search.bound_minutes))), 0)
        place = low
        for _ in range(MOST_QUESTIONS):
            width = part.minutes_of(high) - part.minutes_of(low) if low <= high else 0
            if low > high or width < CLOSE_ENOUGH * search.best.makespan_minutes or search.is_over:
                return
            most = self._most(chains, spell, part, place)
            if most is None:
                return
            if most >= left:
                high = place - 1
            else:
                low = place + 1
                search.raise_bound(_first_end_after(search, part, place))
            place = (low + high) // 2


def _first_end_after(search: Search, clock: Grid, place: int) -> int:
    """The first staffed minute of the tick after one at which not all can have ended."""
    minutes = staffed_hours(search.lab, search.best.makespan_minutes).minutes
    later = minutes[minutes >= (int(clock.ticks[place]) + 1) * clock.tick_minutes - clock.offset_minutes]
    return int(later[0]) if len(later) else search.best.makespan_minutes
