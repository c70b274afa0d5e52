"""What a service refuses, put beside the field it is about."""

from django import forms
from django.core.exceptions import NON_FIELD_ERRORS, ValidationError


def add_refusal(form: forms.BaseForm, refused: ValidationError) -> None:
    """Add the messages to the form: to its fields where they name one that it shows, else to the whole."""
    if not hasattr(refused, "error_dict"):
        form.add_error(None, refused)
        return
    for name, errors in refused.error_dict.items():
        shown = name in form.fields and not form.fields[name].disabled
        for error in errors:
            form.add_error(name if shown and name != NON_FIELD_ERRORS else None, error)
