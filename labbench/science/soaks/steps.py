"""Which stretch of a temperature trace is which step of which round.

No start times are known. The air beside the coupons (the median of the coupons where there is none, or where its channel is
lost) is cut into stretches by the temperature zones of the steps; the stretches are then laid onto the steps of all rounds in
their order, by dynamic programming, with the least cost. The costs are choices of this file, tried on invented traces.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from labbench.science.soaks.profile import ProfileStep, ThermalProfile
from labbench.science.soaks.traces import ReadyTrace, Values, median_of

# Where a load waits between chambers, if no step is near it (common practice: a lab's room).
ROOM_C = 21.0
ROOM_REACH_K = 15.0
# Costs of reading a trace in one way and not another; a step that is left out in the middle costs one.
STEP_LEFT_OUT = 1.0
STEP_AFTER_THE_END = 0.05
STRETCH_PASSED_OVER = 0.02
ROOM_PASSED_OVER = 1.5
SOAK_PASSED_OVER = 2.0
ROOM_AT_AN_END = 0.6
# A few minutes in a room are the way between two chambers rather than a cool-down: dearer than leaving that step out.
WAY_AS_A_STEP = 1.1
# A door may stand open for this long without a new round having begun.
SHORTEST_WAY_MINUTES = 10.0
# A trace has some dozens of stretches; noise at the edge of a zone must not make the search slow.
MOST_STRETCHES = 400


@dataclass(frozen=True, slots=True)
class Zone:
    """Temperatures around one band, or several that overlap; `steps` are places in the profile, none for the room."""

    low_c: float
    high_c: float
    steps: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Rows `first` to `last` (included) in which the guide stays in one zone."""

    zone: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class SeenStep:
    """A step of the profile and the rows it takes in the trace; `pieces` counts the stretches it was put together of."""

    round: int
    step: int
    first: int
    last: int
    pieces: int


def zones_of(profile: ThermalProfile) -> tuple[Zone, ...]:
    """Zones of a profile, coldest first: steps whose bands overlap share one; the room is added if it is far from all."""
    zones: list[Zone] = []
    for place in sorted(range(len(profile.steps)), key=lambda place: profile.steps[place].low_c):
        step = profile.steps[place]
        if zones and step.low_c <= zones[-1].high_c:
            last = zones[-1]
            zones[-1] = Zone(last.low_c, max(last.high_c, step.high_c), (*last.steps, place))
        else:
            zones.append(Zone(step.low_c, step.high_c, (place,)))
    if not any(_is_room(zone) for zone in zones):
        zones.append(Zone(ROOM_C, ROOM_C, ()))
    return tuple(sorted(zones, key=lambda zone: zone.low_c))


def guide_of(ready: ReadyTrace) -> Values:
    """The temperature that tells the chamber, without holes: air, else glass; shape (n,)."""
    air = ready.air
    coupons = [ready.smooth_c[place] for place in ready.coupons]
    guide = ready.smooth_c[air] if air is not None else median_of(coupons)
    lost = np.isnan(guide) if np.isnan(guide.sum()) else None
    if ready.is_air_lost is not None:
        lost = ready.is_air_lost if lost is None else lost | ready.is_air_lost
    if lost is None or not lost.any():
        return guide
    guide = guide.copy()
    guide[lost] = median_of([values[lost] for values in coupons]) if air is not None and coupons else np.nan
    return _filled(guide)


def _filled(values: Values) -> Values:
    """Holes filled with the last reading before them, those at the start with the first after them."""
    known = ~np.isnan(values)
    if not known.any():
        return values
    places = np.where(known, np.arange(len(values)), -1)
    np.maximum.accumulate(places, out=places)
    places[places < 0] = int(np.argmax(known))
    return values[places]


