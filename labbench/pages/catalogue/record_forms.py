"""What is typed about resins, lots, glass and procedures; a change of what is stored asks for the reason."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db import models

from labbench.formats.number_texts import unit_of_name
from labbench.lab.models import GlassStock, Procedure, ProcedureVersion, Resin, ResinLot
from labbench.pages.bench.fields import MomentField, QuantityField

# Least, most, and whether the least itself is excluded; else 0 to a million, 0 included.
LIMITS = {
    "viscosity_mpa_s": (0, 1e6, True),
    "use_per_repair_ml": (0, 1000, True),
    "quantity_ml": (0, 1e6, True),
    "needed_dose_mj_cm2": (0, 1e6, True),
    "penetration_depth_mm": (0, 1000, True),
    "gel_exposure_mj_cm2": (0, 1e6, True),
    "reciprocity_exponent": (0, 2, True),
    "thickness_mm": (0, 100, True),
    "peak_wavelength_nm": (200, 800, False),
    "emitter_spacing_mm": (0, 1000, True),
    "least_irradiance_mw_cm2": (0, 10_000, True),
}
# A name that ends like another unit.
UNITS = {"viscosity_mpa_s": "mPa·s"}


def typed(field: models.Field[Any, Any], **extra: Any) -> forms.Field | None:
    """The form field of a record's field: quantities with their unit, days with a calendar."""
    if isinstance(field, models.FloatField):
        low, high, above_low = LIMITS.get(field.name, (0, 1e6, False))
        return QuantityField(
            unit=UNITS.get(field.name, unit_of_name(field.name)),
            low=low,
            high=high,
            above_low=above_low,
            required=not field.blank,
            label=field.verbose_name,
            help_text=field.help_text,
        )
    if isinstance(field, models.DateField) and not isinstance(field, models.DateTimeField):
        extra["widget"] = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    if isinstance(field, models.TextField):
        extra["widget"] = forms.Textarea(attrs={"rows": 3})
    return field.formfield(**extra)


class RecordForm(forms.ModelForm):
    """A record of the catalogue; `reason` is asked for where a stored one is changed."""

    reason = forms.CharField(max_length=300, label="why it is changed", help_text="Kept in the history.")

    def __init__(self, *args: Any, **extra: Any) -> None:
        super().__init__(*args, **extra)
        if self.instance.pk is None:
            self.fields.pop("reason", None)

    @property
    def given_reason(self) -> str:
        return str(self.cleaned_data.get("reason", ""))


class ResinForm(RecordForm):
    class Meta:
        model = Resin
        fields = (
            "name",
            "purpose",
            "supplier",
            "tint",
            "viscosity_mpa_s",
            "use_per_repair_ml",
            "low_stock_ml",
            "needed_dose_mj_cm2",
            "reciprocity_exponent",
            "penetration_depth_mm",
            "gel_exposure_mj_cm2",
            "constants_source",
            "retired_on",
            "note",
        )
        formfield_callback = typed


class LotForm(RecordForm):
    class Meta:
        model = ResinLot
        fields = (
            "resin",
            "code",
            "received_on",
            "expires_on",
            "opened_on",
            "stored_at",
            "quantity_ml",
            "retired_on",
            "note",
        )
        formfield_callback = typed


class GlassForm(RecordForm):
    class Meta:
        model = GlassStock
        fields = (
            "code",
            "construction",
            "thickness_mm",
            "lot",
            "received_on",
            "pieces",
            "low_pieces",
            "retired_on",
            "note",
        )
        formfield_callback = typed


class ProcedureForm(RecordForm):
    class Meta:
        model = Procedure
        fields = ("code", "title", "retired_on")
        formfield_callback = typed


class DraftForm(forms.ModelForm):
    """The text of the next version of a procedure."""

    class Meta:
        model = ProcedureVersion
        fields = ("text", "effective_on", "change_note")
        labels = {"effective_on": "in force from"}
        help_texts = {"text": "One step a line: the comparison with the version before is line by line."}
        formfield_callback = typed

    def __init__(self, *args: Any, **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.fields["text"].widget.attrs["rows"] = 16

    def _post_clean(self) -> None:
        """Not checked against the row here: the service knows which version it becomes."""


class LotCountForm(forms.Form):
    """What is left of a lot."""

    left_ml = QuantityField(label="left", unit="ml", low=0, high=1e6, required=True)
    reason = forms.CharField(max_length=200, label="why counted", help_text="E.g. stock-taking, spilt, thrown away.")
    counted_at = MomentField(label="counted at")


class GlassCountForm(forms.Form):
    """How many pieces are left."""

    pieces_left = forms.IntegerField(label="pieces left", min_value=0, max_value=1_000_000)
    reason = forms.CharField(max_length=200, label="why counted", help_text="E.g. stock-taking, broken in storage.")
    counted_at = MomentField(label="counted at")


class WhyForm(forms.Form):
    """Why a record is taken out."""

    reason = forms.CharField(max_length=300, label="why", help_text="Kept in the history.")
