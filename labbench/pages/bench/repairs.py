"""Recording a repair, and the dose that its cure gives."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from labbench.bench import services
from labbench.bench.doses import dose_now, recompute_dose, surveyed_distance_mm
from labbench.bench.models import Repair
from labbench.bench.queries import allocation, allocation_of_repair
from labbench.bench.rules import meter_findings, survey_findings
from labbench.pages.bench.cautions import brightest_lamp_words, caution
from labbench.pages.bench.forms import RepairForm, repair_defaults
from labbench.pages.bench.levels import shown_levels
from labbench.pages.bench.records import add_refusal, open_coupon, require_change, sent_again, stored_once, why_not
from labbench.pages.bench.repair_doses import DosePart, dose_part
from labbench.studies.models import Coupon

# What a dose is worked out from; all of it may be missing while the form is being filled in.
DECIDES = ("lamp", "is_cover_on", "cure_time_s", "distance_mm", "irradiance_mw_cm2", "radiometer", "repaired_at",
           "break_x_mm", "break_y_mm")  # fmt: skip
KEPT = "If the lamp is used all the same, that is kept as a deviation."


@permission_required("bench.add_repair", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def record_repair(request: HttpRequest, pk: int) -> HttpResponse:
    coupon = open_coupon(pk)
    # Only while the repair is still to be made: afterwards this page would tell an inspector the arm.
    if request.method != "POST" and (refusal := why_not(coupon, "repair")):
        messages.warning(request, refusal)
        return redirect("coupon", pk)
    planned = allocation_of_repair(coupon)
    form = RepairForm(
        request.POST or None,
        person=request.user,
        allocation=planned,
        now=timezone.now(),
        initial=repair_defaults(coupon, request.user, planned),
    )
    is_taken = False
    if "take_distance" in request.POST:
        form.is_valid()
        offered = offered_distance(coupon, form.cleaned_data)
        if is_taken := offered is not None:
            data = request.POST.copy()
            data["distance_mm"] = form.fields["distance_mm"].prepare_value(offered)
            form.data = data  # type: ignore[assignment]
            form.full_clean()
    # Without scripts a button asks for the dose before anything is stored; so does the one that puts in a distance.
    is_asked = bool({"show_dose", "take_distance"} & request.POST.keys())
    if form.is_valid() and not is_asked:
        given = form.cleaned_data
        try:
            stored = services.record_repair(coupon=coupon, by=request.user, **given)
        except ValidationError as refused:
            same = {name: given[name] for name in ("resin_lot", "lamp", "cure_time_s")}
            if twin := sent_again("repair", coupon, request.user, **same):
                return stored_once(request, "repair", twin)
            add_refusal(form, refused)
        else:
            return redirect("recorded", "repair", stored.record.pk)
    is_open = not why_not(coupon, "repair")
    levels = shown_levels(planned) if is_open else []
    given = form.cleaned_data if form.is_bound else chosen(form)
    if is_asked:
        form.errors.clear()
    context = {"coupon": coupon, "form": form, "allocation": levels, "is_distance_taken": is_taken}
    context |= {"dose": preview(coupon, given), "offered_distance_mm": offered_distance(coupon, given)}
    if is_open and not levels and coupon.role == Coupon.Role.TEST:
        context["is_unallocated"] = coupon.study.factors.exists()
    return render(request, "bench/repair.html", context | caution(request, "repair", brightest_lamp_words))


def chosen(form: RepairForm) -> dict[str, Any]:
    """What the form is filled with before anybody has typed, as far as the dose needs it."""
    filled = {name: form.initial.get(name) for name in DECIDES}
    lamps = form.fields["lamp"].queryset  # type: ignore[attr-defined]
    filled["lamp"] = lamps.filter(pk=filled["lamp"]).first() if filled["lamp"] else None
    filled["is_cover_on"] = filled["is_cover_on"] == "on"
    return filled | {"radiometer": None, "repaired_at": None}


def preview(coupon: Coupon, given: dict[str, Any]) -> DosePart | None:
    """The dose that a repair with these details would get; None until lamp and cure time are known."""
    if not given.get("lamp") or not given.get("cure_time_s"):
        return None
    repair = unstored(coupon, given)
    now, of_survey = dose_now(repair), survey_findings(repair)
    if now.dose is None and of_survey:
        # The same in the words of the rule would be said twice.
        now, of_survey = replace(now, reason=f"{now.reason} {KEPT}"), []
    return dose_part(repair, now, warnings=[finding.text for finding in (*meter_findings(repair), *of_survey)])


def offered_distance(coupon: Coupon, given: dict[str, Any]) -> float | None:
    """The distance of the survey that would count, to be put in at one press; None once one is typed, or where none would."""
    if not given.get("lamp") or given.get("distance_mm") is not None:
        return None
    return surveyed_distance_mm(unstored(coupon, given))


def unstored(coupon: Coupon, given: dict[str, Any]) -> Repair:
    details = {name: given.get(name) for name in DECIDES}
    details |= {
        "repaired_at": given.get("repaired_at") or timezone.now(),
        "is_cover_on": bool(given.get("is_cover_on")),
    }
    return Repair(coupon=coupon, **details)


@permission_required("bench.add_repair", raise_exception=True)
@require_GET
def dose_preview(request: HttpRequest, pk: int) -> HttpResponse:
    """The dose of what is typed so far, while the form is being filled in."""
    coupon = open_coupon(pk)
    if why_not(coupon, "repair"):
        raise PermissionDenied("This coupon is not waiting for a repair.")
    form = RepairForm(
        request.GET,
        person=request.user,
        allocation=allocation(coupon),
        now=timezone.now(),
    )
    form.is_valid()
    given = form.cleaned_data
    context = {"coupon": coupon, "dose": preview(coupon, given), "offered_distance_mm": offered_distance(coupon, given)}
    return render(request, "bench/dose_preview.html", context)


@require_POST
def recompute(request: HttpRequest, pk: int) -> HttpResponse:
    """Compute the dose of a repair anew, as its survey was corrected."""
    repair = get_object_or_404(Repair.objects.select_related("coupon__study", "lamp"), coupon=pk)
    require_change(request.user, repair)
    try:
        recompute_dose(repair=repair, by=request.user)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    else:
        messages.success(request, "The dose is computed anew; its history keeps what stood before.")
    return redirect("coupon", pk)
