"""What is typed about a lamp, its hours and its renewed parts."""

from __future__ import annotations

from typing import Any

from django import forms

from labbench.lab.models import Lamp, LampReplacement
from labbench.pages.bench.fields import MomentField, QuantityField
from labbench.pages.catalogue.record_forms import RecordForm, typed


class LampForm(RecordForm):
    """A lamp; what its counter shows is typed with a new one only, later as a reading of its own."""

    hours_run_h = QuantityField(
        label="counter now", unit="h", low=0, high=1_000_000, help_text="Hours run. Leave empty: not known."
    )

    class Meta:
        model = Lamp
        fields = (
            "code",
            "description",
            "emitter_kind",
            "peak_wavelength_nm",
            "emitters",
            "emitter_spacing_mm",
            "has_cover",
            "in_service_on",
            "least_irradiance_mw_cm2",
            "least_irradiance_at",
            "retired_on",
            "note",
        )
        formfield_callback = typed

    def __init__(self, *args: Any, **extra: Any) -> None:
        super().__init__(*args, **extra)
        if self.instance.pk is None:
            self.order_fields([*list(self.fields)[:8], "hours_run_h"])
        if self.instance.pk is not None:
            self.fields.pop("hours_run_h")
        else:
            self.fields.pop("retired_on")

    def clean(self) -> dict[str, Any]:
        given: dict[str, Any] = super().clean() or self.cleaned_data
        begun, ended = given.get("in_service_on"), given.get("retired_on")
        if begun and ended and ended < begun:
            self.add_error("retired_on", "It can’t be retired before it was in service.")
        return given


class HoursForm(forms.Form):
    """What the counter shows."""

    hours_h = QuantityField(label="counter shows", unit="h", low=0, high=1_000_000, required=True)
    read_at = MomentField(label="read at")
    note = forms.CharField(max_length=200, required=False)


class ReplacementForm(forms.Form):
    """A renewed part."""

    part = forms.ChoiceField(label="what was renewed", choices=LampReplacement.Part, widget=forms.RadioSelect)
    hours_before_h = QuantityField(label="counter before", unit="h", low=0, high=1_000_000, required=True)
    hours_after_h = QuantityField(
        label="counter after",
        unit="h",
        low=0,
        high=1_000_000,
        help_text="Leave empty: it goes on. 0 where it was set back.",
    )
    reason = forms.CharField(max_length=200, label="why", help_text="E.g. dark, flickers, too dim in the survey.")
    replaced_at = MomentField(label="renewed at")