def stretches_of(guide: Values, elapsed_s: Values, zones: tuple[Zone, ...]) -> list[Stretch]:
    """The guide cut where it goes half-way from the band of one zone to that of the next."""
    label = np.zeros(len(guide), dtype=np.int8)
    for cold, warm in pairwise(zones):
        label += guide > (cold.high_c + warm.low_c) / 2
    cuts = np.flatnonzero(label[1:] != label[:-1]) + 1
    firsts = np.r_[0, cuts]
    lasts = np.r_[cuts - 1, len(guide) - 1]
    labels = label[firsts]
    seconds = elapsed_s[lasts] - elapsed_s[firsts]
    least_s = 0.0
    while len(firsts) > MOST_STRETCHES:
        # The shortest are noise at the edge of a zone; what they stood between grows together.
        least_s = max(2 * least_s, float(np.median(seconds)), 1e-6)
        is_kept = seconds >= least_s
        if not is_kept.any():
            is_kept[int(np.argmax(seconds))] = True
        firsts, lasts, labels = _grown_together(firsts[is_kept], lasts[is_kept], labels[is_kept])
        seconds = elapsed_s[lasts] - elapsed_s[firsts]
    return [Stretch(int(zone), int(first), int(last)) for zone, first, last in zip(labels, firsts, lasts, strict=True)]


def _grown_together(
    firsts: NDArray[np.intp], lasts: NDArray[np.intp], labels: NDArray[np.int8]
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.int8]]:
    begins = np.r_[True, labels[1:] != labels[:-1]]
    ends = np.r_[begins[1:], True]
    return firsts[begins], lasts[ends], labels[begins]


def find_steps(ready: ReadyTrace, profile: ThermalProfile) -> tuple[list[SeenStep], list[Stretch]]:
    """The steps of the profile that took place in the trace, in their order.

    Every stretch continues the step before it, begins a later step of its own zone, or is passed over: the room on the way
    from one chamber to the next, an open door, time before the first and after the last step. Steps that are jumped over
    have no stretch. The cheapest reading is taken: a step left out in the middle costs 1, a few minutes of the room taken
    as a step a little more, steps after the last one seen next to nothing, a stretch passed over little if it is short,
    and 1.5 (the room) or 2 if it is as long as a soak of its zone.

    Returns
    -------
    steps : list of SeenStep
        Round and step counted from 0.
    passed_over : list of Stretch
        As long as a soak of their zone, outside the room, and no part of a step.
    """
    zones = zones_of(profile)
    guide = guide_of(ready)
    if np.isnan(guide[0]):
        return [], []
    stretches = stretches_of(guide, ready.elapsed_s, zones)
    choice = _cheapest(stretches, zones, profile, ready.elapsed_s)
    found: dict[int, SeenStep] = {}
    for stretch, position in zip(stretches, choice, strict=True):
        if position is None:
            continue
        round_number, step = divmod(position, len(profile.steps))
        before = found.get(position)
        first, pieces = (stretch.first, 1) if before is None else (before.first, before.pieces + 1)
        found[position] = SeenStep(round_number, step, first, stretch.last, pieces)
    passed_over = [
        stretch
        for stretch, position in zip(stretches, choice, strict=True)
        if position is None
        and not _is_room(zones[stretch.zone])
        and _share_of_soak(stretch, zones, profile, ready.elapsed_s) == 1.0
    ]
    return [found[position] for position in sorted(found)], passed_over


def _cheapest(
    stretches: list[Stretch], zones: tuple[Zone, ...], profile: ThermalProfile, elapsed_s: Values
) -> list[int | None]:
    """For each stretch the position (counted over all rounds) it is laid onto, or None.

    State p = 0 ... P: the last position begun (0: none yet). A second layer of the same states, "over", passes over all that
    is left: after a run was broken off, the room is no cool-down.
    """
    steps = len(profile.steps)
    positions = steps * profile.rounds
    number = np.arange(positions + 1)
    zone_of = np.array([-1] + [_zone_of_step(zones, place) for place in range(steps)] * profile.rounds)
    cost = np.full(positions + 1, np.inf)
    cost[0] = 0.0
    over = np.full(positions + 1, np.inf)
    trail: list[tuple[NDArray[np.intp], NDArray[np.bool_], NDArray[np.bool_]]] = []
    last_in_zone: dict[int, int] = {}
    for stretch in stretches:
        share = _share_of_soak(stretch, zones, profile, elapsed_s)
        is_room = _is_room(zones[stretch.zone])
        is_way = is_room and _is_way(stretch, profile, elapsed_s)
        as_way, share = (WAY_AS_A_STEP, 0.0) if is_way else (0.0, share)
        passed = np.full(
            positions + 1, STRETCH_PASSED_OVER + (ROOM_PASSED_OVER if is_room else SOAK_PASSED_OVER) * share
        )
        passed[0] = STRETCH_PASSED_OVER + (0.0 if is_room else STEP_LEFT_OUT) * share
        at_end = STRETCH_PASSED_OVER + (ROOM_AT_AN_END if is_room else SOAK_PASSED_OVER) * share
        is_own = zone_of == stretch.zone
        # Begin position q > p: q - p - 1 steps are left out. The cheapest p for every q is a running minimum.
        ahead = cost - STEP_LEFT_OUT * number
        best_so_far = np.minimum.accumulate(ahead)
        came_from = _running_argmin(ahead)
        begin = np.full(positions + 1, np.inf)
        begin[1:] = best_so_far[:-1] + STEP_LEFT_OUT * (number[1:] - 1) + as_way
        if _is_short_pause(stretch, last_in_zone.get(stretch.zone), profile, elapsed_s):
            begin[1:][zone_of[1:] == zone_of[:-1]] = np.inf
        last_in_zone[stretch.zone] = stretch.last
        begin_from = np.zeros(positions + 1, dtype=np.intp)
        begin_from[1:] = came_from[:-1]
        laid = np.where(is_own, np.minimum(begin, cost), np.inf)
        is_begun = is_own & (begin < cost)
        skipped = cost + passed
        is_laid = laid <= skipped
        goes_over = cost < over
        over = np.minimum(cost, over) + at_end
        trail.append((np.where(is_laid & is_begun, begin_from, number), is_laid, goes_over))
        cost = np.minimum(laid, skipped)
    after = STEP_AFTER_THE_END * (positions - number)
    return _traced_back(trail, cost + after, over + after)


