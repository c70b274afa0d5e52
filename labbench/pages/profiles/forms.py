"""What a thermal profile is typed into: the profile, and a form for each step of a round."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from labbench.lab.models.chambers import StepKind
from labbench.lab.profiles import MOST_STEPS, ProfileValues, StepValues
from labbench.pages.profiles.fields import DifferenceField, DurationField, TemperatureField

SPARE_STEPS = 2


class ProfileForm(forms.Form):
    """All but the steps."""

    name = forms.CharField(max_length=80, help_text="What the lab calls it.")
    rounds = forms.IntegerField(min_value=1, max_value=1000, help_text="How often the steps are gone through.")
    max_transfer_minutes = DurationField(
        required=True, label="longest transfer", help_text="From out of one chamber into the next: min, or 1 h"
    )
    is_common_practice = forms.BooleanField(
        required=False, label="common practice, no published source", help_text="Shown wherever the profile is."
    )
    note = forms.CharField(
        required=False,
        max_length=4000,
        label="where it comes from",
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="A standard with its edition, a customer’s request, the lab’s own experience.",
    )
    reason = forms.CharField(max_length=200, label="reason for the new version", help_text="Kept in the history.")

    def __init__(self, *args: Any, is_new_version: bool, **extra: Any) -> None:
        super().__init__(*args, **extra)
        if is_new_version:
            del self.fields["name"]
        else:
            del self.fields["reason"]

    def values(self, steps: tuple[StepValues, ...]) -> ProfileValues:
        """The profile as it was typed."""
        given = self.cleaned_data
        return ProfileValues(
            given.get("name", ""),
            given["rounds"],
            given["max_transfer_minutes"],
            steps,
            given["note"],
            given["is_common_practice"],
        )


class StepForm(forms.Form):
    """One soak."""

    name = forms.CharField(max_length=60)
    kind = forms.ChoiceField(choices=[("", "choose"), *StepKind.choices])
    air_set_point_c = TemperatureField(label="air set-point")
    target_c = TemperatureField(label="coupon target")
    tolerance_k = DifferenceField(label="tolerance")
    min_minutes = DurationField(required=True, least=1, label="least soak")
    max_minutes = DurationField(least=1, label="longest soak")

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        least, most = given.get("min_minutes"), given.get("max_minutes")
        if least is not None and most is not None and most < least:
            self.add_error("max_minutes", f"The longest soak is below the least of {least} min.")
        target, tolerance = given.get("target_c"), given.get("tolerance_k")
        if target is not None and tolerance is None and "tolerance_k" not in self.errors:
            self.add_error("tolerance_k", "How far the coupon may be from its target, in K?")
        if tolerance is not None and target is None and "target_c" not in self.errors:
            self.add_error("target_c", "A tolerance needs the target it is about.")
        return given


class StepsOfRound(forms.BaseFormSet):
    """The steps in the order of their numbers; those left blank or ticked to be left out are none."""

    deletion_widget = forms.CheckboxInput
    ordering_widget = forms.NumberInput

    def add_fields(self, form: Any, index: int | None) -> None:
        super().add_fields(form, index)
        form.fields["ORDER"].label = "place in the round"
        form.fields["ORDER"].initial = (index or 0) + 1
        form.fields["ORDER"].widget.attrs["min"] = 1
        form.fields["DELETE"].label = "leave this step out"
        form.order_fields(["ORDER", *[name for name in form.fields if name != "ORDER"]])
        form.label_suffix = ""

    def clean(self) -> None:
        super().clean()
        if any(self.errors):
            return
        if not self.steps():
            raise ValidationError("A profile has at least one step.")

    def steps(self) -> tuple[StepValues, ...]:
        """The steps as they were typed."""
        names = StepValues.__dataclass_fields__
        given = [
            (form.cleaned_data.get("ORDER") or MOST_STEPS + 1, place, form.cleaned_data)
            for place, form in enumerate(self.forms)
            if form.cleaned_data.get("name") and not form.cleaned_data.get("DELETE")
        ]
        return tuple(
            StepValues(**{name: data[name] for name in names}) for _, _, data in sorted(given, key=lambda one: one[:2])
        )


def step_forms(*args: Any, spare: int = SPARE_STEPS, **extra: Any) -> StepsOfRound:
    """Forms of the steps given, and some blank ones."""
    made = forms.formset_factory(
        StepForm,
        formset=StepsOfRound,
        extra=spare,
        can_order=True,
        can_delete=True,
        max_num=MOST_STEPS,
        validate_max=True,
    )
    return made(*args, **{"prefix": "steps", **extra})  # type: ignore[return-value]
