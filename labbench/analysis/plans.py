"""The plans of a study side by side, computed from what they have to keep to."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from labbench.formats.factor_names import factor_label
from labbench.science.candidates import Impossible, impossible_codes
from labbench.science.design_aliases import AliasTable, alias_table
from labbench.science.designs import (
    Design,
    d_optimal_subset,
    fraction_sizes,
    fractional_factorial,
    full_factorial,
    one_factor_swaps,
)
from labbench.science.hypotheses import Integers, Suspect, hypotheses
from labbench.science.load_limits import NO_LIMIT, LoadLimits
from labbench.science.plan_chances import (
    CAUSE_KINDS,
    Assumed,
    PlanChance,
    fixed_plan_chance,
    is_thinkable,
    next_codes,
    sequential_plan_chance,
)
from labbench.science.random_allocation import allocate

Inputs = Mapping[str, Any]
Progress = Callable[[int, int, str], None]
# A fixed plan of more coupons is listed without being played: no lab runs it, and it would take long.
MOST_PLAYED = 400
MOST_FACTORS_PLAYED = 12
MOST_ALIASES = 12
MOST_FRACTIONS = 2


@dataclass(frozen=True, slots=True)
class Asked:
    """The inputs as the science takes them: factors with two or more levels, the others at the only one they have."""

    suspects: tuple[Suspect, ...]
    baseline: Integers
    impossible: Impossible
    left: tuple[tuple[int | None, ...], ...]
    per_load: tuple[int | None, ...]
    hard: tuple[int, ...]
    usual: dict[str, Any]
    notes: tuple[str, ...]
    limits: LoadLimits


@dataclass(frozen=True, slots=True)
class Offer:
    """One plan before it is played. `is_sequential`: `codes` are its first load only."""

    key: str
    kind: str
    title: str
    codes: Integers
    wanted: int
    reason: str | None
    is_sequential: bool = False


def asked_of(inputs: Inputs) -> Asked:
    """What a plan works with, and the sentences that say what it takes for granted."""
    notes = []
    usual: dict[str, Any] = {}
    kept = []
    for factor in inputs["factors"]:
        label = factor_label(factor["name"])
        if len(factor["levels"]) >= 2:
            kept.append(factor)
            continue
        if factor["levels"]:
            usual[factor["name"]] = factor["levels"][0]
        notes.append(
            f"{label.capitalize()} has {'one level only' if factor['levels'] else 'no level'}: no plan can say anything about it."
        )
    for factor in kept:
        if factor["baseline"] is None:
            notes.append(
                f"{factor_label(factor['name']).capitalize()} has no baseline: its first level is taken, {factor['levels'][0]}."
            )
    suspects = tuple(Suspect(f["name"], f["kind"], tuple(f["levels"])) for f in kept)
    baseline = [0 if f["baseline"] is None else f["levels"].index(f["baseline"]) for f in kept]
    return Asked(
        suspects,
        np.array(baseline, dtype=np.int64),
        impossible_codes(suspects, tuple(inputs["impossible"]), usual=usual),
        tuple(tuple(f["left"]) for f in kept),
        tuple(f["levels_per_session"] for f in kept),
        tuple(number for number, f in enumerate(kept) if f["is_hard_to_change"]),
        usual,
        tuple(notes),
        limits_of(kept, [factor for factor in inputs["factors"] if factor["name"] in usual]),
    )


def limits_of(varied: list[Mapping[str, Any]], fixed: list[Mapping[str, Any]]) -> LoadLimits:
    """Stock and sessions as a load has to keep to them; a factor with one level is on every coupon."""
    left = tuple(np.array([NO_LIMIT if n is None else n for n in f["left"]], dtype=np.int64) for f in varied)
    most = [NO_LIMIT if f["levels_per_session"] is None else f["levels_per_session"] for f in varied]
    enough = [n for f in fixed for n in f["left"] if n is not None]
    return LoadLimits(left, np.array(most, dtype=np.int64), min(enough, default=NO_LIMIT))


def compared_plans(inputs: Inputs, *, progress: Progress) -> dict[str, Any]:
    """The document of a comparison: every plan with coupons, loads, chamber hours, aliases and its chance."""
    asked = asked_of(inputs)
    if not asked.suspects:
        return {
            "plans": [],
            "notes": [*asked.notes, "There is no factor with two levels: there is nothing to compare."],
        }
    offers = offered(asked, inputs)
    kinds = sum(is_thinkable(asked.suspects, cause) for cause in CAUSE_KINDS)
    steps = Steps(progress, len(offers) * kinds * inputs["studies"])
    return {"plans": [plan_row(offer, asked, inputs, steps) for offer in offers], "notes": list(asked.notes)}


class Steps:
    """Adds up the progress of one plan after the other."""

    def __init__(self, progress: Progress, total: int) -> None:
        self.progress, self.total, self.before = progress, total, 0

    def of(self, title: str) -> Callable[[int, int], None]:
        return lambda done, total: self.progress(self.before + done, self.total, title)

    def skip(self, studies: int) -> None:
        self.before += studies


def offered(asked: Asked, inputs: Inputs) -> list[Offer]:
    """Every plan, the ones that can't be made too, with the reason."""
    per_arm, size, places = inputs["per_arm"], inputs["size"], inputs["places"]
    swaps = one_factor_swaps(asked.suspects, asked.baseline, per_arm=per_arm, impossible=asked.impossible)
    offers = [
        offer("swaps", "swaps", f"One-factor swaps, {per_arm} per arm", swaps, asked),
        offer(
            "factorial",
            "factorial",
            "Full factorial",
            full_factorial(asked.suspects, impossible=asked.impossible),
            asked,
        ),
    ]
    for runs in fraction_sizes(asked.suspects)[:MOST_FRACTIONS]:
        made = fractional_factorial(asked.suspects, asked.baseline, runs=runs, impossible=asked.impossible)
        offers.append(offer(f"fraction-{runs}", "fraction", f"Fractional factorial of {runs}", made, asked))
    rng = np.random.default_rng(inputs["seed"])
    subset = d_optimal_subset(asked.suspects, size=size, impossible=asked.impossible, rng=rng, left=asked.left)
    offers.append(offer("d_optimal", "d_optimal", f"D-optimal subset of {size}", subset, asked))
    first = Design(first_load(asked, places, inputs["seed"]), places * inputs["loads_ready"])
    if not len(first):
        first = Design(first.codes, first.wanted, "no combination of levels can be made")
    elif len(first) < places:
        words = f"stock and levels in one session allow {len(first)} of the {places} coupons of the first load"
        first = Design(first.codes, first.wanted, words)
    one = offer("sequential", "sequential", f"Sequential plan, {places} a load", first, asked)
    return [*offers, Offer(one.key, one.kind, one.title, one.codes, one.wanted, one.reason, True)]


