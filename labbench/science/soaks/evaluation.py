"""Whether each soak of a profile took place, from the temperature trace of a load.

Counted from the glass: a soak is the time in which all coupon channels are inside target ± tolerance; the air only stands in
where no coupon has a channel. See `inside_runs` for what ends a soak, `find_steps` for how steps are found and
`transfer_between` for the way between chambers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from labbench.science.soaks.profile import ProfileStep, ThermalProfile
from labbench.science.soaks.runs import (
    Envelope,
    Extremes,
    InsideRuns,
    envelope_of,
    extremes_of,
    inside_runs,
    spread_of,
)
from labbench.science.soaks.steps import SeenStep, Stretch, find_steps, guide_of
from labbench.science.soaks.traces import ReadyTrace, TemperatureTrace, make_ready
from labbench.science.soaks.transfers import Transfer, transfer_between

MOST_TOLD = 5

SoakVerdict = Literal["met", "short", "long", "not reached", "missing"]


@dataclass(frozen=True, slots=True)
class ChannelSoak:
    """One channel in one step: rows of its own longest time inside, its length, and its extremes over the step."""

    channel: str
    first: int | None
    last: int | None
    soak_minutes: float
    extremes: Extremes
    missing: int


@dataclass(frozen=True, slots=True)
class StepSoak:
    """One step of one round.

    Attributes
    ----------
    round : int
        From 1.
    step : str
    first, last : int or None
        Rows in which the load is in the step's chamber; None if the step is missing.
    reached, ended : int or None
        Rows in which the soak that counts begins and ends: the longest time with all deciding channels inside.
    first_inside : int or None
        Row in which all were inside for the first time, if only for a moment.
    soak_minutes : float
        0 if all were never inside.
    times_inside : int
        How many times without interruption all were inside.
    extremes, soak_extremes : Extremes or None
        Of the deciding channels, over the step and over the soak.
    spread_k : float or None
        Largest difference between two coupons during the soak.
    transfer_seconds : float or None
        Way into this step; `transfer_reason` says why it is None.
    is_transfer_late : bool
    verdict, reason
    by_channel : tuple of ChannelSoak
    """

    round: int
    step: str
    verdict: SoakVerdict
    reason: str
    first: int | None = None
    last: int | None = None
    reached: int | None = None
    ended: int | None = None
    first_inside: int | None = None
    soak_minutes: float = 0.0
    times_inside: int = 0
    extremes: Extremes | None = None
    soak_extremes: Extremes | None = None
    spread_k: float | None = None
    transfer_seconds: float | None = None
    transfer_reason: str | None = None
    is_transfer_late: bool = False
    by_channel: tuple[ChannelSoak, ...] = ()


@dataclass(frozen=True, slots=True)
class TraceEvaluation:
    """All steps of all rounds; `rounds_completed` counts rounds whose every step is met."""

    ready: ReadyTrace
    steps: tuple[StepSoak, ...]
    rounds_completed: int
    is_met: bool
    reason: str
    decided_by: tuple[str, ...]


def evaluate_trace(trace: TemperatureTrace, profile: ThermalProfile) -> TraceEvaluation:
    """Find and judge every step of the profile.

    Verdicts: ``missing`` - the trace does not show the step; ``not reached`` - the deciding channels were never all inside;
    ``short`` and ``long`` - the soak is below the least or above the longest time of the profile; else ``met``. The profile is
    met if every step is and no transfer that can be seen took longer than it allows (by more than one sampling interval, as
    its two ends are only known to within readings).

    Raises
    ------
    ValueError
        If the trace has no reading or no channel.
    """
    ready = make_ready(trace)
    air = ready.air
    deciding = ready.coupons or ((air,) if air is not None else ())
    envelope = envelope_of(ready, deciding)
    seen, passed_over = find_steps(ready, profile)
    if passed_over:
        ready = replace(ready, warnings=(*ready.warnings, _passed_over(ready, seen, passed_over)))
    transfers = _transfers(ready, profile, seen)
    rows = _rows_of_steps(seen, transfers)
    runs = {step: inside_runs(ready, envelope, step) for step in dict.fromkeys(profile.steps)}
    found = {(step.round, step.step): place for place, step in enumerate(seen)}
    steps = []
    for round_number in range(profile.rounds):
        for place, step in enumerate(profile.steps):
            at = found.get((round_number, place))
            if at is None:
                steps.append(_missing(round_number, step, seen, place))
                continue
            way = _way(ready, profile, seen, transfers, at)
            steps.append(_judged(ready, envelope, step, round_number, rows[at], runs[step], way))
    return _together(ready, profile, tuple(steps), envelope)


def _passed_over(ready: ReadyTrace, seen: list[SeenStep], stretches: list[Stretch]) -> str:
    """Soaks beside those of the profile: of an earlier or later round, or not meant."""
    guide = guide_of(ready)
    told = []
    for stretch in stretches[:MOST_TOLD]:
        level = float(np.median(guide[stretch.first : stretch.last + 1]))
        if seen and stretch.last < seen[0].first:
            where = ", before the first step"
        elif seen and stretch.first > seen[-1].last:
            where = ", after the last step"
        else:
            where = ""
        told.append(
            f"{ready.trace.stamp(stretch.first)} to {ready.trace.stamp(stretch.last)} near {level:.0f} degC{where}"
        )
    more = f", and {len(stretches) - MOST_TOLD:,} more" if len(stretches) > MOST_TOLD else ""
    return f"as long as a soak, but of no step of the profile's rounds: {'; '.join(told)}{more}"


def _transfers(ready: ReadyTrace, profile: ThermalProfile, seen: list[SeenStep]) -> list[Transfer | None]:
    """For each seen step the way into it; None for the first and where there is no air channel."""
    if ready.air is None or ready.is_air_lost is not None:
        return [None] * len(seen)
    air_c = guide_of(ready)
    return [None] + [
        transfer_between(
            air_c,
            ready.elapsed_s,
            (before.first, before.last),
            (after.first, after.last),
            (profile.steps[before.step], profile.steps[after.step]),
        )
        for before, after in pairwise(seen)
    ]


def _rows_of_steps(seen: list[SeenStep], transfers: list[Transfer | None]) -> list[tuple[int, int]]:
    """First and last row of each step: from when the air acts on the glass until it is left."""
    rows = []
    for at, step in enumerate(seen):
        first, last = step.first, step.last
        into = transfers[at]
        if into is not None and into.acts is not None:
            first = min(into.acts, step.last)
        out = transfers[at + 1] if at + 1 < len(seen) else None
        if out is not None:
            last = max(first, out.left - 1)
        rows.append((first, last))
    return rows


@dataclass(frozen=True, slots=True)
class _Way:
    """The way into a step."""

    seconds: float | None
    reason: str | None
    is_late: bool = False


def _way(
    ready: ReadyTrace, profile: ThermalProfile, seen: list[SeenStep], transfers: list[Transfer | None], at: int
) -> _Way:
    if at == 0:
        return _Way(None, "the way into the first step that is seen has no beginning")
    if ready.air is None:
        return _Way(None, "there is no air channel, and the glass alone does not show when a chamber was left")
    if ready.is_air_lost is not None:
        return _Way(None, "the air's channel is frozen for a time, so its other readings are no evidence either")
    transfer = transfers[at]
    if transfer is None or transfer.acts is None:
        return _Way(None, "no pause between the two chambers can be seen in the air")
    if seen[at].round * len(profile.steps) + seen[at].step != (
        seen[at - 1].round * len(profile.steps) + seen[at - 1].step + 1
    ):
        return _Way(None, "the step before is missing")
    seconds = float(ready.elapsed_s[transfer.acts] - ready.elapsed_s[transfer.left])
    allowed = profile.max_transfer_minutes
    is_late = allowed is not None and seconds > 60 * allowed + (ready.interval_s or 0.0)
    return _Way(seconds, None, is_late)


def _missing(round_number: int, step: ProfileStep, seen: list[SeenStep], place: int) -> StepSoak:
    is_passed = any((other.round, other.step) > (round_number, place) for other in seen)
    if is_passed:
        reason = "left out: the trace goes on with a later step"
    elif not seen:
        reason = "the trace shows no step of the profile"
    else:
        reason = "the trace ends, or leaves the profile, before this step"
    return StepSoak(round_number + 1, step.name, "missing", reason)


def _judged(
    ready: ReadyTrace,
    envelope: Envelope,
    step: ProfileStep,
    round_number: int,
    rows: tuple[int, int],
    runs: InsideRuns,
    way: _Way,
) -> StepSoak:
    first, last = rows
    counted = _longest(ready, runs, first, last)
    end = last if counted is None else max(last, counted[1])
    by_channel = tuple(_channel(ready, place, step, first, last, end) for place in range(len(ready.trace.channels)))
    minutes = 0.0 if counted is None else _minutes(ready, *counted)
    verdict, reason = _verdict(ready, envelope, step, rows, counted, minutes)
    overlapping = (runs.last >= first) & (runs.first <= last)
    return StepSoak(
        round=round_number + 1,
        step=step.name,
        verdict=verdict,
        reason=reason,
        first=first,
        last=last,
        reached=None if counted is None else counted[0],
        ended=None if counted is None else counted[1],
        first_inside=max(first, int(runs.first[np.argmax(overlapping)])) if overlapping.any() else None,
        soak_minutes=minutes,
        times_inside=int(np.count_nonzero(overlapping)),
        extremes=_over([c.extremes for c in by_channel], envelope),
        soak_extremes=None if counted is None else extremes_of(ready, envelope.channels, *counted),
        spread_k=None if counted is None else spread_of(ready, envelope, *counted),
        transfer_seconds=way.seconds,
        transfer_reason=way.reason,
        is_transfer_late=way.is_late,
        by_channel=by_channel,
    )


def _over(extremes: list[Extremes], envelope: Envelope) -> Extremes:
    """Extremes of the deciding channels together, from those of each."""
    own = [extremes[place] for place in envelope.channels]
    lows = [each.min_c for each in own if each.min_c is not None]
    highs = [each.max_c for each in own if each.max_c is not None]
    rates = [each.max_rate_k_per_min for each in own if each.max_rate_k_per_min is not None]
    return Extremes(min(lows, default=None), max(highs, default=None), max(rates, default=None))


def _minutes(ready: ReadyTrace, first: int, last: int) -> float:
    return float(ready.elapsed_s[last] - ready.elapsed_s[first]) / 60


def _longest(ready: ReadyTrace, runs: InsideRuns, first: int, last: int) -> tuple[int, int] | None:
    """The longest run that begins, or is under way, during a step; the first of equals. Glass may stay inside a while longer."""
    begin, stop = np.searchsorted(runs.last, first), np.searchsorted(runs.first, last, side="right")
    if begin >= stop:
        return None
    firsts, lasts = np.maximum(runs.first[begin:stop], first), runs.last[begin:stop]
    longest = int(np.argmax(ready.elapsed_s[lasts] - ready.elapsed_s[firsts]))
    return int(firsts[longest]), int(lasts[longest])


def _channel(ready: ReadyTrace, place: int, step: ProfileStep, first: int, last: int, end: int) -> ChannelSoak:
    values = ready.trace.values_c[place]
    runs = inside_runs(ready, Envelope((place,), values, values), step, first, end)
    counted = _longest(ready, runs, first, last)
    piece = values[first : last + 1]
    return ChannelSoak(
        channel=ready.trace.channels[place],
        first=None if counted is None else counted[0],
        last=None if counted is None else counted[1],
        soak_minutes=0.0 if counted is None else _minutes(ready, *counted),
        extremes=extremes_of(ready, (place,), first, last),
        missing=int(np.count_nonzero(np.isnan(piece))) if np.isnan(piece.sum()) else 0,
    )


def _verdict(
    ready: ReadyTrace,
    envelope: Envelope,
    step: ProfileStep,
    rows: tuple[int, int],
    counted: tuple[int, int] | None,
    minutes: float,
) -> tuple[SoakVerdict, str]:
    is_at_end = max(rows[1], counted[1] if counted else 0) == ready.trace.rows - 1
    until_end = "; the trace ends during it" if is_at_end else ""
    if counted is None:
        return "not reached", _why_not_reached(ready, envelope, step, rows) + until_end
    soak = f"inside {step.target_c:g} ± {step.tolerance_k:g} degC for {minutes:.1f} minutes"
    if minutes < step.min_minutes:
        return "short", f"{soak}, {step.min_minutes:g} are the least{until_end}"
    if step.max_minutes is not None and minutes > step.max_minutes:
        return "long", f"{soak}, {step.max_minutes:g} are the most{until_end}"
    return "met", soak


def _why_not_reached(ready: ReadyTrace, envelope: Envelope, step: ProfileStep, rows: tuple[int, int]) -> str:
    """Which channels were never inside, or that they were never inside together."""
    first, last = rows
    never, dead = [], []
    for place in envelope.channels:
        values = ready.trace.values_c[place][first : last + 1]
        if np.isnan(values).all():
            dead.append(ready.trace.channels[place])
        elif not np.any((values >= step.low_c) & (values <= step.high_c)):
            never.append(ready.trace.channels[place])
    parts = []
    if dead:
        parts.append(f"{', '.join(dead)} had no reading")
    if never:
        parts.append(f"{', '.join(never)} never came inside {step.target_c:g} ± {step.tolerance_k:g} degC")
    return "; ".join(parts) or "the channels were never all inside at one time"


def _together(
    ready: ReadyTrace, profile: ThermalProfile, steps: tuple[StepSoak, ...], envelope: Envelope
) -> TraceEvaluation:
    each = len(profile.steps)
    rounds = [steps[place : place + each] for place in range(0, len(steps), each)]
    completed = sum(all(step.verdict == "met" for step in own) for own in rounds)
    reasons = [f"round {step.round}, {step.step}: {step.verdict}" for step in steps if step.verdict != "met"]
    reasons += [
        f"round {step.round}, {step.step}: the transfer took {step.transfer_seconds:.0f} s, "
        f"{60 * (profile.max_transfer_minutes or 0):g} are allowed"
        for step in steps
        if step.is_transfer_late
    ]
    decided_by = tuple(ready.trace.channels[place] for place in envelope.channels)
    return TraceEvaluation(
        ready=ready,
        steps=steps,
        rounds_completed=completed,
        is_met=not reasons,
        reason="; ".join(reasons) or f"every step of {profile.rounds} rounds is met",
        decided_by=decided_by,
    )
