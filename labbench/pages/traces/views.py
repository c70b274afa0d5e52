"""One logger file: the verdict on each soak, the plot, what the moves say beside it, what it was made from."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labbench.bench.models import TraceEvaluation, TraceFile
from labbench.bench.refusals import closed_words, refuse_closed
from labbench.bench.trace_files import size_words, take_out_trace
from labbench.bench.trace_findings import (
    NOT_KNOWN,
    broken_soaks,
    findings_in_step,
    in_words,
    reason_words,
    record_findings,
    verdict_word,
)
from labbench.bench.trace_fit import UNTIED, misfit_of
from labbench.bench.trace_standing import compare_moves, is_by_air
from labbench.bench.traces import (
    UNSET_CLOCK_MINUTES,
    clock_reason,
    correct_clock,
    is_current,
    request_evaluation,
    stays_whole,
)
from labbench.formats.logger_head import coupon_of
from labbench.pages.bench.forms import ReasonForm
from labbench.pages.jobs.views import may_act_on
from labbench.pages.refusals import add_refusal
from labbench.pages.traces.figures import trace_chart
from labbench.pages.traces.forms import ClockForm

GAPS_LISTED = 50
MARKS = {NOT_KNOWN: "missing"}


def trace_or_404(pk: int) -> TraceFile:
    rows = TraceFile.objects.select_related("load__study__profile", "load__profile", "chamber", "uploaded_by")
    return get_object_or_404(rows, pk=pk)


@require_safe
def trace(request: HttpRequest, pk: int) -> HttpResponse:
    """The newest evaluation of a file, or an older one that is asked for."""
    found = trace_or_404(pk)
    evaluations = list(
        TraceEvaluation.objects.filter(trace=found)
        .select_related("job", "requested_by", "profile")
        .defer("result", "inputs")
    )
    newest = evaluations[0] if evaluations else None
    shown = chosen(request, found, evaluations)
    context = {
        "trace": found,
        "load": found.load,
        "size": size_words(found.size_bytes),
        "newest": newest,
        "evaluations": evaluations,
        "closed": closed_words(found.load.study),
        "clock_ahead": -found.clock_behind_minutes,
        "clock_reason": clock_reason(found),
        "is_clock_unset": abs(found.clock_behind_minutes) > UNSET_CLOCK_MINUTES,
        **job_part(request, found, newest),
    }
    if shown is not None:
        context |= evaluated_part(found, shown)
    return render(request, "traces/trace.html", context)


def chosen(request: HttpRequest, found: TraceFile, evaluations: list[TraceEvaluation]) -> TraceEvaluation | None:
    """The evaluation with its result; the newest that has one, where none is asked for."""
    finished = [row.pk for row in evaluations if row.finished_at is not None]
    asked = request.GET.get("evaluation", "")
    if asked:
        if not (asked.isascii() and asked.isdigit() and len(asked) < 12 and int(asked) in finished):
            raise Http404("This file has no such evaluation.")
        finished = [int(asked)]
    if not finished:
        return None
    shown = TraceEvaluation.objects.select_related("job", "requested_by", "profile").get(pk=finished[0])
    shown.trace = found
    return shown


def job_part(request: HttpRequest, found: TraceFile, newest: TraceEvaluation | None) -> dict[str, Any]:
    """What templates/traces/parts/job.html needs; nothing where no job is open or failed."""
    if newest is None or newest.finished_at is not None:
        return {"job": None}
    may_act = may_act_on(request.user, newest.job)
    return {
        "job": newest.job,
        "faults": newest.faults,
        "poll_url": reverse("trace-job", args=[found.pk]),
        "cancel_url": reverse("cancel-job", args=[newest.job_id]) if may_act else "",
    }


def evaluated_part(found: TraceFile, shown: TraceEvaluation) -> dict[str, Any]:
    """The result as the page shows it."""
    result = shown.result
    assert result is not None  # by the caller
    document = result["document"]
    bookings = list(found.load.bookings.select_related("chamber", "step"))
    comparison = compare_moves(shown)
    misfit = misfit_of(shown)
    return {
        "shown": shown,
        "document": document,
        "steps": [
            {
                **step,
                "moment": {**moment, "reached": moment["reached_at"] and datetime.fromisoformat(moment["reached_at"])},
                "word": verdict_word(step),
                "mark": MARKS.get(verdict_word(step), step["verdict"]).replace(" ", "_"),
                "reason": reason_words(step),
                "channels": channels_of(step),
                "transfer_minutes": None if step["transfer_seconds"] is None else step["transfer_seconds"] / 60,
            }
            for step, moment in zip(document["steps"], result["moments"], strict=True)
        ],
        "chart": trace_chart(shown, bookings if stays_whole(found) else bookings_in(bookings, found)),
        "comparison": comparison,
        "by_air": is_by_air(document),
        "said": said_of(document),
        "notes": [in_words(text, document["channels"]) for text in document["warnings"]],
        "result_start": datetime.fromisoformat(result["starts_at"]),
        "result_end": datetime.fromisoformat(result["ends_at"]),
        "stays_whole": stays_whole(found),
        "gaps": document["gaps"][:GAPS_LISTED],
        "gaps_in_all": len(document["gaps"]),
        "is_current": is_current(shown),
        "misfit": misfit,
        "untied": "" if bookings else UNTIED,
        "broken": [] if misfit else broken_soaks(shown),
        "in_step": findings_in_step(shown),
        "clock_form": ClockForm(initial={"clock_behind_minutes": clock_offered(found, comparison.clock_minutes)}),
        "heat_url": f"{reverse('coupon-heat')}?load={found.load_id}",
    }


def said_of(document: dict[str, Any]) -> str:
    """What of the steps is not met, as the pages say it."""
    words = in_words(document["reason"], document["channels"])
    for step in document["steps"]:
        place = f"round {step['round']}, {step['step']}: "
        words = words.replace(f"{place}{step['verdict']}", f"{place}{verdict_word(step)}")
    return words


def bookings_in(bookings: list[Any], found: TraceFile) -> list[Any]:
    return [booking for booking in bookings if booking.chamber_id == found.chamber_id]


def channels_of(step: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        {**channel, "name": coupon_of(name) or "air", "is_air": not coupon_of(name)}
        for name, channel in step["by_channel"].items()
    ]


def clock_offered(found: TraceFile, beyond: float | None) -> float | None:
    return found.clock_behind_minutes + beyond if beyond is not None else found.clock_behind_minutes or None


@require_safe
def job(request: HttpRequest, pk: int) -> HttpResponse:
    """The job while it is open; then the page is asked for anew."""
    found = trace_or_404(pk)
    newest = TraceEvaluation.objects.filter(trace=found).select_related("job").defer("result").first()
    part = job_part(request, found, newest)
    if part["job"] is None or not part["job"].is_open:
        answer = HttpResponse()
        answer["HX-Redirect"] = reverse("trace", args=[pk])
        return answer
    return render(request, "parts/job.html", part)


@permission_required("bench.add_tracefile", raise_exception=True)
@require_POST
def evaluate(request: HttpRequest, pk: int) -> HttpResponse:
    """Evaluate as things stand now: profile, columns, clock, moves, code."""
    try:
        request_evaluation(trace=trace_or_404(pk), by=request.user)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    return redirect("trace", pk)


@permission_required("bench.change_tracefile", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def clock(request: HttpRequest, pk: int) -> HttpResponse:
    """State by how much the logger's clock was off; the file is evaluated again."""
    found = trace_or_404(pk)
    form = ClockForm(
        request.POST if request.method == "POST" else None, initial={"clock_behind_minutes": found.clock_behind_minutes}
    )
    if form.is_valid():
        try:
            refuse_closed(found.load.study)
            changed = correct_clock(trace=found, by=request.user, **form.cleaned_data)
            request_evaluation(trace=changed, by=request.user)
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            return redirect("trace", pk)
    return render(request, "traces/clock.html", {"trace": found, "load": found.load, "form": form})


@permission_required("bench.add_deviation", raise_exception=True)
@require_POST
def findings(request: HttpRequest, pk: int) -> HttpResponse:
    """Keep what the newest evaluation finds as deviations of the load."""
    rows = TraceEvaluation.objects.filter(trace=pk, finished_at__isnull=False).select_related("trace")
    newest = rows.first()
    if newest is None:
        raise Http404("This file is not evaluated.")
    try:
        made = record_findings(evaluation=newest, by=request.user)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    else:
        count = "One deviation is" if len(made) == 1 else f"{len(made)} deviations are"
        said = (
            f"{count} recorded with {newest.trace.load}."
            if made
            else "The deviations of the load are in step with this file."
        )
        messages.success(request, said)
    return redirect("trace", pk)


@permission_required("bench.change_tracefile", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def take_out(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a file out that was put with the wrong load."""
    found = trace_or_404(pk)
    load = found.load
    form = ReasonForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        try:
            take_out_trace(trace=found, by=request.user, reason=form.cleaned_data["reason"])
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"{found.filename} was taken out of {load}; its bytes and its history are kept.")
            return redirect("load", load.pk)
    return render(request, "traces/take_out.html", {"trace": found, "load": load, "form": form})
