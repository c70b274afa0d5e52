"""A first plan: the loads one after another, each where it ends first."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from labbench.science.scheduling.chains import Chain, Taken, longest_chain_minutes, settled_minutes
from labbench.science.scheduling.insertion import Timetable
from labbench.science.scheduling.lab import CYCLER, WEEK_MINUTES, Booking, Lab, Score, score

# Staffed minutes looked through by all orders after the first: about a second on the machine the benchmarks were made on.
WORK = 30_000_000


class NoPlaceError(Exception):
    """A load finds no place, however late."""

    def __init__(self, load: str) -> None:
        super().__init__(load)
        self.load = load


@dataclass(slots=True)
class Draft:
    """Bookings of every load, with the timetable they stand in."""

    timetable: Timetable
    bookings: dict[str, tuple[Booking, ...]]


def constructed_plan(
    lab: Lab, chains: Sequence[Chain], taken: tuple[Taken, ...], previous: frozenset[Booking] = frozenset()
) -> Draft:
    """Bookings of all loads by the best of a few orders; those of the plan before are kept where they still fit.

    Raises
    ------
    NoPlaceError
        If a load finds no place in any of the orders.
    """
    refused: NoPlaceError | None = None
    best: tuple[Score, Draft] | None = None
    work = 0
    for order in _orders(chains):
        if best is not None and 2 * work > WORK:
            break
        try:
            draft = _in_order(lab, order, chains, taken, previous)
        except NoPlaceError as error:
            refused = refused or error
            continue
        work += sum(len(chain.profile.stages) for chain in chains) * len(draft.timetable.minutes)
        found = score(lab, draft.bookings, previous)
        if best is None or found < best[0]:
            best = found, draft
    if best is None:
        assert refused is not None
        raise refused
    return best[1]


def _orders(chains: Sequence[Chain]) -> list[list[Chain]]:
    """Loads that have begun come first, as they can't wait; then by due date and readiness, large ones first or last."""
    late = 2**40

    def by_due(size: int) -> Callable[[Chain], tuple[bool, int, int, int, int]]:
        return lambda chain: (
            chain.may_cycle,
            chain.first_start[1],
            late if chain.load.due_minutes is None else chain.load.due_minutes - 10_000 * (chain.load.priority - 1),
            chain.first_start[0],
            size * chain.load.coupons,
        )

    def by_ready(chain: Chain) -> tuple[bool, int, int]:
        return chain.may_cycle, chain.first_start[1], chain.first_start[0]

    orders = [sorted(chains, key=by_due(-1)), sorted(chains, key=by_due(1)), sorted(chains, key=by_ready)]
    return [order for place, order in enumerate(orders) if order not in orders[:place]]


def _in_order(
    lab: Lab,
    order: Sequence[Chain],
    chains: Sequence[Chain],
    taken: tuple[Taken, ...],
    previous: frozenset[Booking],
) -> Draft:
    settled = max([settled_minutes(lab, chains), *(one.to_minutes for one in taken)])
    horizon = settled + WEEK_MINUTES + longest_chain_minutes(lab)
    draft = Draft(Timetable(lab, horizon, taken), {})
    left = []
    for chain in order:
        kept = _kept(chain, previous)
        new = None if kept is None else _new(chain, kept)
        if (
            kept is not None
            and new
            and _keeps_rules(draft.timetable, chain, new)
            and draft.timetable.fits(new, chain.load.coupons)
        ):
            draft.bookings[chain.load.name] = kept
            draft.timetable.add(new, chain.load.coupons)
        else:
            left.append(chain)
    for chain in left:
        found = draft.timetable.earliest(chain)
        if found is None:
            # Once everything booked is over the lab repeats itself by the week: what fits nowhere then never fits.
            latest = max([settled, *(bookings[-1].end_minutes for bookings in draft.bookings.values())])
            _stretch(lab, draft, chains, taken, latest + WEEK_MINUTES + longest_chain_minutes(lab))
            found = draft.timetable.earliest(chain)
        if found is None:
            raise NoPlaceError(chain.load.name)
        draft.bookings[chain.load.name] = found
        draft.timetable.add(_new(chain, found), chain.load.coupons)
    return draft


def _stretch(lab: Lab, draft: Draft, chains: Sequence[Chain], taken: tuple[Taken, ...], horizon: int) -> None:
    # Half as much again: the next load would ask for more at once.
    draft.timetable = Timetable(lab, horizon + horizon // 2, taken)
    for chain in chains:
        if chain.load.name in draft.bookings:
            draft.timetable.add(_new(chain, draft.bookings[chain.load.name]), chain.load.coupons)


def _kept(chain: Chain, previous: frozenset[Booking]) -> tuple[Booking, ...] | None:
    """The bookings of the plan before, if they are a whole way for what is left of the load."""
    old = sorted((b for b in previous if b.load == chain.load.name), key=lambda booking: booking.start_minutes)
    new, stages = old[len(chain.done) :], len(chain.profile.stages)
    if not new or (new[0].step is not None and len(old) != stages) or (new[0].step is None and not chain.may_cycle):
        return None
    first, low, high = new[0], *chain.first_start
    if not low <= first.start_minutes <= high:
        return None
    if chain.open_chamber is not None and not chain.open_end[0] <= first.end_minutes <= chain.open_end[1]:
        return None
    return (*chain.done, *new)


def _keeps_rules(timetable: Timetable, chain: Chain, new: tuple[Booking, ...]) -> bool:
    """Whether bookings of the plan before keep hours, soaks and transfers: they may stand against a wish, or the lab has changed."""
    is_open = chain.open_chamber is not None
    moves = [minute for one in new for minute in (one.start_minutes, one.end_minutes)][1 if is_open else 0 :]
    if not np.isin(moves, timetable.minutes).all():
        return False
    kinds = {chamber.name: chamber.kind for chamber in timetable.lab.chambers}
    if new[0].step is None:
        return (
            kinds[new[0].chamber] == CYCLER
            and new[0].end_minutes - new[0].start_minutes == chain.profile.cycler_minutes
        )
    stages = chain.profile.stages[chain.first_stage :]
    soaks = [
        (one.step, kinds[one.chamber]) == (stage.name, stage.kind)
        and stage.min_minutes <= one.end_minutes - one.start_minutes <= stage.max_minutes
        for one, stage in zip(new, stages, strict=True)
    ]
    # What is open was looked at already; its limits may be waived, and its chamber stays.
    ways = [
        0 <= after.start_minutes - before.end_minutes <= chain.profile.max_transfer_minutes
        for before, after in pairwise(new)
    ]
    return all(soaks[1 if is_open else 0 :]) and all(ways)


def _new(chain: Chain, bookings: tuple[Booking, ...]) -> tuple[Booking, ...]:
    return bookings[len(chain.done) :]
