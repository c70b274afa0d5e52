"""What somebody else changed in a record while its form lay open: told, and never undone without a word."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django import forms
from django.db import models
from django.http import Http404

from labbench.formats.number_texts import with_unit
from labbench.lab.records import hold_unchanged, newest_version

SEEN = "seen"
LONGEST_SHOWN = 80
# Makes the form of a record: filled with the record, or with what was sent.
Make = Callable[[Any, Any], Any]


class VersionField(forms.IntegerField):
    """The version of the record that the form was filled with, sent along out of sight."""

    def __init__(self, row: models.Model, version: int) -> None:
        super().__init__(required=False, initial=version, widget=forms.HiddenInput)
        self.row, self.version = row, version


def watched(make: Make, row: models.Model, data: Any) -> Any:
    """The form of a stored record, with the version that it shows.

    Sent after somebody changed one of its fields it refuses: it names what changed, keeps what was typed, and shows the rest as it is now.
    A form sent without a version (by a script) is taken as it is.
    """
    # In this order: the row is at least as new as the version that `hold` asks for.
    newest = newest_version(row)
    try:
        row.refresh_from_db()
    except type(row).DoesNotExist as gone:  # type: ignore[attr-defined]
        raise Http404("This record was taken out meanwhile.") from gone
    form = with_version(make(row, data), row, newest)
    sent = data.get(SEEN, "") if data is not None else ""
    if not sent or sent == str(newest):
        return form
    history = row.history.order_by("history_id")  # type: ignore[attr-defined]
    # Of all rows of its kind: a draft is begun from the version before it.
    versions = type(row).history  # type: ignore[attr-defined]
    old = versions.filter(history_id=int(sent)).first() if sent.isdecimal() and len(sent) < 19 else None
    now = make(row, None)
    then = make(old.instance, None) if old is not None else None
    changed = [name for name in now.fields if then is None or shown(then, name) != shown(now, name)]
    if not changed:
        return form
    typed = set() if then is None else {name for name in form.fields if shown(form, name) != shown(then, name)}
    merged = data.copy()
    for name in set(now.fields) - typed:
        put(merged, now, name)
    merged[SEEN] = str(newest)
    form = with_version(make(row, merged), row, newest)
    since = history if old is None else history.filter(history_id__gt=old.history_id)
    people = dict.fromkeys(str(one.history_user) for one in since.select_related("history_user") if one.history_user)
    who = " and ".join(people) or "Somebody"
    if then is None:
        form.add_error(None, f"{who} changed this since the page was opened. Below is what stands now; type again.")
        return form
    told = "; ".join(change_words(then, now, name) for name in changed)
    words = f"{who} changed this meanwhile: {told}. Your own changes are kept below, all else is as it stands now."
    form.add_error(None, f"{words} Look again, then store.")
    return form


def with_version(form: Any, row: models.Model, version: int) -> Any:
    form.fields[SEEN] = VersionField(row, version)
    return form


def hold(form: Any) -> None:
    """Within a transaction: hold the record of a form; ValidationError if it was changed since the form read it."""
    field = form.fields.get(SEEN)
    if isinstance(field, VersionField):
        hold_unchanged(field.row, field.version)


def given(form: Any) -> dict[str, Any]:
    """What was typed, without the version."""
    return {name: value for name, value in form.cleaned_data.items() if name != SEEN}


def shown(form: Any, name: str) -> Any:
    """What a field shows or was sent, alike for the same value."""
    if name not in form.fields:
        return None
    bound = form[name]
    value = bound.value()
    if isinstance(value, bool) or bound.field.widget.needs_multipart_form:
        return bool(value)
    text = bound.field.widget.format_value(value)
    if isinstance(text, list):
        return text
    return str(text).replace("\r\n", "\n").strip() if text is not None else ""


def put(data: Any, form: Any, name: str) -> None:
    """Send what a field of another form shows."""
    value = shown(form, name)
    if value is False:
        data.pop(name, None)
    elif isinstance(value, list):
        data.setlist(name, value)
    else:
        data[name] = value


def change_words(then: Any, now: Any, name: str) -> str:
    """One field before and after, in words."""
    return f"{now[name].label.lower()}: {value_words(then, name)} → {value_words(now, name)}"


def value_words(form: Any, name: str) -> str:
    value = shown(form, name)
    if isinstance(value, bool):
        return "yes" if value else "no"
    field = form.fields[name] if name in form.fields else forms.Field()
    if isinstance(value, list):
        labels = {str(key): str(label) for key, label in getattr(field, "choices", ())}
        value = ", ".join(labels.get(str(one), str(one)) for one in value if one)
    if not value:
        return "nothing"
    if len(value) > LONGEST_SHOWN:
        return f"“{value[:LONGEST_SHOWN].strip()} …”"
    return with_unit(value, getattr(field, "unit", ""))
