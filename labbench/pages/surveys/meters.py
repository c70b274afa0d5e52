"""Meters and their calibrations."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from labbench.lab import meters, queries
from labbench.lab.due import due
from labbench.lab.models import Calibration, LampSurvey, Radiometer
from labbench.pages.bench.fields import QuantityField
from labbench.pages.meanwhile import given, hold, watched
from labbench.pages.refusals import add_refusal

SURVEYS_SHOWN = 20


def date_field(label: str, *, required: bool = True) -> forms.DateField:
    return forms.DateField(
        label=label, required=required, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )


def why_field() -> forms.CharField:
    return forms.CharField(
        label="why it is changed",
        max_length=400,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Kept in the history.",
    )


class MeterForm(forms.Form):
    """A meter: what it reads, and what is known of how well."""

    code = forms.CharField(label="code", max_length=40, help_text="As it is marked, each once.")
    description = forms.CharField(label="description", max_length=120, required=False)
    band_low_nm = QuantityField(label="band from", unit="nm", low=100, high=2000)
    band_high_nm = QuantityField(label="band to", unit="nm", low=100, high=2000)
    own_unit = forms.CharField(
        label="unit of its own",
        max_length=20,
        required=False,
        help_text="Only where it shows neither mW/cm², W/m² nor µW/cm²; the factor of its calibration is then mW/cm² per unit.",
    )
    range_max_mw_cm2 = QuantityField(label="end of its range", unit="mW/cm²", low=0, high=1e6, above_low=True)
    resolution_mw_cm2 = QuantityField(label="smallest step it shows", unit="mW/cm²", low=0, high=1000, above_low=True)
    geometry_percent = QuantityField(
        label="angle and geometry, ±",
        unit="%",
        low=0,
        high=100,
        help_text="By how much oblique light and the placing of its head can be off; its data sheet or a trial says so.",
    )
    drift_percent = QuantityField(
        label="drift between calibrations, ±", unit="%", low=0, high=100, help_text="From one calibration to the next."
    )
    retired_on = date_field("retired on", required=False)
    note = forms.CharField(required=False, max_length=4000, widget=forms.Textarea(attrs={"rows": 2}))

    def clean(self) -> dict[str, object]:
        given = super().clean() or self.cleaned_data
        low, high = given.get("band_low_nm"), given.get("band_high_nm")
        if (low is None) != (high is None) and not {"band_low_nm", "band_high_nm"} & self.errors.keys():
            self.add_error("band_high_nm", "A band has two ends; leave both empty where it is not known.")
        if low is not None and high is not None and high <= low:
            self.add_error("band_high_nm", "The band ends above where it begins.")
        return given


class CalibrationForm(forms.Form):
    """One calibration, from its certificate."""

    calibrated_on = date_field("calibrated on")
    due_on = date_field("due on")
    factor = QuantityField(
        label="factor on readings", unit="", low=0, high=1e6, above_low=True, required=True,
        help_text="Irradiance = reading × factor. 1 where the meter was adjusted.",
    )  # fmt: skip
    expanded_uncertainty_percent = QuantityField(
        label="expanded uncertainty, k = 2", unit="%", low=0, high=100, help_text="Of the factor, from the certificate."
    )
    certificate = forms.CharField(label="certificate", max_length=80, required=False)

    def clean(self) -> dict[str, object]:
        given = super().clean() or self.cleaned_data
        made, until = given.get("calibrated_on"), given.get("due_on")
        if made and made > timezone.localdate():
            self.add_error("calibrated_on", "This day is still to come.")
        if made and until and until <= made:
            self.add_error("due_on", "It is due after the day on which it was calibrated.")
        return given


@require_GET
def meter_list(request: HttpRequest) -> HttpResponse:
    """Meters with their last calibration."""
    return render(request, "surveys/meters.html", {"rows": queries.meter_rows(timezone.localdate())})


@require_GET
def meter(request: HttpRequest, pk: int) -> HttpResponse:
    """One meter: what is known of it, its calibrations, the surveys read with it."""
    found = get_object_or_404(Radiometer.objects.prefetch_related("calibrations"), pk=pk)
    calibrations = list(found.calibrations.all())
    today = timezone.localdate()
    last_day = calibrations[0].due_on if calibrations and not found.retired_on else None
    own = found.surveys.select_related("lamp", "surveyed_by").order_by("-surveyed_at")
    context = {
        "meter": found,
        "calibrations": calibrations,
        "due": due(last_day, today=today),
        "surveys": own[:SURVEYS_SHOWN],
        "surveys_in_all": own.count(),
        "twins": twins(found),
    }
    return render(request, "surveys/meter.html", context)


def twins(found: Radiometer) -> list[tuple[LampSurvey, LampSurvey]]:
    """Surveys of this meter and of another, of the same lamp in the same way within a week: two meters on one lamp."""
    standing = LampSurvey.objects.filter(withdrawn_at=None).select_related("lamp", "radiometer")
    ours = list(standing.filter(radiometer=found)[:200])
    theirs = list(standing.exclude(radiometer=found).filter(lamp__in={row.lamp_id for row in ours})[:500])
    pairs = []
    for mine in ours:
        near = [
            other
            for other in theirs
            if (other.lamp_id, other.is_cover_on, other.distance_mm)
            == (mine.lamp_id, mine.is_cover_on, mine.distance_mm)
            and abs((other.surveyed_at - mine.surveyed_at).days) <= 7
        ]
        pairs += [(mine, other) for other in near]
    return pairs[:SURVEYS_SHOWN]


@permission_required("lab.add_radiometer", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def new_meter(request: HttpRequest) -> HttpResponse:
    form = MeterForm(request.POST or None)
    if form.is_valid():
        try:
            made = meters.add_meter(by=request.user, **form.cleaned_data)
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"Meter {made} is in the catalogue. Add its calibration next.")
            return redirect("meter", made.pk)
    return render(request, "surveys/meter_form.html", {"form": form})


@permission_required("lab.change_radiometer", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def change_meter(request: HttpRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(Radiometer, pk=pk)

    def meter_form(row: Radiometer, data: Any) -> MeterForm:
        form = MeterForm(data, initial={name: getattr(row, name) for name in MeterForm.base_fields})
        form.fields["reason"] = why_field()
        return form

    form = watched(meter_form, found, request.POST if request.method == "POST" else None)
    if form.is_valid():
        try:
            with transaction.atomic():
                hold(form)
                meters.change_meter(meter=found, by=request.user, **given(form))
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"Meter {found} is changed; the history keeps what stood before.")
            return redirect("meter", pk)
    return render(request, "surveys/meter_form.html", {"form": form, "meter": get_object_or_404(Radiometer, pk=pk)})


@permission_required("lab.add_calibration", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def new_calibration(request: HttpRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(Radiometer, pk=pk)
    form = CalibrationForm(request.POST or None)
    if form.is_valid():
        try:
            meters.add_calibration(meter=found, by=request.user, **form.cleaned_data)
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"The calibration of meter {found} is kept.")
            return redirect("meter", pk)
    return render(request, "surveys/calibration_form.html", {"form": form, "meter": found})


@permission_required("lab.change_calibration", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def change_calibration(request: HttpRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(Calibration.objects.select_related("radiometer"), pk=pk)
    meter_pk = found.radiometer_id
    initial = {name: getattr(found, name) for name in CalibrationForm.base_fields}
    form = CalibrationForm(request.POST or None, initial=initial)
    form.fields["reason"] = why_field()
    if form.is_valid():
        try:
            if "remove" in request.POST:
                meters.remove_calibration(calibration=found, by=request.user, reason=form.cleaned_data["reason"])
            else:
                meters.change_calibration(calibration=found, by=request.user, **form.cleaned_data)
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, "The history keeps what stood before. Surveys keep the factor applied to them.")
            return redirect("meter", meter_pk)
    context = {"form": form, "meter": found.radiometer, "calibration": found}
    return render(request, "surveys/calibration_form.html", context)
