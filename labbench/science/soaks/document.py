"""An evaluated trace as a JSON document; what is null has its reason beside it."""

from __future__ import annotations

from labbench.science.soaks.evaluation import ChannelSoak, StepSoak, TraceEvaluation
from labbench.science.soaks.runs import Extremes
from labbench.science.soaks.traces import AIR, ReadyTrace

CAUTION = "The trace shows temperatures, not what the repair holds: a qualified person decides whether a repaired part may be used."


def trace_document(evaluation: TraceEvaluation) -> dict[str, object]:
    """The document of the command; keys as agreed, times as the file has them."""
    ready = evaluation.ready
    trace = ready.trace
    warnings = list(ready.warnings)
    if evaluation.decided_by == (AIR,):
        warnings.append("there is no coupon channel: soaks are counted from the air, which the glass reaches later")
    return {
        "rows": trace.rows,
        "start": trace.stamp(0),
        "end": trace.stamp(trace.rows - 1),
        "interval_seconds": ready.interval_s,
        "gaps": [
            {
                "from": trace.stamp(gap.before),
                "to": trace.stamp(gap.after),
                "seconds": gap.seconds,
                "ends_soak": gap.ends_soak,
            }
            for gap in ready.gaps
        ],
        "channels": list(trace.channels),
        "decided_by": list(evaluation.decided_by),
        "steps": [_step(ready, step) for step in evaluation.steps],
        "rounds_completed": evaluation.rounds_completed,
        "verdict": "met" if evaluation.is_met else "not met",
        "reason": evaluation.reason,
        "warnings": warnings,
        "caution": CAUTION,
    }


def _step(ready: ReadyTrace, step: StepSoak) -> dict[str, object]:
    extremes = step.extremes or Extremes(None, None, None)
    inside = step.soak_extremes or Extremes(None, None, None)
    return {
        "round": step.round,
        "step": step.step,
        "start": _stamp(ready, step.first),
        "end": _stamp(ready, step.last),
        "reached_at": _stamp(ready, step.reached),
        "soak_minutes": step.soak_minutes,
        "min_c": extremes.min_c,
        "max_c": extremes.max_c,
        "max_rate_k_per_min": extremes.max_rate_k_per_min,
        "transfer_seconds": step.transfer_seconds,
        "transfer_reason": step.transfer_reason,
        "transfer_late": step.is_transfer_late,
        "verdict": step.verdict,
        "reason": step.reason,
        "soak_end": _stamp(ready, step.ended),
        "first_inside": _stamp(ready, step.first_inside),
        "times_inside": step.times_inside,
        "soak_min_c": inside.min_c,
        "soak_max_c": inside.max_c,
        "spread_k": step.spread_k,
        "by_channel": {each.channel: _channel(ready, each) for each in step.by_channel},
    }


def _channel(ready: ReadyTrace, channel: ChannelSoak) -> dict[str, object]:
    return {
        "reached_at": _stamp(ready, channel.first),
        "soak_minutes": channel.soak_minutes,
        "soak_end": _stamp(ready, channel.last),
        "min_c": channel.extremes.min_c,
        "max_c": channel.extremes.max_c,
        "max_rate_k_per_min": channel.extremes.max_rate_k_per_min,
        "missing_readings": channel.missing,
        "reason": None if channel.first is not None else "never inside during this step",
    }


def _stamp(ready: ReadyTrace, row: int | None) -> str | None:
    return None if row is None else ready.trace.stamp(row)