def _traced_back(
    trail: list[tuple[NDArray[np.intp], NDArray[np.bool_], NDArray[np.bool_]]],
    cost: NDArray[np.float64],
    over: NDArray[np.float64],
) -> list[int | None]:
    is_over = bool(over.min() < cost.min())
    state = int(np.argmin(over if is_over else cost))
    choice: list[int | None] = []
    for came_from, is_laid, goes_over in reversed(trail):
        if is_over:
            choice.append(None)
            is_over = not goes_over[state]
        else:
            choice.append(state - 1 if is_laid[state] else None)
            state = int(came_from[state])
    return choice[::-1]


def _is_room(zone: Zone) -> bool:
    """Whether a load that waits in the lab's room is in this zone."""
    return zone.low_c - ROOM_REACH_K <= ROOM_C <= zone.high_c + ROOM_REACH_K


def _is_way(stretch: Stretch, profile: ThermalProfile, elapsed_s: Values) -> bool:
    """Whether a stretch lasts no longer than a transfer may, and the trace goes on after it."""
    seconds = float(elapsed_s[stretch.last] - elapsed_s[stretch.first])
    is_short = seconds <= 60 * (profile.max_transfer_minutes or 0.0)
    return is_short and stretch.last < len(elapsed_s) - 1


def _is_short_pause(stretch: Stretch, before: int | None, profile: ThermalProfile, elapsed_s: Values) -> bool:
    """Whether a stretch follows one of its own zone so soon that it is the same soak behind an opened door.

    Only matters for profiles whose next step is of the same zone: those of a single step.
    """
    if before is None:
        return False
    pause_s = float(elapsed_s[stretch.first] - elapsed_s[before])
    return pause_s <= 60 * max(SHORTEST_WAY_MINUTES, profile.max_transfer_minutes or 0.0)


def _running_argmin(values: NDArray[np.float64]) -> NDArray[np.intp]:
    is_new = np.r_[True, values[1:] < np.minimum.accumulate(values)[:-1]]
    return np.maximum.accumulate(np.where(is_new, np.arange(len(values)), 0))


def _zone_of_step(zones: tuple[Zone, ...], step: int) -> int:
    return next(place for place, zone in enumerate(zones) if step in zone.steps)


def _share_of_soak(stretch: Stretch, zones: tuple[Zone, ...], profile: ThermalProfile, elapsed_s: Values) -> float:
    """How much of the shortest soak of its zone a stretch lasts, at most 1; 0 in a zone without step."""
    steps: list[ProfileStep] = [profile.steps[step] for step in zones[stretch.zone].steps]
    if not steps:
        return 0.0
    seconds = float(elapsed_s[stretch.last] - elapsed_s[stretch.first])
    least_s = 60 * min(step.min_minutes for step in steps)
    return min(1.0, seconds / least_s) if least_s > 0 else 1.0
