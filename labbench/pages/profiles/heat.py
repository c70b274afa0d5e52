"""The heat in a coupon: when the glass gets there after a step of the air, how uneven it is on the way, and how sure that is."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from labbench.bench.models import Load
from labbench.lab.models import ProfileStep, ThermalProfile
from labbench.pages.profiles.heat_forms import HeatForm
from labbench.pages.profiles.heat_parts import HeatAnswer, answered
from labbench.pages.surveys.entry import number_in

# A usual windscreen; any other is typed or taken from stock.
STARTS = {
    "outer_mm": 2.1,
    "interlayer_mm": 0.76,
    "inner_mm": 2.1,
    "start_c": -17.8,
    "air_c": 76.7,
    "target_c": 76.7,
    "tolerance_k": 3,
    "air_flow": "unknown",
}
HAZARDS = (
    "Hot and deeply cold surfaces burn: insulated gloves. A coupon can crack out while it changes temperature: eye protection.",
    "This is a computed time, not a measured one. Where a soak has to be proved, put a sensor into or under a coupon in the worst place.",
    "Never pour water on hot glass or warm frozen glass with a flame to be faster.",
)


@require_safe
def coupon_heat(request: HttpRequest) -> HttpResponse:
    """Asked and answered by the address alone, so that an answer can be sent on."""
    load = load_of(request)
    profile = None if load is None else load.profile or load.study.profile
    form = HeatForm(request.GET, steps=steps_for(profile, request.GET.get("step", "")), starts=starts_for(load))
    answer: HeatAnswer | None = answered(form.cleaned_data) if form.is_valid() else None
    context = {
        "form": form,
        "answer": answer,
        "load": load,
        "profile": profile,
        "step": form.cleaned_data.get("step"),
        "hazards": HAZARDS,
    }
    return render(request, "profiles/coupon_heat.html", context)


def load_of(request: HttpRequest) -> Load | None:
    """The load that the page was opened from."""
    wanted = request.POST.get("load") or request.GET.get("load") or ""
    found = Load.objects.select_related("profile", "study__profile")
    return found.filter(pk=number).first() if (number := number_in(wanted)) is not None else None


def steps_for(profile: ThermalProfile | None, wanted: str) -> QuerySet[ProfileStep]:
    """Steps to choose from: of the load's profile, of the profile of the step asked for, else of all that state a target."""
    steps = ProfileStep.objects.select_related("profile").order_by("profile__name", "-profile__version", "number")
    if profile is not None:
        return steps.filter(profile=profile)
    if (number := number_in(wanted)) is not None:
        return steps.filter(profile__steps=number)
    return steps.exclude(target_c=None)


def starts_for(load: Load | None) -> dict[str, Any]:
    """What the page begins with: for a load the glass of its first coupon that says it, and its first step."""
    if load is None:
        return STARTS
    glass = load.places.exclude(coupon__glass=None).values_list("coupon__glass", flat=True).first()
    profile = load.profile or load.study.profile
    step = None if profile is None else profile.steps.exclude(target_c=None).first()
    starts = {"load": load.pk, "air_flow": "unknown"}
    starts |= {"glass": glass} if glass else {name: STARTS[name] for name in ("outer_mm", "interlayer_mm", "inner_mm")}
    if step is None:
        return starts | {name: STARTS[name] for name in ("start_c", "air_c", "target_c", "tolerance_k")}
    return starts | {"step": step.pk}