def first_load(asked: Asked, places: int, seed: int) -> Integers:
    """The load that is expected to tell most before anything has run."""
    space = hypotheses(asked.suspects)
    nothing = np.empty((0, len(asked.suspects)), dtype=np.int64)
    return next_codes(space, nothing, None, places, asked.impossible, seed, limits=asked.limits)


def offer(key: str, kind: str, title: str, design: Design, asked: Asked) -> Offer:
    """The design as an offer; one that the stock is not enough for says so."""
    reason = design.reason
    short = [
        f"{factor_label(suspect.name)} {suspect.levels[level]} is enough for {left}, not {wanted}"
        for factor, suspect in enumerate(asked.suspects)
        for level, left in enumerate(asked.left[factor])
        if left is not None and (wanted := int((design.codes[:, factor] == level).sum())) > left
    ]
    if short:
        reason = "; ".join(filter(None, [reason, *short]))
    return Offer(key, kind, title, design.codes, design.wanted, reason)


def plan_row(one: Offer, asked: Asked, inputs: Inputs, steps: Steps) -> dict[str, Any]:
    """One plan of the document."""
    coupons = len(one.codes)
    if coupons:
        drawn = allocate(
            one.codes if coupons <= MOST_PLAYED else one.codes[:0],
            places=inputs["places"],
            rng=np.random.default_rng(inputs["seed"]),
            levels_per_load=asked.per_load,
        )
        loads = drawn.loads or math.ceil(coupons / inputs["places"])
    else:
        drawn, loads = None, 0
    most_loads = inputs["loads_ready"] if one.is_sequential and coupons else loads
    chances = chances_of(one, asked, inputs, None if drawn is None else drawn.load, steps)
    minutes = inputs["load_minutes"]
    table = alias_table(one.codes, asked.suspects) if 0 < coupons <= MOST_PLAYED else AliasTable((), ())
    return {
        "key": one.key,
        "plan": one.kind,
        "title": one.title,
        "coupons": one.wanted if one.is_sequential and coupons else coupons,
        "wanted": one.wanted,
        "loads": most_loads,
        "controls": most_loads * sum(inputs["controls"].values()),
        "chamber_hours": None if minutes is None else most_loads * minutes / 60,
        "reason": one.reason,
        "fits": 0 < most_loads <= inputs["loads_ready"],
        "is_sequential": one.is_sequential,
        "is_told": coupons > 0 and (coupons <= MOST_PLAYED),
        "not_varied": [asked.suspects[factor].name for factor in table.not_varied],
        "aliases": [
            {
                "factor": asked.suspects[alias.factor].name,
                "others": [asked.suspects[other].name for other in alias.others],
                "correlation": alias.correlation,
                "is_whole": alias.is_whole,
            }
            for alias in table.aliases[:MOST_ALIASES]
        ],
        "aliases_left_out": max(0, len(table.aliases) - MOST_ALIASES),
        "chances": chances,
        "arms": arms_of(one.codes, asked) if coupons <= MOST_PLAYED else [],
    }


