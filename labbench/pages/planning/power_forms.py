"""What sample sizes are asked for, with sensible values to begin with."""

from __future__ import annotations

from typing import Any

from django import forms
from django.http import QueryDict


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
