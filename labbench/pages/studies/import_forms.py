"""A coupon sheet that is handed in, and its confirmation."""

from __future__ import annotations

from typing import Any

from django import forms
from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile

from labbench.pages.studies.forms import RESERVED_CODES, refuse_code_in
from labbench.studies.models import code_characters


class SheetForm(forms.Form):
    """The file."""

    sheet = forms.FileField(
        label="coupon sheet",
        allow_empty_file=True,
        widget=forms.FileInput(attrs={"accept": ".csv,.txt,.tsv,.xlsx"}),
        help_text="CSV or XLSX.",
        error_messages={"required": "Choose a file, or drop one into the field."},
    )

    def clean_sheet(self) -> UploadedFile:
        sheet: UploadedFile = self.cleaned_data["sheet"]
        size = sheet.size or 0
        if size == 0:
            raise ValidationError(f"{sheet.name} is empty: it has 0 bytes.")
        if size > settings.MAX_UPLOAD_BYTES:
            raise ValidationError(
                f"{sheet.name} has {size / 2**20:,.0f} MB; at most {settings.MAX_UPLOAD_BYTES // 2**20} MB are read."
            )
        return sheet


class ConfirmForm(forms.Form):
    """Taking in a sheet that was looked at; `new_levels` are those that the study does not have."""

    may_add_levels = forms.BooleanField(required=False)

    def __init__(self, *args: Any, asks_for_levels: bool, **extra: Any) -> None:
        super().__init__(*args, **extra)
        if asks_for_levels:
            self.fields["may_add_levels"].label = "add these levels to the study"
            self.fields["may_add_levels"].required = True
            self.fields["may_add_levels"].error_messages["required"] = (
                "Tick this if they are right. If they are mistyped, mend the sheet and hand it in again."
            )
        else:
            del self.fields["may_add_levels"]


class NewStudyForm(forms.Form):
    """What a study made for a sheet still needs."""

    code = forms.CharField(
        max_length=40, validators=[code_characters], help_text="Letters, digits, - _ and ., e.g. COACH-7."
    )
    title = forms.CharField(max_length=160)
    question = forms.CharField(
        widget=forms.Textarea(attrs={"rows": 2}), help_text="What failed, and what may be the cause?"
    )

    def clean_code(self) -> str:
        code: str = self.cleaned_data["code"]
        if code.casefold() in RESERVED_CODES:
            raise ValidationError(f"“{code}” is an address of these pages; choose another code.")
        refuse_code_in(code)
        return code
