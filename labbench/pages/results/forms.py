"""What a reader may choose or state on the results pages."""

from __future__ import annotations

from typing import Any

from django import forms

from labbench.reports.models import Signature


class CombinationForm(forms.Form):
    """Which two factors the table of combinations crosses."""

    rows = forms.CharField(max_length=60, required=False, label="down")
    columns = forms.CharField(max_length=60, required=False, label="across")


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
