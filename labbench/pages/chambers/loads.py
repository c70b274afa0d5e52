"""Loads as the plan sees them: ready, due, priority; booked by hand, bookings taken out. And all bookings as a table."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe
from django_tables2 import RequestConfig

from labbench.bench.booking_changes import RulesBroken
from labbench.bench.bookings import book_load, unbook_load
from labbench.bench.chamber_book import Way, chamber_book
from labbench.bench.load_times import set_times
from labbench.bench.models import Booking, Load
from labbench.bench.soak_watch import profile_of
from labbench.bench.todays_work import has_soaks_left
from labbench.pages.chambers.forms import BookLoadForm, LoadTimesForm, ReasonForm
from labbench.pages.chambers.tables import BookingFilter, BookingTable, LoadTable
from labbench.pages.refusals import add_refusal


@require_safe
def bookings(request: HttpRequest) -> HttpResponse:
    """Every booking, sorted and narrowed."""
    rows = Booking.objects.select_related("load__study", "chamber", "step")
    given = request.GET if any(name in request.GET for name in BookingFilter.base_filters) else {"when": "ahead"}
    narrowed = BookingFilter(given, queryset=rows)
    table = BookingTable(narrowed.qs)
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    return render(request, "chambers/bookings.html", {"table": table, "form": narrowed.form})


@require_safe
def loads(request: HttpRequest) -> HttpResponse:
    """Loads that travel."""
    ways = [way for way in chamber_book(now=timezone.now()).ways.values() if way.is_open]
    table = LoadTable([row_of(way) for way in ways])
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    return render(request, "chambers/loads.html", {"table": table})


def row_of(way: Way) -> dict[str, Any]:
    load = way.load
    return {
        "pk": load.pk,
        "study": load.study.code,
        "load": load.name,
        "state": load.get_state_display(),
        "coupons": way.coupons,
        "profile": str(way.profile) if way.profile else None,
        "ready_at": load.ready_at,
        "due_at": load.due_at,
        "priority": load.priority,
        "first": min((one.planned_start for one in way.bookings), default=None),
        "last": max((one.planned_end for one in way.bookings), default=None),
    }


@require_http_methods(["GET", "HEAD", "POST"])
def load(request: HttpRequest, pk: int) -> HttpResponse:
    """When a load is ready and due and how much it matters; its bookings."""
    row = get_object_or_404(Load.objects.select_related("study", "profile"), pk=pk)
    may_change = request.user.has_perm("bench.change_load")
    form = LoadTimesForm(request.POST if request.method == "POST" else None, instance=row)
    if request.method == "POST":
        if not may_change:
            raise PermissionDenied("Only a lab lead says when a load is ready and due.")
        if form.is_valid():
            try:
                set_times(load=row, by=request.user, **form.cleaned_data)
            except ValidationError as refused:
                add_refusal(form, refused)
            else:
                messages.success(request, f"{row.name}: stored. Plan again to let it count.")
                return redirect("chamber-loads")
        row.refresh_from_db()
    return render(request, "chambers/load.html", load_context(request, row) | {"form": form if may_change else None})


def load_context(request: HttpRequest, row: Load) -> dict[str, Any]:
    rows = list(row.bookings.select_related("chamber", "step"))
    is_ahead = any(one.started_at is None for one in rows)
    profile = profile_of(row)
    steps = profile.steps.all() if profile else []
    return {
        "load": row,
        "bookings": rows,
        "may_book": request.user.has_perm("bench.change_booking") and row.state != Load.State.DONE,
        "can_take_out": is_ahead,
        "can_book": not rows or (not is_ahead and has_soaks_left(row, rows, steps)),
        "book_form": BookLoadForm(),
        "reason_form": ReasonForm(),
    }


@permission_required("bench.change_booking", raise_exception=True)
@require_POST
def book(request: HttpRequest, pk: int) -> HttpResponse:
    """Book all soaks of a load, each as early as it finds a place."""
    row = get_object_or_404(Load.objects.select_related("study", "profile"), pk=pk)
    form = BookLoadForm(request.POST)
    if form.is_valid():
        try:
            change = book_load(load=row, by=request.user, **form.cleaned_data)
        except ValidationError as refused:
            add_refusal(form, refused)
            if isinstance(refused, RulesBroken) and refused.is_wish:
                form.add_error("reason", "Give a reason to do it all the same.")
        else:
            messages.success(request, f"{change.words}.")
            return redirect("chamber-load", pk)
    context = load_context(request, row) | {"book_form": form}
    if request.user.has_perm("bench.change_load"):
        context["form"] = LoadTimesForm(instance=row)
    return render(request, "chambers/load.html", context, status=422)


@permission_required("bench.change_booking", raise_exception=True)
@require_POST
def unbook(request: HttpRequest, pk: int) -> HttpResponse:
    """Take out the bookings of a load that have not begun."""
    row = get_object_or_404(Load, pk=pk)
    form = ReasonForm(request.POST)
    try:
        reason = form.cleaned_data["reason"] if form.is_valid() else ""
        change = unbook_load(load=row, by=request.user, reason=reason)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    else:
        messages.success(request, f"{change.words}.")
    return redirect("chamber-load", pk)
