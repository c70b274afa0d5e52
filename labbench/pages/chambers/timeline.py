"""The timeline of the chambers: looked at, bookings moved by dragging and by typing, the last change taken back."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from labbench.bench.booking_changes import RulesBroken, undo_change
from labbench.bench.bookings import move_booking
from labbench.bench.models import Booking, BookingChange
from labbench.lab.models import Chamber
from labbench.pages.bench.cautions import caution
from labbench.pages.chambers.board import board
from labbench.pages.chambers.forms import BookingForm
from labbench.pages.chambers.windows import WindowForm


@require_safe
def timeline(request: HttpRequest) -> HttpResponse:
    """Chambers below each other, time from left to right; asked for by htmx only the part that changes."""
    context = board(request)
    if request.htmx:  # type: ignore[attr-defined]
        return render(request, "chambers/parts/board.html", context)
    window = context["window"]
    form = WindowForm(initial={"zoom": window.zoom, "on": window.first, "study": window.study})
    return render(request, "chambers/timeline.html", context | {"window_form": form} | caution(request, "load"))


def back(request: HttpRequest, booking: int | None = None) -> str:
    """The timeline as it was looked at."""
    query = request.GET.urlencode()
    shown = f"&booking={booking}#booking" if booking else ""
    return f"{reverse('chambers')}?{query}{shown}"


@permission_required("bench.change_booking", raise_exception=True)
@require_POST
def move(request: HttpRequest, pk: int) -> HttpResponse:
    """Move a booking; refused with every rule that it would break, and nothing stored."""
    booking = get_object_or_404(Booking.objects.select_related("load__study", "chamber", "step"), pk=pk)
    chambers = list(Chamber.objects.order_by("kind", "code"))
    form = BookingForm(request.POST, booking=booking, chambers=chambers)
    if form.is_valid():
        given = form.cleaned_data
        seen = (given["seen_start"], given["seen_end"])
        try:
            change = move_booking(
                booking=booking,
                by=request.user,
                chamber=given.get("chamber"),
                start=changed_only(given.get("start"), booking.planned_start),
                end=changed_only(given.get("end"), booking.planned_end),
                is_following=given["follow"],
                reason=given["reason"],
                seen=seen if seen[0] is not None and seen[1] is not None else None,
            )
        except RulesBroken as refused:
            return answer_refused(request, booking, form, refused.messages, is_wish=refused.is_wish)
        except ValidationError as refused:
            return answer_refused(request, booking, form, refused.messages)
        messages.success(request, f"{change.words}.")
        if not request.htmx:  # type: ignore[attr-defined]
            return redirect(back(request, booking.pk))
        return render(request, "chambers/parts/board.html", board(request, selected=booking.pk) | {"is_moved": True})
    return answer_refused(request, booking, form, [])


def changed_only(given, stored):  # type: ignore[no-untyped-def]
    """A time that differs from the stored one by a minute or more: the field shows whole minutes only."""
    if given is None or abs((given - stored).total_seconds()) < 60:
        return None
    return given


def answer_refused(
    request: HttpRequest, booking: Booking, form: BookingForm, words: list[str], *, is_wish: bool = False
) -> HttpResponse:
    """The timeline as it was, with the refusal beside the form that was sent."""
    refused = {"words": words, "is_wish": is_wish}
    context = board(request, selected=booking.pk, form=form, refused=refused)
    if request.htmx:  # type: ignore[attr-defined]
        return render(request, "chambers/parts/board.html", context, status=422)
    window = context["window"]
    window_form = WindowForm(initial={"zoom": window.zoom, "on": window.first, "study": window.study})
    return render(request, "chambers/timeline.html", context | {"window_form": window_form}, status=422)


@permission_required("bench.change_booking", raise_exception=True)
@require_POST
def undo(request: HttpRequest, pk: int) -> HttpResponse:
    """Take back a change of bookings."""
    change = get_object_or_404(BookingChange, pk=pk)
    try:
        undo_change(change=change, by=request.user)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    else:
        messages.success(request, f"Taken back: {change.words}.")
    return redirect(back(request))
