"""A load goes in, comes out, is transferred, and the last of these is taken back: each with the time as it was."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from labbench.bench import loads
from labbench.bench.models import Booking, Deviation, Load
from labbench.bench.services import Recorded
from labbench.bench.soak_watch import MoveFinding, in_order
from labbench.formats.date_texts import clock_text
from labbench.pages.today.forms import MoveForm, WhyForm
from labbench.pages.today.which_time import ask_which

MOVES = ("in", "out", "transfer", "undo")


def back_of(request: HttpRequest) -> str:
    """Where somebody came from: the page of the day, else the load's own."""
    return "today" if request.POST.get("back", request.GET.get("back")) == "today" else ""


def go_back(request: HttpRequest, load: Load) -> HttpResponse:
    return redirect("today") if back_of(request) == "today" else redirect("load", load.pk)


def go_back_refused(request: HttpRequest, load: Load) -> HttpResponse:
    """As `go_back`, with the time that was typed at the load's card."""
    at = request.POST.get("at", "").strip()[:40]
    if not at or back_of(request) != "today":
        return go_back(request, load)
    return redirect(f"{reverse('today')}?{urlencode({'typed_for': load.pk, 'typed': at})}")


@permission_required("bench.change_booking", raise_exception=True)
@require_POST
def move(request: HttpRequest, pk: int, booking_pk: int, name: str) -> HttpResponse:
    """One press: in, out, both in one go, or the last of these taken back."""
    if name not in MOVES:
        raise Http404("There is no such move.")
    row = get_object_or_404(Load.objects.select_related("study"), pk=pk)
    booking = Booking.objects.filter(pk=booking_pk, load=row).select_related("chamber").first()
    form = MoveForm(request.POST)
    if (which := ask_which(request, form)) is not None:
        return which
    try:
        if booking is None:
            raise ValidationError(
                f"The plan of {row.name} has changed meanwhile; nothing was stored. Look at it again."
            )
        refuse_faults(form)
        recorded = carry_out(name, booking, form, request.user)
    except loads.Avoidable as asked:
        return ask(request, row, name, booking_pk, findings=asked.findings, at=form.cleaned_data["at"])
    except loads.MadeAlready as told:
        messages.info(request, " ".join(told.messages))
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
        return go_back_refused(request, row)
    else:
        say_what_moved(request, row, name, booking, recorded)
        if any(not deviation.reason for deviation in recorded.deviations):
            return ask_why(request, row)
    return go_back(request, row)


def ask_why(request: HttpRequest, row: Load) -> HttpResponse:
    back = "?back=today" if back_of(request) == "today" else ""
    return redirect(reverse("load-reasons", args=[row.pk]) + back)


def refuse_faults(form: MoveForm) -> None:
    """ValidationError with the first fault of the form, as it was raised."""
    if not form.is_valid():
        raise next(iter(form.errors.as_data().values()))[0]


def carry_out(name: str, booking: Booking, form: MoveForm, by: Any) -> Recorded[Booking]:
    given = form.cleaned_data
    if name == "undo":
        return Recorded(loads.undo_move(booking=booking, by=by, of=given["of"]))
    how = {"by": by, "at": given["at"], "answer": loads.Answer(given["sure"], given["reason"])}
    if name == "out":
        return loads.move_out(booking=booking, **how)
    into = Booking.objects.filter(pk=given["into"], load=booking.load_id).first() if name == "transfer" else booking
    if into is None:
        raise ValidationError("The plan has changed meanwhile; nothing was stored. Look at it again.")
    chamber = given["chamber"]
    if chamber is None and given["shown"] and given["shown"] != into.chamber_id and into.started_at is None:
        raise ValidationError(
            f"The plan now says {into.chamber}, not the chamber that was shown; nothing was stored. "
            "Choose the chamber that the load went into."
        )
    if name == "transfer":
        return loads.transfer(out_of=booking, into=into, chamber=chamber, **how)
    return loads.move_in(booking=into, chamber=chamber, **how)


def say_what_moved(request: HttpRequest, row: Load, name: str, booking: Booking, recorded: Recorded[Booking]) -> None:
    now = recorded.record
    if name == "undo":
        messages.success(request, f"The last move of {row.name} is taken back: {booking.chamber}.")
        return
    at = now.ended_at if name == "out" else now.started_at
    time = clock_text(timezone.localtime(at)) if at else ""
    words = {
        "in": f"went into {now.chamber}",
        "out": f"came out of {now.chamber}",
        "transfer": f"came out of {booking.chamber} and went into {now.chamber}",
    }
    messages.success(request, f"{row.name} {words[name]} at {time}.")


def ask(
    request: HttpRequest, row: Load, name: str, booking_pk: int, *, findings: Sequence[MoveFinding], at: datetime
) -> HttpResponse:
    """What this move would not keep: asked before anything is stored."""
    context = {
        "load": row,
        "move": name,
        "booking_pk": booking_pk,
        "findings": findings,
        # The time of the press, not of the answer.
        "at": at,
        "kept": {key: request.POST[key] for key in ("into", "chamber", "shown", "back") if request.POST.get(key)},
        "back": back_of(request),
        "reasons": reasons_given(),
    }
    return render(request, "today/ask.html", context)


def reasons_given(most: int = 12) -> list[str]:
    """Reasons that were given before, the last first: to be chosen instead of typed."""
    rows = Deviation.objects.filter(booking__isnull=False).exclude(reason="").order_by("-recorded_at")
    return list(dict.fromkeys(rows.values_list("reason", flat=True)[: 5 * most]))[:most]


@permission_required("bench.change_deviation", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def reasons(request: HttpRequest, pk: int) -> HttpResponse:
    """What the load did not keep and has no reason yet; each is asked for, none has to be given now."""
    row = get_object_or_404(Load.objects.select_related("study"), pk=pk)
    rows = list(row.deviations.filter(is_found_by_rule=True, reason="", coupon=None).order_by("happened_at"))
    if not rows:
        return go_back(request, row)
    context = {
        "load": row,
        "deviations": rows,
        "last": last_moved(row),
        "back": back_of(request),
        "reasons": reasons_given(),
    }
    return render(request, "today/reasons.html", context)


def last_moved(row: Load) -> Booking | None:
    moved = in_order(list(row.bookings.filter(started_at__isnull=False).select_related("chamber", "step")))
    return moved[-1] if moved else None


@permission_required("bench.change_deviation", raise_exception=True)
@require_POST
def reason(request: HttpRequest, pk: int) -> HttpResponse:
    """Why a deviation happened, said later."""
    row = get_object_or_404(Deviation.objects.select_related("load", "study"), pk=pk, load__isnull=False)
    assert row.load is not None
    form = WhyForm(request.POST)
    try:
        if not form.is_valid():
            raise next(iter(form.errors.as_data().values()))[0]
        loads.give_reason(deviation=row, by=request.user, reason=form.cleaned_data["reason"])
    except ValidationError as refused:
        messages.error(request, "Say why it happened." if not form.is_valid() else " ".join(refused.messages))
    else:
        messages.success(request, f"The reason is kept with {row.load.name}.")
    if request.POST.get("next") == "reasons":
        return ask_why(request, row.load)
    return go_back(request, row.load)
