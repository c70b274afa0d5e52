"""A chamber that failed: from when, until when, and what becomes of the loads in it."""

from __future__ import annotations

from dataclasses import dataclass

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.views.decorators.http import require_http_methods, require_POST

from labbench.bench import chamber_failures
from labbench.bench.chamber_failures import Rest, WayOut, failures_shown, rest_of, way_out
from labbench.bench.loads import MadeAlready
from labbench.bench.models import Booking, ChamberFailure, ChamberPlan
from labbench.bench.todays_work import ChamberNow, chambers_now
from labbench.jobs.models import Job
from labbench.lab.hours import hours as lab_hours
from labbench.lab.models import Chamber
from labbench.pages.bench.cautions import caution
from labbench.pages.refusals import add_refusal
from labbench.pages.today.forms import FailureForm, GoOnForm, WorksAgainForm
from labbench.pages.today.which_time import ask_which


@dataclass(frozen=True, slots=True)
class Stranded:
    """A load whose soak the failure broke off, and where it may go on."""

    booking: Booking
    rest: Rest
    others: list[ChamberNow]
    can_stay: bool
    # When it comes out if it goes on now: the whole step again, or the rest of it.
    outs: list[tuple[str, WayOut]]


def stranded_in(failure: ChamberFailure, chambers: list[ChamberNow]) -> list[Stranded]:
    """Loads that are in the failed chamber, or came out of it and went nowhere since."""
    rows = chamber_failures.bookings_in(failure)
    inside = {booking.load_id: count for row in chambers for booking, count in row.loads}
    found = []
    hours, now = lab_hours(), timezone.now()
    for booking in rows:
        last = booking.load.bookings.filter(started_at__isnull=False).order_by("-started_at").first()
        if last is None or last.pk != booking.pk or booking.load.state != "running":
            continue
        coupons = inside.get(booking.load_id, 0)
        others = [
            row
            for row in chambers
            if row.chamber.kind == failure.chamber.kind
            and row.chamber.pk != failure.chamber_id
            and row.failure is None
            and row.taken + coupons <= row.chamber.capacity_coupons
        ]
        rest = rest_of(booking, failure)
        outs = [("The whole step again", way_out(rest, now, is_whole_step=True, hours=hours))]
        if rest.lacks and rest.had:
            outs.append(("The rest of the soak", way_out(rest, now, is_whole_step=False, hours=hours)))
        found.append(Stranded(booking, rest, others, failure.ended_at is not None, outs))
    return found


@permission_required("bench.add_chamberfailure", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def failure(request: HttpRequest, pk: int) -> HttpResponse:
    """Record that a chamber has failed; below it what becomes of its loads, and the failures before."""
    chamber = get_object_or_404(Chamber, pk=pk)
    form = FailureForm(request.POST or None, initial={"is_over": False})
    if (which := ask_which(request, form)) is not None:
        return which
    if request.method == "POST" and form.is_valid():
        given = form.cleaned_data
        try:
            recorded = chamber_failures.record_failure(
                chamber=chamber,
                by=request.user,
                began_at=given["began_at"],
                ended_at=given["ended_at"] if given["is_over"] else None,
                note=given["note"],
            )
        except MadeAlready as told:
            messages.info(request, " ".join(told.messages))
            return here(request, chamber.pk)
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            marked = len(recorded.deviations)
            messages.success(
                request,
                f"The failure of {chamber} is recorded. "
                + (
                    f"{marked} load{'s were' if marked > 1 else ' was'} in it and marked."
                    if marked
                    else "No load was in it."
                ),
            )
            say_planned(request, recorded.job)
            return here(request, chamber.pk)
    chambers = chambers_now(timezone.now())
    rows = failures_shown(chamber)
    for row in rows:
        row.chamber = chamber
    # The last failure, as long as a load of it has not gone on.
    last = rows[0] if rows else None
    context = {
        "chamber": chamber,
        "form": form,
        "failures": rows,
        "open": last if last is not None and last.ended_at is None else None,
        "last": last,
        "stranded": stranded_in(last, chambers) if last is not None else [],
        "inside": next((row for row in chambers if row.chamber.pk == chamber.pk), None),
        "back": "today" if request.GET.get("back", request.POST.get("back")) == "today" else "",
    }
    return render(request, "today/failure.html", context | caution(request, "load"))


def here(request: HttpRequest, chamber_pk: int) -> HttpResponse:
    back = "?back=today" if request.POST.get("back") == "today" else ""
    return redirect(reverse("chamber-failure", args=[chamber_pk]) + back)


def say_planned(request: HttpRequest, job: Job | None) -> None:
    plan = None if job is None else ChamberPlan.objects.filter(job=job).first()
    if plan is not None:
        address = reverse("chamber-plan", args=[plan.pk])
        words = (
            'The chambers are planned again: <a href="{}">look at the proposal</a>; nothing moves until it is accepted.'
        )
        messages.info(request, format_html(words, address))


@permission_required("bench.change_chamberfailure", raise_exception=True)
@require_POST
def works_again(request: HttpRequest, pk: int) -> HttpResponse:
    """The chamber works again from a time on."""
    row = get_object_or_404(ChamberFailure.objects.select_related("chamber"), pk=pk)
    form = WorksAgainForm(request.POST)
    if (which := ask_which(request, form)) is not None:
        return which
    try:
        if not form.is_valid():
            raise form.errors["ended_at"].as_data()[0]
        recorded = chamber_failures.end_failure(failure=row, by=request.user, ended_at=form.cleaned_data["ended_at"])
    except MadeAlready as told:
        messages.info(request, " ".join(told.messages))
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    else:
        messages.success(request, f"{row.chamber} works again.")
        say_planned(request, recorded.job)
    return here(request, row.chamber_id)


@permission_required("bench.change_chamberfailure", raise_exception=True)
@require_POST
def take_back(request: HttpRequest, pk: int) -> HttpResponse:
    """It was no failure after all."""
    row = ChamberFailure.objects.select_related("chamber").filter(pk=pk).first()
    if row is None:
        messages.info(request, "This failure was taken back already; nothing else was changed.")
        return redirect("today")
    try:
        job = chamber_failures.take_back_failure(failure=row, by=request.user)
    except MadeAlready as told:
        messages.info(request, " ".join(told.messages))
    else:
        messages.success(
            request,
            f"The failure of {row.chamber} is taken back; its loads are not marked any more. "
            "Moves made since stay as they are; the last of each load can be undone on the page Today.",
        )
        say_planned(request, job)
    return here(request, row.chamber_id)


@permission_required("bench.change_booking", raise_exception=True)
@require_POST
def go_on(request: HttpRequest, pk: int, booking_pk: int) -> HttpResponse:
    """A load of the failed chamber goes on elsewhere, for the rest of its soak or the whole step again."""
    row = get_object_or_404(ChamberFailure.objects.select_related("chamber"), pk=pk)
    booking = get_object_or_404(Booking.objects.select_related("load"), pk=booking_pk, chamber=row.chamber_id)
    form = GoOnForm(request.POST)
    if (which := ask_which(request, form)) is not None:
        return which
    try:
        if not form.is_valid():
            raise next(iter(form.errors.as_data().values()))[0]
        given = form.cleaned_data
        recorded = chamber_failures.go_on(
            failure=row,
            booking=booking,
            chamber=given["chamber"],
            by=request.user,
            at=given["at"],
            is_whole_step="whole" in request.POST,
        )
    except MadeAlready as told:
        messages.info(request, " ".join(told.messages))
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    else:
        messages.success(request, f"{booking.load.name} goes on in {recorded.record.chamber}.")
    return here(request, row.chamber_id)
