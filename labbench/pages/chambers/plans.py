"""Plans of the chambers: asked for, watched while they are searched for, looked at, accepted; and what would gain."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe
from django_htmx.http import HttpResponseClientRedirect

from labbench.bench.booking_changes import undo_change
from labbench.bench.chamber_book import ChamberBook, Way, chamber_book
from labbench.bench.chamber_gains import gained, request_gains
from labbench.bench.chamber_plans import PlanOvertaken, Proposed, accept_plan, proposal, request_plan, stop_search
from labbench.bench.models import Booking, ChamberPlan, Load
from labbench.jobs.models import Job
from labbench.jobs.services import cancel
from labbench.pages.chambers.drawing import Marked, axis, strips, what_of
from labbench.pages.chambers.forms import PlanForm
from labbench.pages.chambers.windows import MOST_DAYS, Window
from labbench.studies.models import Study

MOST_ROWS = 150


@require_http_methods(["GET", "HEAD", "POST"])
def plans(request: HttpRequest) -> HttpResponse:
    """Ask for a plan; those asked for so far."""
    may_plan = request.user.has_perm("bench.change_booking")
    loads = (
        Load.objects.exclude(state=Load.State.DONE)
        .exclude(study__state=Study.State.CLOSED)
        .select_related("study")
        .order_by("study__code", "name")
    )
    form = PlanForm(request.POST if request.method == "POST" and may_plan else None, loads=loads)
    if form.is_valid():
        given = form.cleaned_data
        try:
            job = request_plan(
                by=request.user,
                reason=given["reason"],
                loads=list(given["loads"]) or None,
                seconds=given["seconds"],
                is_kept_stable=given["keep"],
            )
        except ValidationError as refused:
            form.add_error(None, refused)
        else:
            return redirect("chamber-plan", job.chamber_plan.pk)
    made = list(ChamberPlan.objects.select_related("job", "requested_by", "change__made_by").defer("inputs")[:20])
    for one in made:
        end = (one.result or {}).get("end")
        one.end = datetime.fromisoformat(end) if end else None  # type: ignore[attr-defined]
    context = {"form": form, "plans": made, "may_plan": may_plan, "has_loads": loads.exists()}
    return render(request, "chambers/plans.html", context)


@require_safe
def plan(request: HttpRequest, pk: int) -> HttpResponse:
    """A plan: how far the search is, then the proposal beside what is booked. Asked for by htmx, only the progress."""
    shown = get_object_or_404(ChamberPlan.objects.select_related("job", "requested_by", "change__made_by"), pk=pk)
    may_plan = request.user.has_perm("bench.change_booking")
    context: dict[str, Any] = {"plan": shown, "job": shown.job, "may_plan": may_plan, "standing": standing(shown)}
    if request.htmx:  # type: ignore[attr-defined]
        if not shown.job.is_open:
            return HttpResponseClientRedirect(reverse("chamber-plan", args=[pk]))
        return render(request, "chambers/parts/plan_progress.html", context)
    if shown.result is not None:
        context |= proposed(shown) | without_place(shown)
    return render(request, "chambers/plan.html", context)


def standing(shown: ChamberPlan) -> dict[str, Any]:
    """The best plan so far and how far it may be from the best there is."""
    told = shown.result if shown.result is not None else shown.standing
    if not told or not told.get("makespan_minutes"):
        return {}
    makespan, bound = told["makespan_minutes"], told["bound_minutes"] or 0
    return {
        "end": datetime.fromisoformat(told["end"]),
        "late_minutes": told.get("late_minutes", sum(one["minutes"] for one in told.get("late", ()))),
        "moved": told.get("moved") if shown.is_kept_stable else None,
        "gap": max(makespan - bound, 0) / makespan,
        "minutes": makespan,
        "bound": bound,
    }


def without_place(shown: ChamberPlan) -> dict[str, Any]:
    """Loads that have no place in any plan, and whether others are left that may be planned without them."""
    stuck = (shown.result or {}).get("no_place", [])
    rows = Load.objects.filter(pk__in=stuck).select_related("study").order_by("study__code", "name") if stuck else []
    return {"stuck": list(rows), "has_others": bool(stuck and other_loads(shown))}


def other_loads(shown: ChamberPlan) -> list[int]:
    """The loads of a plan that travel and are not without a place."""
    planned = {int(pk) for pk in (shown.inputs or {}).get("as_it_was", ())}
    left = planned - set((shown.result or {}).get("no_place", []))
    return list(Load.objects.filter(pk__in=left).exclude(state=Load.State.DONE).values_list("pk", flat=True))


def proposed(shown: ChamberPlan) -> dict[str, Any]:
    """What the plan would change, load by load, and how the chambers would look."""
    book = chamber_book(now=timezone.now())
    rows = [] if shown.change_id else proposal(shown, book)
    changed = [one for one in rows if one.is_changed]
    late = {one["load"]: one["minutes"] for one in (shown.result or {}).get("late", ())}
    loads: dict[int, dict[str, Any]] = {}
    for one in rows:
        entry = loads.setdefault(
            one.way.load.pk,
            {"way": one.way, "made": 0, "moved": 0, "gone": 0, "kept": 0, "late": late.get(one.way.load.pk)}
            | {"end": None, "before": None},
        )
        entry[fate_of(one)] += 1
        for key, booking in (("end", one.after), ("before", one.before)):
            if booking is not None and (entry[key] is None or booking.planned_end > entry[key]):
                entry[key] = booking.planned_end
    asked = shown.alternatives.select_related("job").first()
    return {
        "loads": list(loads.values()),
        "changed": [row_of(one) for one in sorted(changed, key=by_time)[:MOST_ROWS]],
        "changed_more": max(len(changed) - MOST_ROWS, 0),
        "kept": len(rows) - len(changed),
        "counts": len(changed),
        "picture": picture(book, rows) if changed else None,
        "asked": asked,
        "gains": gained(asked.result["rows"]) if asked is not None and asked.result else [],
        "base": asked.result["rows"][0] if asked is not None and asked.result else None,
    }


def fate_of(one: Proposed) -> str:
    """What becomes of a booking."""
    if not one.is_changed:
        return "kept"
    return "made" if one.before is None else "gone" if one.after is None else "moved"


def by_time(one: Proposed) -> datetime:
    booking = one.after or one.before
    assert booking is not None
    return booking.planned_start


def row_of(one: Proposed) -> dict[str, Any]:
    """A booking as the table of changes shows it."""
    booking = one.after or one.before
    assert booking is not None
    words = "new" if one.before is None else "taken out" if one.after is None else ""
    minutes = None
    if one.before is not None and one.after is not None:
        is_same_start = one.before.started_at is not None or one.before.planned_start == one.after.planned_start
        old, new = (one.before.planned_end, one.after.planned_end) if is_same_start else (
            one.before.planned_start,
            one.after.planned_start,
        )  # fmt: skip
        minutes = round((new - old) / timedelta(minutes=1))
        words = "comes out" if is_same_start else "begins"
    return {
        "way": one.way,
        "what": what_of(booking),
        "before": one.before,
        "after": one.after,
        "words": words,
        "minutes": minutes,
        "sooner": None if minutes is None else -minutes,
        "is_other_chamber": one.before is not None
        and one.after is not None
        and one.before.chamber_id != one.after.chamber_id,
    }


def picture(book: ChamberBook, rows: list[Proposed]) -> dict[str, Any]:
    """The chambers as they would be booked."""
    after: dict[int, list[Booking]] = {}
    touched = {one.way.load.pk for one in rows}
    for number, one in enumerate(rows):
        if one.after is None:
            continue
        if one.before is not None and one.before.started_at is not None:
            one.after.started_at = one.before.started_at
            one.after.planned_start = one.before.planned_start
        one.after.pk = one.before.pk if one.before is not None else -1 - number
        after.setdefault(one.way.load.pk, []).append(one.after)
    ways: dict[int, Way] = {}
    for pk, way in book.ways.items():
        over = [booking for booking in way.bookings if booking.ended_at is not None]
        ways[pk] = replace(way, bookings=[*over, *after.get(pk, [])]) if pk in touched else way
    there = replace(book, ways=ways)
    bookings = [booking for of_load in after.values() for booking in of_load]
    first = timezone.localtime(min(booking.planned_start for booking in bookings)).date()
    last = timezone.localtime(max(booking.planned_end for booking in bookings)).date()
    window = Window("all", first, min((last - first).days + 1, MOST_DAYS))
    moved = {one.after.pk for one in rows if one.after is not None and one.is_changed and one.before is not None}
    spans = book.hours.spans(window.start, window.end)
    return {
        "window": window,
        "axis": axis(there, window),
        "strips": strips(there, window, spans, Marked(changed=frozenset(moved))),
    }


@permission_required("bench.change_booking", raise_exception=True)
@require_POST
def stop(request: HttpRequest, pk: int) -> HttpResponse:
    """End the search and keep the best plan so far."""
    shown = get_object_or_404(ChamberPlan.objects.select_related("job"), pk=pk)
    if shown.job.state == Job.State.QUEUED:
        cancel(job=shown.job)
    stop_search(plan=shown)
    return redirect("chamber-plan", pk)


@permission_required("bench.change_booking", raise_exception=True)
@require_POST
def others(request: HttpRequest, pk: int) -> HttpResponse:
    """Plan the loads that have a place; those without one stay as they are booked."""
    shown = get_object_or_404(ChamberPlan, pk=pk)
    try:
        job = request_plan(
            by=request.user,
            reason=shown.reason,
            loads=other_loads(shown),
            seconds=shown.seconds,
            is_kept_stable=shown.is_kept_stable,
        )
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
        return redirect("chamber-plan", pk)
    return redirect("chamber-plan", job.chamber_plan.pk)


@permission_required("bench.change_booking", raise_exception=True)
@require_POST
def accept(request: HttpRequest, pk: int) -> HttpResponse:
    """Book what the plan proposes; where something happened meanwhile it is told, and planned again."""
    shown = get_object_or_404(ChamberPlan, pk=pk)
    try:
        change = accept_plan(plan=shown, by=request.user)
    except PlanOvertaken as refused:
        if (left := still_open(shown)) == []:
            messages.warning(request, "This plan is overtaken: no load of it travels any more. Nothing was booked.")
            return redirect("chamber-plan", pk)
        messages.warning(request, " ".join([*refused.messages, "It is being planned again; nothing was booked."]))
        job = request_plan(
            by=request.user,
            reason=shown.reason,
            loads=left,
            seconds=shown.seconds,
            is_kept_stable=shown.is_kept_stable,
        )
        return redirect("chamber-plan", job.chamber_plan.pk)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
        return redirect("chamber-plan", pk)
    messages.success(request, f"{change.words}. It can be taken back below the timeline.")
    return redirect(f"{reverse('chambers')}?zoom=all")


def still_open(shown: ChamberPlan) -> list[int] | None:
    """The loads of a plan that still travel, maybe none; None where it was made for all."""
    if shown.loads is None:
        return None
    found = Load.objects.filter(pk__in=shown.loads).exclude(state=Load.State.DONE)
    return list(found.exclude(study__state=Study.State.CLOSED).values_list("pk", flat=True))


@permission_required("bench.change_booking", raise_exception=True)
@require_POST
def take_back(request: HttpRequest, pk: int) -> HttpResponse:
    """Take back an accepted plan."""
    shown = get_object_or_404(ChamberPlan.objects.select_related("change"), pk=pk)
    if shown.change is None:
        messages.error(request, "This plan was not accepted.")
        return redirect("chamber-plan", pk)
    try:
        undo_change(change=shown.change, by=request.user)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    else:
        messages.success(request, "The plan is taken back; the bookings are as they were before.")
    return redirect("chamber-plan", pk)


@permission_required("bench.change_booking", raise_exception=True)
@require_POST
def gains(request: HttpRequest, pk: int) -> HttpResponse:
    """Ask what longer days, a Saturday or one more chamber would gain."""
    shown = get_object_or_404(ChamberPlan, pk=pk)
    request_gains(plan=shown, by=request.user)
    return redirect(f"{reverse('chamber-plan', args=[pk])}#gains")
