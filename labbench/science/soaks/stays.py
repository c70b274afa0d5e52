"""Soaks seen by a logger that stays in one chamber: each stay of a load in it is one step, known from the record of moves.

Such a logger does not see the load arrive or leave, so nothing has to be found: the rows of each stay are judged
against its step.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from labbench.science.soaks.document import trace_document
from labbench.science.soaks.evaluation import TraceEvaluation, evaluate_trace
from labbench.science.soaks.profile import ThermalProfile
from labbench.science.soaks.traces import AIR, ReadyTrace, TemperatureTrace


@dataclass(frozen=True, slots=True)
class Stay:
    """A load in the logger's chamber; round and step (place in the profile) counted from 0, seconds since the first reading."""

    round: int
    step: int
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class StayEvaluation:
    """A stay and what the trace shows of it; `evaluation` is None where no reading falls into it. `from_s`: of its first reading."""

    stay: Stay
    from_s: float
    evaluation: TraceEvaluation | None


def evaluate_stays(ready: ReadyTrace, profile: ThermalProfile, stays: tuple[Stay, ...]) -> tuple[StayEvaluation, ...]:
    """Judge each stay against the step it is of."""
    found = []
    for stay in stays:
        first = int(np.searchsorted(ready.elapsed_s, stay.from_s))
        stop = int(np.searchsorted(ready.elapsed_s, stay.to_s, side="right"))
        if stop - first < 2:
            found.append(StayEvaluation(stay, stay.from_s, None))
            continue
        piece = _piece(ready.trace, first, stop)
        alone = ThermalProfile(1, None, (profile.steps[stay.step],))
        found.append(StayEvaluation(stay, float(ready.elapsed_s[first]), evaluate_trace(piece, alone)))
    return tuple(found)


def _piece(trace: TemperatureTrace, first: int, stop: int) -> TemperatureTrace:
    rows = None if trace.row_numbers is None else trace.row_numbers[first:stop]
    return replace(
        trace,
        time_us=trace.time_us[first:stop],
        values_c=tuple(values[first:stop] for values in trace.values_c),
        first_row=trace.first_row + first,
        row_numbers=rows,
    )


def stays_document(ready: ReadyTrace, profile: ThermalProfile, stays: tuple[StayEvaluation, ...]) -> dict[str, Any]:
    """The document of a trace that was judged stay by stay; its steps are those that took place in the chamber."""
    decided_by = [ready.trace.channels[place] for place in ready.coupons] or [AIR]
    steps = [_step(profile, each) for each in stays]
    not_met = [
        f"round {step['round']}, {step['step']}: {step['verdict']}" for step in steps if step["verdict"] != "met"
    ]
    whole = _whole_rounds(profile, stays, steps)
    warnings = list(ready.warnings)
    if decided_by == [AIR]:
        warnings.append("there is no coupon channel: soaks are counted from the air, which the glass reaches later")
    warnings.append(
        "the logger stayed in the chamber: only steps that took place there are judged, by the moves as recorded"
    )
    trace = ready.trace
    return {
        "rows": trace.rows,
        "start": trace.stamp(0),
        "end": trace.stamp(trace.rows - 1),
        "interval_seconds": ready.interval_s,
        "gaps": [
            {"from": trace.stamp(g.before), "to": trace.stamp(g.after), "seconds": g.seconds, "ends_soak": g.ends_soak}
            for g in ready.gaps
        ],
        "channels": list(trace.channels),
        "decided_by": decided_by,
        "steps": steps,
        "rounds_completed": whole,
        "verdict": "not met" if not_met or not steps else "met",
        "reason": "; ".join(not_met)
        or (f"every one of {len(steps)} stays is met" if steps else "no stay of the load is recorded"),
        "warnings": warnings,
    }


def _whole_rounds(profile: ThermalProfile, stays: tuple[StayEvaluation, ...], steps: list[dict[str, Any]]) -> int:
    met = {
        (each.stay.round, each.stay.step) for each, step in zip(stays, steps, strict=True) if step["verdict"] == "met"
    }
    return sum(all((number, place) in met for place in range(len(profile.steps))) for number in range(profile.rounds))


def _step(profile: ThermalProfile, stay: StayEvaluation) -> dict[str, Any]:
    place = {"round": stay.stay.round + 1, "step": profile.steps[stay.stay.step].name}
    reason = "the logger stayed in the chamber and does not see the way into it"
    if stay.evaluation is None:
        return {
            **place, "start": None, "end": None, "reached_at": None, "soak_minutes": 0.0, "min_c": None, "max_c": None,
            "max_rate_k_per_min": None, "transfer_seconds": None, "transfer_reason": reason, "transfer_late": False,
            "verdict": "missing", "reason": "the file has no reading of this stay", "soak_end": None, "first_inside": None,
            "times_inside": 0, "soak_min_c": None, "soak_max_c": None, "spread_k": None, "by_channel": {},
        }  # fmt: skip
    steps = trace_document(stay.evaluation)["steps"]
    assert isinstance(steps, list)
    step: dict[str, Any] = steps[0]
    if step["verdict"] == "missing":
        step = step | {
            "verdict": "not reached",
            "reason": "the chamber was never near the step's temperature during the stay",
        }
    return step | place | {"transfer_seconds": None, "transfer_reason": reason}
