"""Soaks that a trace shows to be short, long or not reached, kept as deviations of the load: each once, and in step with the trace."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from labbench.bench.models import Deviation, Load, TraceEvaluation, TraceFinding
from labbench.bench.refusals import refuse_closed
from labbench.bench.trace_fit import misfit_of
from labbench.formats.logger_head import coupon_of
from labbench.lab.records import keep, remove

BROKEN = {"short", "not reached", "long"}
# What a step is called that was not reached for all that can be told, as a sensor gave no reading in it.
NOT_KNOWN = "not known"


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
                f"Round {step['round']}, {step['step']}: {_what_was_seen(step)} by the temperature trace "
                f"{evaluation.trace.filename} ({reason_words(step)}).",
            )
        )
    return list({(one.round_number, one.step_number): one for one in found}.values())


def silent_channels(step: dict[str, Any]) -> list[str]:
    """Coupons' channels without any reading in a step that was not reached, where those that were read do not settle it."""
    if step["verdict"] != "not reached":
        return []
    coupons = {name: channel for name, channel in step["by_channel"].items() if coupon_of(name)}
    silent = [name for name, channel in coupons.items() if channel["min_c"] is None]
    # Glass that was read and never came there settles it.
    is_settled = any(channel["reached_at"] is None for name, channel in coupons.items() if name not in silent)
    return [] if is_settled else silent


def verdict_word(step: dict[str, Any]) -> str:
    """The verdict as it is said to people: nobody knows whether a soak was reached where a sensor was silent."""
    return NOT_KNOWN if silent_channels(step) else str(step["verdict"])


def _what_was_seen(step: dict[str, Any]) -> str:
    word = verdict_word(step)
    return f"the soak {'is' if word == NOT_KNOWN else 'was'} {word}"


def in_words(text: str, channels: Iterable[str]) -> str:
    """A sentence of the science core with channels and units as the pages have them."""
    words = text.replace("degC", "°C")
    for name in sorted(channels, key=len, reverse=True):
        words = words.replace(name, coupon_of(name) or "the air")
    return words


def reason_words(step: dict[str, Any]) -> str:
    """Why a step came out as it did, with the coupons named as on the pages."""
    words = in_words(str(step["reason"]), step["by_channel"])
    if silent := silent_channels(step):
        named = ", ".join(coupon_of(name) for name in silent)
        rest = words.replace(f"{named} had no reading", "").strip("; ")
        words = (
            f"no reading from the sensor on {named}, so nobody knows whether the soak was reached"
            + f"; {rest}" * bool(rest)
        )
    return words


def findings_in_step(evaluation: TraceEvaluation) -> bool:
    """Whether the deviations that are kept of this file are those that its evaluation shows."""
    kept = {
        (row.round_number, row.step_number, row.deviation.description)
        for row in TraceFinding.objects.filter(trace=evaluation.trace_id).select_related("deviation")
    }
    if misfit_of(evaluation):
        return not kept
    return kept == {(one.round_number, one.step_number, one.description) for one in broken_soaks(evaluation)}


@transaction.atomic
def record_findings(*, evaluation: TraceEvaluation, by: Any) -> list[Deviation]:
    """Keep each broken soak as a deviation of the load; gives the new ones.

    What an earlier evaluation of the file found is brought in step: changed where it reads otherwise now, taken out where the soak is
    met now. Asked for twice, the second time changes nothing. ValidationError while the study is closed.
    """
    load = (
        Load.objects.select_for_update(of=("self",), no_key=True)
        .select_related("study")
        .get(pk=evaluation.trace.load_id)
    )
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
    misfit = misfit_of(evaluation)
    if misfit and not known:
        raise ValidationError(f"Nothing is recorded: the file does not count for {load.name}. {misfit}")
    made = []
    for one in [] if misfit else broken_soaks(evaluation):
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
        remove(
            row.deviation,
            by=by,
            reason="the times of the file do not fit the load"
            if misfit
            else "the trace, evaluated again, no longer shows it",
        )
    return made


def bring_in_step(deviation: Deviation, now: BrokenSoak, *, by: Any) -> None:
    """A deviation that reads otherwise since the file was evaluated again."""
    if deviation.description == now.description:
        return
    deviation.description, deviation.happened_at = now.description, now.happened_at
    keep(deviation, by=by, reason="the trace was evaluated again")
