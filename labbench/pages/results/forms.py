"""What a reader may choose or state on the results pages."""

from __future__ import annotations

from typing import Any

from django import forms

from labbench.analysis.choices import Choice
from labbench.reports.models import Signature


class CombinationForm(forms.Form):
    """Which two factors the table of combinations crosses."""

    rows = forms.CharField(max_length=60, required=False, label="down")
    columns = forms.CharField(max_length=60, required=False, label="across")


class ChoiceForm(forms.Form):
    """Which factors and coupons an analysis looks at; what may be ticked is said when it is made."""

    measured = forms.MultipleChoiceField(
        label="measured values to enter", required=False, widget=forms.CheckboxSelectMultiple
    )
    without = forms.MultipleChoiceField(
        label="named factors to leave out", required=False, widget=forms.CheckboxSelectMultiple
    )
    kinds = forms.MultipleChoiceField(label="coupons touched by", required=False, widget=forms.CheckboxSelectMultiple)
    deviations = forms.TypedMultipleChoiceField(
        label="coupons touched by a single deviation", required=False, coerce=int, widget=forms.CheckboxSelectMultiple
    )
    loads = forms.MultipleChoiceField(label="all coupons of", required=False, widget=forms.CheckboxSelectMultiple)

    def __init__(self, *args: Any, options: dict[str, list[tuple[Any, str]]], **extra: Any) -> None:
        super().__init__(*args, **extra)
        for name, choices in options.items():
            self.fields[name].choices = choices  # type: ignore[attr-defined]
        self.factors = {name for name, _ in options["without"]}

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        if self.factors and self.factors <= set(given.get("without", ())) and not given.get("measured"):
            self.add_error(
                "without", "Without any factor there is nothing to compare: keep one, or enter a measured value."
            )
        return given

    def choice(self) -> Choice:
        return Choice(**{name: tuple(self.cleaned_data[name]) for name in self.fields})


class ReportForm(forms.Form):
    """A report of an analysis."""

    title = forms.CharField(max_length=200, label="title of the report")


class SignatureForm(forms.Form):
    """A person's statement on a report; the password says that it is that person."""

    meaning = forms.ChoiceField(choices=Signature.Meaning.choices, label="what you state", widget=forms.RadioSelect)
    note = forms.CharField(
        required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 2}), help_text="Shown below your name."
    )
    password = forms.CharField(
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
        label="your password",
        help_text="Typed again for every signature.",
        strip=False,
    )

    def __init__(self, *args: Any, person: Any, **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.person = person

    def clean_password(self) -> str:
        password: str = self.cleaned_data["password"]
        if not self.person.check_password(password):
            raise forms.ValidationError("This is not your password.")
        return password
