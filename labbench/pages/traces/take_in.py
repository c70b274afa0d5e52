"""Handing in a logger's file: with a load, or with the loads that were in a chamber."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.db.models import Max
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from labbench.bench.models import Load
from labbench.bench.refusals import closed_words
from labbench.bench.trace_files import AlreadyKept, take_in
from labbench.lab.models import Chamber
from labbench.pages.refusals import add_refusal
from labbench.pages.traces.forms import ChamberTraceForm, LoadTraceForm, TraceFileForm
from labbench.studies.models import Study

MOST_LOADS = 30
may_take_in = permission_required("bench.add_tracefile", raise_exception=True)


@may_take_in
@require_http_methods(["GET", "HEAD", "POST"])
def of_load(request: HttpRequest, pk: int) -> HttpResponse:
    """The file of a logger that was with one load."""
    load = get_object_or_404(Load.objects.select_related("study"), pk=pk)
    form = LoadTraceForm(*sent(request), load=load)
    context = {"form": form, "load": load, "closed": closed_words(load.study), "time_zone": settings.TIME_ZONE}
    return taken_in(request, form, context, lambda given: ([load], given["chamber"]))


@may_take_in
@require_http_methods(["GET", "HEAD", "POST"])
def of_chamber(request: HttpRequest, pk: int) -> HttpResponse:
    """The file of a logger that stayed in a chamber, for several loads at once."""
    chamber = get_object_or_404(Chamber, pk=pk)
    loads = (
        Load.objects.filter(bookings__chamber=chamber)
        .exclude(study__state=Study.State.CLOSED)
        .annotate(last=Max("bookings__planned_start"))
        .select_related("study")
        .order_by("-last")
    )
    latest = Load.objects.filter(pk__in=[load.pk for load in loads[:MOST_LOADS]]).select_related("study")
    form = ChamberTraceForm(*sent(request), loads=latest)
    context = {"form": form, "chamber": chamber, "has_loads": bool(latest), "time_zone": settings.TIME_ZONE}
    return taken_in(request, form, context, lambda given: (list(given["loads"]), chamber))


def sent(request: HttpRequest) -> tuple[Any, Any]:
    """What was sent, also where that is nothing."""
    return (request.POST, request.FILES) if request.method == "POST" else (None, None)


def taken_in(
    request: HttpRequest,
    form: TraceFileForm,
    context: dict[str, Any],
    where: Callable[[dict[str, Any]], tuple[Sequence[Load], Chamber | None]],
) -> HttpResponse:
    """Keep the file and go on to its columns; a script that shows how far the upload is gets the address instead."""
    if form.is_valid():
        file = form.cleaned_data["trace"]
        loads, chamber = where(form.cleaned_data)
        try:
            kept = take_in(loads=loads, pieces=file.chunks(), filename=file.name, by=request.user, chamber=chamber)
        except AlreadyKept as known:
            messages.warning(request, " ".join(known.messages))
            return sent_on(request, reverse("trace", args=[known.trace.pk]))
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            return sent_on(request, reverse("trace-columns", args=[kept[0].pk]))
    return render(request, "traces/take_in.html", context)


def sent_on(request: HttpRequest, address: str) -> HttpResponse:
    if request.headers.get("X-Requested-With") == "XMLHttpRequest":
        return JsonResponse({"to": address})
    return redirect(address)
