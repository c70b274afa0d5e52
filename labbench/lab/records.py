"""How a record is kept: validated, saved, and remembered with who, when and why."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, TypeVar

from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction

# The same again so soon is a double tap, or a reload after a slow answer.
SAME_WITHIN = timedelta(minutes=2)
Row = TypeVar("Row", bound=models.Model)


def keep(row: Row, *, by: Any, reason: str = "", at: datetime | None = None) -> Row:
    """Validate and save a row; its history names the person, and the reason where a stored record is corrected.

    Raises ValidationError with the broken rule in words, also where only the database could see it.
    """
    remember(row, by=by, reason=reason, at=at)
    row.full_clean()
    try:
        with transaction.atomic():
            row.save()
    except IntegrityError as refused:
        raise ValidationError(broken_rule(refused)) from refused
    return row


def change(row: Row, *, by: Any, reason: str = "") -> Row:
    """Keep a new row, or a changed one, which needs a reason."""
    if row.pk is not None and not reason.strip():
        raise ValidationError("Say why this record is changed.")
    return keep(row, by=by, reason=reason)


def remove(row: models.Model, *, by: Any, reason: str) -> None:
    """Delete a row; its history keeps what it was, who took it out and why."""
    if not reason.strip():
        raise ValidationError("Say why this record is taken out.")
    remember(row, by=by, reason=reason)
    row.delete()


def remember(row: models.Model, *, by: Any, reason: str = "", at: datetime | None = None) -> None:
    """Attach what the history row will say."""
    row._history_user = by  # type: ignore[attr-defined]
    row._change_reason = reason  # type: ignore[attr-defined]
    if at is not None:
        row._history_date = at  # type: ignore[attr-defined]


def refuse_twice(same: models.QuerySet[Any], name: str, at: datetime) -> None:
    """ValidationError where one of these rows, the same but for its moment `name`, is of a moment before or after."""
    if same.filter(**{f"{name}__range": (at - SAME_WITHIN, at + SAME_WITHIN)}).exists():
        raise ValidationError("You recorded this a moment ago already; it is not stored twice.")


def newest_version(row: models.Model) -> int:
    """The number of the row's newest version in its history, 0 where it has none."""
    newest = row.history.order_by("-history_id").values_list("history_id", flat=True).first()  # type: ignore[attr-defined]
    return newest or 0


def refuse_changed(row: models.Model, version: int) -> None:
    """ValidationError if the row, held by now, is of a newer version than this."""
    if newest_version(row) != version:
        last = row.history.order_by("-history_id").first()  # type: ignore[attr-defined]
        who = last.history_user if last and last.history_user else "Somebody"
        raise ValidationError(
            f"{who} changed this meanwhile. Open it again to see how it stands now, then type your change."
        )


def hold_unchanged(row: models.Model, version: int) -> None:
    """Hold the row until the transaction ends; ValidationError if it was changed since this version, or is gone."""
    if not type(row)._default_manager.select_for_update(no_key=True).filter(pk=row.pk).exists():
        raise ValidationError("This record was taken out meanwhile.")
    refuse_changed(row, version)


def broken_rule(refused: IntegrityError) -> str:
    """The sentence that a trigger of ours raised, or a plain one."""
    first_line = str(refused).splitlines()[0]
    if "labbench: " in first_line:
        return first_line.split("labbench: ", 1)[1]
    return f"The database refused this record: {first_line}"