def chances_of(one: Offer, asked: Asked, inputs: Inputs, loads: Integers | None, steps: Steps) -> dict[str, Any] | None:
    """The chance for each kind of cause, None for one that these factors don't allow; None where the plan is not played."""
    studies = inputs["studies"]
    is_played = 0 < len(one.codes) <= MOST_PLAYED and len(asked.suspects) <= MOST_FACTORS_PLAYED
    assumed = Assumed(asked.baseline, inputs["failing_share"], inputs["holding_share"])
    found: dict[str, Any] = {}
    for cause in CAUSE_KINDS:
        chance: PlanChance | None = None
        told = steps.of(one.title)
        if is_played and one.is_sequential:
            chance = sequential_plan_chance(
                asked.suspects,
                places=inputs["places"],
                most_loads=inputs["loads_ready"],
                impossible=asked.impossible,
                limits=asked.limits,
                assumed=assumed,
                cause=cause,
                studies=studies,
                seed=inputs["seed"],
                progress=told,
            )
        elif is_played and loads is not None:
            chance = fixed_plan_chance(
                asked.suspects,
                one.codes,
                loads,
                assumed=assumed,
                cause=cause,
                studies=studies,
                seed=inputs["seed"],
                progress=told,
            )
        if is_thinkable(asked.suspects, cause):
            steps.skip(studies)
        found[cause] = None if chance is None else chance_row(chance)
    return found if is_played else None


def chance_row(chance: PlanChance) -> dict[str, float]:
    return {
        "found": chance.found.share,
        "standard_error": chance.found.standard_error,
        "wrong": chance.wrong.share,
        "wrong_standard_error": chance.wrong.standard_error,
        "mean_coupons": chance.mean_coupons,
        "mean_loads": chance.mean_loads,
    }


def arms_of(codes: Integers, asked: Asked) -> list[dict[str, Any]]:
    """Level combinations with how many coupons, in the order of the design."""
    counts = Counter(tuple(int(level) for level in row) for row in codes)
    return [
        {
            "levels": {s.name: s.levels[level] for s, level in zip(asked.suspects, row, strict=True)} | asked.usual,
            "count": count,
        }
        for row, count in counts.items()
    ]
