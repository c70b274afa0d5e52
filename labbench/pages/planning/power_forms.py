"""What sample sizes are asked for, with sensible values to begin with."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import QueryDict

MOST_ARMS = 6


class ShareField(forms.FloatField):
    """A fraction of one."""

    def __init__(self, *, initial: float, low: float = 0.0, high: float = 1.0, **extra: Any) -> None:
        widget = forms.NumberInput(attrs={"step": "any", "min": low, "max": high})
        super().__init__(initial=initial, min_value=low, max_value=high, widget=widget, **extra)


class OpenShareField(ShareField):
    """A fraction of one, 0 and 1 excluded."""

    def validate(self, value: Any) -> None:
        super().validate(value)
        if value is not None and not 0 < value < 1:
            raise forms.ValidationError("Between 0 and 1, both excluded.")


class SampleForm(forms.Form):
    """One question. Asked with nothing, it asks with its own values."""

    def __init__(self, query: QueryDict) -> None:
        prefix = type(self).__name__.removesuffix("Form").lower()
        super().__init__(query, prefix=prefix)
        if not any(name.startswith(f"{prefix}-") for name in query):
            self.data = {f"{prefix}-{name}": field.initial for name, field in self.fields.items()}


class ArmsForm(SampleForm):
    """Two arms, failed or held."""

    baseline = ShareField(initial=0.05, label="share that fails in the arm that holds")
    failing = ShareField(initial=0.7, label="share that fails in the arm that fails")
    alpha = OpenShareField(initial=0.05, label="level of the test")
    power = OpenShareField(initial=0.8, label="wanted chance to see the difference")


class DemonstrationForm(SampleForm):
    """A share that holds, to be demonstrated."""

    reliability = OpenShareField(initial=0.9, label="share that should hold")
    confidence = OpenShareField(initial=0.9, label="confidence")
    failures = forms.IntegerField(initial=0, min_value=0, max_value=1000, label="failures allowed")


class SeveralForm(SampleForm):
    """Three arms or more, failed or held."""

    shares = forms.CharField(
        initial="0.05 0.05 0.7", label="share that fails in each arm", help_text="Two to six, with blanks between them."
    )
    alpha = OpenShareField(initial=0.05, label="level of the test")
    power = OpenShareField(initial=0.8, label="wanted chance to see a difference")

    def clean_shares(self) -> list[float]:
        try:
            shares = [float(word) for word in self.cleaned_data["shares"].split()]
        except ValueError as wrong:
            raise forms.ValidationError("Numbers with blanks between them, e.g. 0.05 0.05 0.7.") from wrong
        if not 2 <= len(shares) <= MOST_ARMS:
            raise forms.ValidationError(f"Two to {MOST_ARMS} arms.")
        if not all(0 <= share <= 1 for share in shares):
            raise forms.ValidationError("Each share lies between 0 and 1.")
        return shares


class EquivalenceForm(SampleForm):
    """Two arms that are to be shown alike."""

    first = ShareField(initial=0.05, label="share that fails in one arm")
    second = ShareField(initial=0.05, label="share that fails in the other")
    margin = OpenShareField(initial=0.15, label="difference that would not matter")
    alpha = OpenShareField(initial=0.05, high=0.5, label="level of each one-sided test")
    power = OpenShareField(initial=0.8, label="wanted chance to show it")


class StrengthForm(SampleForm):
    """Two arms of strengths."""

    ratio = forms.FloatField(initial=0.8, min_value=0.01, max_value=100, label="strength of one arm over the other")
    modulus = forms.FloatField(
        initial=8,
        min_value=0.5,
        max_value=100,
        label="Weibull modulus",
        help_text="About 5 to 10 for glass as received (common practice, no source).",
    )
    alpha = OpenShareField(initial=0.05, label="level of the test")
    power = OpenShareField(initial=0.8, label="wanted chance to see the difference")
    seed = forms.IntegerField(initial=20260101, min_value=0, max_value=2**31 - 1, label="seed")
