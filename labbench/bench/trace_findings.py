"""Soaks that a trace shows to be short, long or not reached, kept as deviations of the load: each once, and in step with the trace."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from labbench.bench.models import Deviation, Load, TraceEvaluation, TraceFinding
from labbench.bench.refusals import refuse_closed
from labbench.lab.records import keep, remove

BROKEN = {"short", "not reached", "long"}


@dataclass(frozen=True, slots=True)
class BrokenSoak:
    """A step that did not go by the profile."""

    round_number: int
    step_number: int
    happened_at: datetime
    description: str


def broken_soaks(evaluation: TraceEvaluation) -> list[BrokenSoak]:
    """The steps of a finished evaluation that are a deviation, as a deviation says them."""
    result = evaluation.result
    assert result is not None  # only finished evaluations have findings
    found = []
    for step, moment in zip(result["document"]["steps"], result["moments"], strict=True):
        if step["verdict"] not in BROKEN:
            continue
        at = moment["reached_at"] or moment["start"] or result["starts_at"]
        found.append(
            BrokenSoak(
                step["round"],
                moment["step_number"],
                datetime.fromisoformat(at),
                f"Round {step['round']}, {step['step']}: the soak was {step['verdict']} by the temperature trace "
                f"{evaluation.trace.filename} ({step['reason'].replace('degC', '°C')}).",
            )
        )
    return list({(one.round_number, one.step_number): one for one in found}.values())


def findings_in_step(evaluation: TraceEvaluation) -> bool:
    """Whether the deviations that are kept of this file are those that its evaluation shows."""
    kept = {
        (row.round_number, row.step_number, row.deviation.description)
        for row in TraceFinding.objects.filter(trace=evaluation.trace_id).select_related("deviation")
    }
    return kept == {(one.round_number, one.step_number, one.description) for one in broken_soaks(evaluation)}


@transaction.atomic
def record_findings(*, evaluation: TraceEvaluation, by: Any) -> list[Deviation]:
    """Keep each broken soak as a deviation of the load; gives the new ones.

    What an earlier evaluation of the file found is brought in step: changed where it reads otherwise now, taken out where the soak is
    met now. Asked for twice, the second time changes nothing. ValidationError while the study is closed.
    """
    load = Load.objects.select_for_update(of=("self",)).select_related("study").get(pk=evaluation.trace.load_id)
    refuse_closed(load.study)
    newest = (
        TraceEvaluation.objects.filter(trace=evaluation.trace_id, finished_at__isnull=False)
        .order_by("-requested_at", "-pk")
        .first()
    )
    if newest is not None and newest.pk != evaluation.pk:
        raise ValidationError("The file was evaluated again meanwhile; look at the newer evaluation first.")
    known = {
        (row.round_number, row.step_number): row
        for row in TraceFinding.objects.filter(trace=evaluation.trace_id).select_related("deviation")
    }
    made = []
    for one in broken_soaks(evaluation):
        earlier = known.pop((one.round_number, one.step_number), None)
        if earlier is not None:
            bring_in_step(earlier.deviation, one, by=by)
            continue
        deviation = keep(
            Deviation(
                study=load.study,
                load=load,
                kind=Deviation.Kind.SOAK,
                happened_at=one.happened_at,
                description=one.description,
                is_found_by_rule=True,
                recorded_by=by,
                recorded_at=timezone.now(),
            ),
            by=by,
        )
        TraceFinding.objects.create(
            trace=evaluation.trace, round_number=one.round_number, step_number=one.step_number, deviation=deviation
        )
        made.append(deviation)
    for row in known.values():
        remove(row.deviation, by=by, reason="the trace, evaluated again, no longer shows it")
    return made


def bring_in_step(deviation: Deviation, now: BrokenSoak, *, by: Any) -> None:
    """A deviation that reads otherwise since the file was evaluated again."""
    if deviation.description == now.description:
        return
    deviation.description, deviation.happened_at = now.description, now.happened_at
    keep(deviation, by=by, reason="the trace was evaluated again")
