"""Procedures and their versions: drafted, approved, compared. An approved version stays as it is."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from labbench.lab.models import Procedure, ProcedureVersion
from labbench.lab.records import change, keep, newest_version, remove

# Lines around a change that are shown with it.
CONTEXT_LINES = 2


@transaction.atomic
def store_procedure(*, procedure: Procedure, by: Any, reason: str = "") -> Procedure:
    """Store a new procedure, or one with another code or title with the reason."""
    return change(procedure, by=by, reason=reason)


@transaction.atomic
def write_draft(
    *, procedure: Procedure, by: Any, text: str, effective_on: date, change_note: str = ""
) -> ProcedureVersion:
    """Store the draft of the next version; there is one at a time, and whoever writes on takes it over."""
    Procedure.objects.select_for_update(no_key=True).get(pk=procedure.pk)
    versions = procedure.versions.order_by("-number")
    draft = versions.filter(is_draft=True).first()
    approved = versions.filter(is_draft=False).first()
    if approved is not None and same_text(text, approved.text):
        raise ValidationError({"text": f"This is the text of version {approved.number}: nothing has changed."})
    if approved is not None and effective_on < approved.effective_on:
        raise ValidationError(
            {
                "effective_on": f"Version {approved.number} is in force from {approved.effective_on}; this one can’t be before."
            }
        )
    if approved is not None and not change_note.strip():
        raise ValidationError({"change_note": "Say what changed, and why."})
    if draft is None:
        draft = ProcedureVersion(procedure=procedure, number=approved.number + 1 if approved else 1, is_draft=True)
    draft.text, draft.effective_on, draft.change_note = text.replace("\r\n", "\n"), effective_on, change_note
    draft.written_by = by
    return keep(draft, by=by)


@transaction.atomic
def approve(*, version: ProcedureVersion, by: Any, seen: int | None = None) -> ProcedureVersion:
    """A draft comes into force on its day, with the name of who approved it. From here on it stays as it is.

    With `seen`, the state of the draft (`lab.records.newest_version`) that was read: ValidationError if it was written on since.
    """
    version = held(version)
    if not version.is_draft:
        raise ValidationError(f"Version {version.number} is approved already.")
    if seen is not None and newest_version(version) != seen:
        who = version.written_by or "Somebody"
        raise ValidationError(
            f"{who} wrote on this draft after the page was opened. Read it as it is now, then approve it."
        )
    version.is_draft, version.approved_by, version.approved_at = False, by, timezone.now()
    return keep(version, by=by, reason="approved")


@transaction.atomic
def discard_draft(*, version: ProcedureVersion, by: Any, reason: str) -> None:
    """Take a draft out; its history stays."""
    version = held(version)
    if not version.is_draft:
        raise ValidationError(f"Version {version.number} is approved; it stays as it is.")
    remove(version, by=by, reason=reason)


def held(version: ProcedureVersion) -> ProcedureVersion:
    """The version as it is now, held until the transaction ends; ValidationError where it is gone."""
    row = ProcedureVersion.objects.select_for_update(of=("self",), no_key=True).filter(pk=version.pk).first()
    if row is None:
        raise ValidationError("This draft was discarded meanwhile.")
    return row


def same_text(one: str, other: str) -> bool:
    return one.replace("\r\n", "\n").strip() == other.replace("\r\n", "\n").strip()


@dataclass(frozen=True, slots=True)
class TextLine:
    """A line of a comparison: kept, taken out, added, or a gap of lines that both have."""

    kind: Literal["kept", "out", "in", "gap"]
    text: str


def compared(before: str, after: str) -> list[TextLine]:
    """The lines that differ, with two lines around each; [] where nothing does."""
    old, new = before.replace("\r\n", "\n").splitlines(), after.replace("\r\n", "\n").splitlines()
    matcher = difflib.SequenceMatcher(a=old, b=new, autojunk=False)
    return list(lines_of(matcher, old, new))


def lines_of(matcher: difflib.SequenceMatcher[str], old: list[str], new: list[str]) -> Iterator[TextLine]:
    seen = 0
    for group in matcher.get_grouped_opcodes(CONTEXT_LINES):
        if skipped := group[0][1] - seen:
            yield TextLine("gap", f"{skipped} line{'s' if skipped > 1 else ''} unchanged")
        for tag, from_old, to_old, from_new, to_new in group:
            if tag == "equal":
                yield from (TextLine("kept", line) for line in old[from_old:to_old])
                continue
            yield from (TextLine("out", line) for line in old[from_old:to_old])
            yield from (TextLine("in", line) for line in new[from_new:to_new])
        seen = group[-1][2]
    if seen and (rest := len(old) - seen):
        yield TextLine("gap", f"{rest} line{'s' if rest > 1 else ''} unchanged")
