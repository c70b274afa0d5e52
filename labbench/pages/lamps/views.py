"""Lamps entered and changed; their hours read; their parts renewed."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.decorators import permission_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from labbench.lab import lamp_lives
from labbench.lab.models import HoursReading, Lamp, LampReplacement
from labbench.pages.bench.cautions import caution
from labbench.pages.catalogue.keeping import KeepPage, kept, sent
from labbench.pages.catalogue.record_forms import WhyForm
from labbench.pages.lamps.forms import HoursForm, LampForm, ReplacementForm
from labbench.pages.meanwhile import watched


def address(lamp: Lamp) -> str:
    return reverse("lamp", args=[lamp.pk])


def page_of(lamp: Lamp, heading: str, request: HttpRequest, **more: Any) -> KeepPage:
    name, back = f"Lamp {lamp.code}", f"{address(lamp)}#life"
    return KeepPage(heading, back, [(name, address(lamp))], caution=caution(request, "lamp"), **more)


@permission_required("lab.add_lamp", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def new_lamp(request: HttpRequest) -> HttpResponse:
    form = LampForm(sent(request))

    def store() -> tuple[str, str]:
        hours = form.cleaned_data["hours_run_h"]
        lamp = lamp_lives.store_lamp(lamp=form.save(commit=False), by=request.user, hours_h=hours)
        return address(lamp), f"Lamp {lamp.code} is in the catalogue. Survey it before repairs are made under it."

    page = KeepPage("Add a curing lamp", reverse("catalogue") + "#lamps", caution=caution(request, "lamp"))
    return kept(request, form, page, store)


@permission_required("lab.change_lamp", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def edit_lamp(request: HttpRequest, pk: int) -> HttpResponse:
    lamp = get_object_or_404(Lamp, pk=pk)
    page = page_of(lamp, f"Change lamp {lamp.code}", request)
    form = watched(lambda row, data: LampForm(data, instance=row), lamp, sent(request))

    def store() -> tuple[str, str]:
        lamp_lives.store_lamp(lamp=form.save(commit=False), by=request.user, reason=form.given_reason)
        return address(lamp), "The lamp was changed."

    return kept(request, form, page, store)


@permission_required("lab.add_hoursreading", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def read_hours(request: HttpRequest, pk: int) -> HttpResponse:
    lamp = get_object_or_404(Lamp, pk=pk)
    form = HoursForm(sent(request))

    def store() -> tuple[str, str]:
        lamp_lives.record_hours(lamp=lamp, by=request.user, **form.cleaned_data)
        return f"{address(lamp)}#life", "The hours were stored."

    intro = ["Surveys bring their own hours. A reading in between tells how soon the lamp will be too dim."]
    return kept(request, form, page_of(lamp, f"Hours run by lamp {lamp.code}", request, intro=intro), store)


@permission_required("lab.add_lampreplacement", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def renew_part(request: HttpRequest, pk: int) -> HttpResponse:
    lamp = get_object_or_404(Lamp, pk=pk)
    form = ReplacementForm(sent(request))

    def store() -> tuple[str, str]:
        lamp_lives.record_replacement(lamp=lamp, by=request.user, **form.cleaned_data)
        return f"{address(lamp)}#life", "A new life of the lamp has begun. Survey it before the next repair."

    intro = [
        "Surveys before it say nothing of the lamp as it is now: fading is followed anew, and the lamp needs a survey."
    ]
    page = page_of(lamp, f"A part of lamp {lamp.code} was renewed", request, intro=intro)
    return kept(request, form, page, store)


@require_http_methods(["GET", "HEAD", "POST"])
def remove_event(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    """Take a reading or a renewal out: whoever made it, and the lab lead."""
    model: Any = {"hours": HoursReading, "renewals": LampReplacement}[kind]
    record = get_object_or_404(model.objects.select_related("lamp"), pk=pk)
    maker = record.read_by_id if kind == "hours" else record.replaced_by_id
    if not request.user.has_perm(f"lab.delete_{model._meta.model_name}") and maker != request.user.pk:
        raise PermissionDenied
    form = WhyForm(sent(request))
    lamp = record.lamp

    def store() -> tuple[str, str]:
        lamp_lives.take_out(record, by=request.user, **form.cleaned_data)
        return f"{address(lamp)}#life", "Taken out; the history keeps it."

    return kept(
        request, form, page_of(lamp, f"Take out: {record}", request, button="Take it out", is_dangerous=True), store
    )
