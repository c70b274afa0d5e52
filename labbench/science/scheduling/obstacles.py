"""What would it take: which rule keeps a load from any place, the least change that gives it one, and what changes gain.

Later loads can always follow earlier ones, so a lab without a plan has a load that has no place even alone (or beside what
is firm). Each rule is loosened by itself, and the least loosening that gives the load a place is told, with the
earliest end it would then have.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import timedelta

from labbench.science.scheduling.bounds import alone_ends
from labbench.science.scheduling.chains import chain_of, longest_chain_minutes, settled_minutes, taken_places
from labbench.science.scheduling.lab import CYCLER, DAY_MINUTES, WEEK_MINUTES, Chamber, Lab, Load, Profile
from labbench.science.scheduling.solver import DEFAULT_SEED, Plan, plan_chambers

MOST_LOADS_EXPLAINED = 3


@dataclass(frozen=True, slots=True)
class Remedy:
    """The least change of one rule that gives a load a place.

    Attributes
    ----------
    rule : str
        "capacity", "chamber", "staffed", "longest soak", "longest transfer" or "closures".
    words : str
    end_minutes : int or None
        When the load would end at the earliest, alone; None where that was not computed.
    """

    rule: str
    words: str
    end_minutes: int | None


@dataclass(frozen=True, slots=True)
class Obstacle:
    """Why a load has no place, and the single changes that would each give it one."""

    load: str
    words: str
    remedies: tuple[Remedy, ...]


@dataclass(frozen=True, slots=True)
class Gain:
    """A lab changed in one thing, planned again; `gained_minutes` of makespan and `gained_late_minutes` of lateness."""

    words: str
    plan: Plan
    gained_minutes: int
    gained_late_minutes: int


def with_obstacles(lab: Lab, plan: Plan, time_text: Callable[[int], str] | None = None) -> Plan:
    """The plan, an infeasible one with what is in the way and what would help as its reason.

    `time_text` writes a minute of the lab as a time; None: as ISO 8601 has it.
    """
    if plan.status != "infeasible":
        return plan
    named = set(plan.no_place[:MOST_LOADS_EXPLAINED])
    words = [explained(lab, obstacle(lab, load), time_text) for load in lab.loads if load.name in named]
    left = len(plan.no_place) - len(words)
    if left > 0:
        words.append(f"{left} more {'load has' if left == 1 else 'loads have'} no place either.")
    return replace(plan, reason=" ".join(words))


def explained(lab: Lab, found: Obstacle, time_text: Callable[[int], str] | None = None) -> str:
    """An obstacle and its remedies in words."""
    sentences = [f"{found.load}: {found.words}."]
    for remedy in found.remedies:
        end = ""
        if remedy.end_minutes is not None:
            minutes = remedy.end_minutes
            iso = (lab.start + timedelta(minutes=minutes)).isoformat(" ", "minutes")
            end = f" (done by {time_text(minutes) if time_text else iso} at the earliest)"
        sentences.append(f"It would do with {remedy.words}{end}.")
    return " ".join(sentences)


def length_text(minutes: int) -> str:
    """45 min, 8 h, 26 h 5 min."""
    hours, rest = divmod(minutes, 60)
    return " ".join(f"{count} {unit}" for count, unit in ((hours, "h"), (rest, "min")) if count) or "0 min"


def soak_text(profile: Profile, name: str) -> str:
    """A step in a sentence: of "2 heat of round 1" the heat soak of round 1, its number only where another is named alike."""

    def without_number(text: str) -> str:
        found = re.fullmatch(r"(?:\d+ )?(.+?)( of round \d+)?", text)
        return text if found is None else f"the {found[1]} soak{found[2] or ''}"

    alike = [step for step in profile.steps if without_number(step.name) == without_number(name)]
    return without_number(name) if len(alike) == 1 else f"the soak {name}"


def earliest_end(lab: Lab, load: Load) -> int | None:
    """When a load would end if the lab were its own but for what is firm; None if it has no place."""
    alone = replace(lab, loads=tuple(one for one in lab.loads if one == load or lab.firm_of(one)))
    chains = [chain_of(alone, one) for one in alone.loads]
    horizon = settled_minutes(alone, chains) + WEEK_MINUTES + longest_chain_minutes(alone)
    mine = [chain for chain in chains if chain.load == load]
    return alone_ends(alone, mine, taken_places(alone, chains), horizon)[load.name]


def obstacle(lab: Lab, load: Load) -> Obstacle:
    """What keeps a load that has no place from one."""
    if missing := list(_missing_chambers(lab, load)):
        return Obstacle(load.name, "; ".join(words for words, _ in missing), tuple(remedy for _, remedy in missing))
    if lab.is_never_staffed:
        return Obstacle(load.name, "nobody is ever there to move it", ())
    remedies = tuple(
        remedy for find in (_longer_day, _longer_soaks, _longer_transfer, _no_closures) for remedy in find(lab, load)
    )
    words = "no start lets every move happen while staffed and every soak and transfer keep its limits"
    if not remedies:
        words += ", and no single change of the hours, a longest soak or the longest transfer would do"
    return Obstacle(load.name, words, remedies)


def _missing_chambers(lab: Lab, load: Load) -> Iterator[tuple[str, Remedy]]:
    if lab.chambers_for(CYCLER, load.coupons):
        return
    for kind in dict.fromkeys(step.kind for step in lab.profile_of(load).steps):
        of_kind = [lab.chambers[place] for place in lab.chambers_for(kind)]
        if not of_kind:
            yield f"there is no {kind} chamber", Remedy("chamber", f"a {kind} chamber of {load.coupons} coupons", None)
        elif max(chamber.capacity for chamber in of_kind) < load.coupons:
            largest = max(chamber.capacity for chamber in of_kind)
            words = (
                f"its {load.coupons} coupons exceed the capacity of every {kind} chamber, the largest holds {largest}"
            )
            remedy = f"a {kind} chamber of {load.coupons} coupons, or the load made as several of at most {largest}"
            yield words, Remedy("capacity", remedy, None)


def _least(works: Callable[[int], int | None], most: int) -> tuple[int, int] | None:
    """The least amount from 1 to `most` that works, and the end with it; more never works worse."""
    if works(most) is None:
        return None
    low, high = 1, most
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if works(middle) is not None else (middle + 1, high)
    end = works(low)
    assert end is not None
    return low, end


def _longer_day(lab: Lab, load: Load) -> Iterator[Remedy]:
    if _is_always_staffed(lab):
        return
    found = _least(lambda minutes: earliest_end(longer_days(lab, minutes), load), DAY_MINUTES)
    if found is not None and _can_be_longer(lab, found[0]):
        yield Remedy("staffed", f"staff there {length_text(found[0])} longer each day", found[1])
    elif (end := earliest_end(replace(lab, staffed=None, staffed_spans=None, absences=()), load)) is not None:
        yield Remedy("staffed", "staff there at all hours", end)


def _longer_soaks(lab: Lab, load: Load) -> Iterator[Remedy]:
    profile = lab.profile_of(load)
    for place, step in enumerate(profile.steps):

        def longer(minutes: int, place: int = place) -> int | None:
            steps = list(profile.steps)
            steps[place] = replace(steps[place], max_minutes=steps[place].max_minutes + minutes)
            return _end_with(lab, load, replace(profile, steps=tuple(steps)))

        found = _least(longer, 4 * DAY_MINUTES)
        if found is not None:
            most, now = length_text(step.max_minutes + found[0]), length_text(step.max_minutes)
            words = f"up to {most} instead of {now} for {soak_text(profile, step.name)}"
            yield Remedy("longest soak", words, found[1])


def _longer_transfer(lab: Lab, load: Load) -> Iterator[Remedy]:
    profile = lab.profile_of(load)
    now = profile.max_transfer_minutes
    found = _least(
        lambda minutes: _end_with(lab, load, replace(profile, max_transfer_minutes=now + minutes)), 4 * DAY_MINUTES
    )
    if found is not None:
        words = f"a longest transfer of {length_text(now + found[0])} instead of {length_text(now)}"
        yield Remedy("longest transfer", words, found[1])


def _end_with(lab: Lab, load: Load, profile: Profile) -> int | None:
    """When a load would end at the earliest with another profile."""
    other = replace(load, profile=profile)
    return earliest_end(replace(lab, loads=tuple(other if one == load else one for one in lab.loads)), other)


def _can_be_longer(lab: Lab, minutes: int) -> bool:
    """Whether any day can be so much longer without going beyond midnight."""
    return bool(lab.staffed_spans) or any(window.to_minutes + minutes <= DAY_MINUTES for window in lab.staffed or ())


def _is_always_staffed(lab: Lab) -> bool:
    return lab.staffed is None and lab.staffed_spans is None


def _no_closures(lab: Lab, load: Load) -> Iterator[Remedy]:
    if lab.closures and (end := earliest_end(replace(lab, closures=()), load)) is not None:
        yield Remedy("closures", "no chamber closed", end)


def longer_days(lab: Lab, minutes: int) -> Lab:
    """The lab with every staffed window so much longer at its end, at most to midnight; every span to the next one."""
    windows, spans = lab.staffed, lab.staffed_spans
    if windows is not None:
        windows = tuple(replace(window, to_minutes=min(window.to_minutes + minutes, DAY_MINUTES)) for window in windows)
    if spans:
        nexts = [first for first, _ in spans[1:]] + [spans[-1][1] + DAY_MINUTES]
        spans = tuple((first, min(last + minutes, after)) for (first, last), after in zip(spans, nexts, strict=True))
    return replace(lab, staffed=windows, staffed_spans=spans)


def one_more_chamber(lab: Lab, kind: str) -> Lab:
    """The lab with one more chamber of a kind, as large as its largest (or as the largest load needs)."""
    capacities = [chamber.capacity for chamber in lab.chambers if chamber.kind == kind]
    capacity = max(capacities, default=max(load.coupons for load in lab.loads))
    names = {chamber.name for chamber in lab.chambers}
    name = next(name for number in range(1, len(names) + 2) if (name := f"one more {kind} {number}") not in names)
    return replace(lab, chambers=(*lab.chambers, Chamber(name, kind, capacity)))


def gains(
    lab: Lab, plan: Plan, *, seconds: float = 5.0, seed: int = DEFAULT_SEED, longer_minutes: int = 60
) -> list[Gain]:
    """What a longer day or one more chamber of each kind would gain over a plan; `seconds` for each of them.

    Both plans are the best found, so a small gain may be luck and a negative one means that none was found.
    """
    if plan.score is None:
        return []
    changes = (
        []
        if _is_always_staffed(lab)
        else [(f"{longer_minutes} minutes longer each day", longer_days(lab, longer_minutes))]
    )
    kinds = dict.fromkeys(step.kind for profile in lab.profiles for step in profile.steps)
    changes += [(f"one more {kind} chamber", one_more_chamber(lab, kind)) for kind in kinds]
    late = sum(minutes for _, minutes in plan.late)
    found = []
    for words, changed in changes:
        other = plan_chambers(changed, seconds=seconds, seed=seed)
        if other.score is not None:
            gained = plan.score.makespan_minutes - other.score.makespan_minutes
            found.append(Gain(words, other, gained, late - sum(minutes for _, minutes in other.late)))
    return found
