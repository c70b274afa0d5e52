"""When nothing is recorded: its study is closed, the coupon was withdrawn, or the time can't be."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.utils import timezone

from labbench.formats.date_texts import day_text, moment_text
from labbench.lab.roles import Role
from labbench.studies.models import Coupon, Study

# What the history says of a coupon that came with a sheet.
TAKEN_FROM_SHEET = "taken from a coupon sheet"
MAY_CORRECT_CLOSED = {Role.LEAD, Role.QA}
# Chambers are laid out minute by minute until the last time that is asked for: a mistyped year would take hours and all memory.
FURTHEST_AHEAD = timedelta(days=731)


def is_far_ahead(at: datetime | None, now: datetime) -> bool:
    """Whether a time lies further ahead than chambers are planned."""
    return at is not None and at > now + FURTHEST_AHEAD


def refuse_far_ahead(**times: datetime | None) -> None:
    """ValidationError beside each field whose time lies further ahead than chambers are planned."""
    now = timezone.now()
    words = "{} is more than two years ahead; chambers are planned for two years at most."
    if far := {name: at for name, at in times.items() if at is not None and is_far_ahead(at, now)}:
        raise ValidationError({name: words.format(moment_text(timezone.localtime(at))) for name, at in far.items()})


def closed_words(study: Study) -> str:
    """Why a study takes no record, "" if it does."""
    return f"{study.code} is closed; a lab lead can open it again." if study.state == Study.State.CLOSED else ""


def refuse_closed(study: Study) -> None:
    """ValidationError where the study is closed: what was found in it stands."""
    if words := closed_words(study):
        raise ValidationError(words)


def refuse_correction_of_closed(study: Study, by: Any) -> None:
    """ValidationError where the study is closed, unless a lab lead or QA corrects."""
    if closed_words(study) and not (by.is_superuser or getattr(by, "role", "") in MAY_CORRECT_CLOSED):
        raise ValidationError(f"{study.code} is closed; a lab lead or QA can correct what was recorded in it.")


def refuse_withdrawn(coupon: Coupon) -> None:
    """ValidationError where the coupon takes no further part."""
    if coupon.withdrawn_on is not None:
        raise ValidationError(
            f"Coupon {coupon.code} was withdrawn on {day_text(coupon.withdrawn_on)} ({coupon.withdrawn_reason})."
        )


def refuse_before_coupon(coupon: Coupon, repaired_at: datetime) -> None:
    """ValidationError where a repair is dated before the day on which the coupon was put up.

    By the day, so that a morning's work can be typed in at noon. A coupon that came with a sheet was made before it was put
    up here: its repair may be of any day.
    """
    day, first = timezone.localtime(repaired_at).date(), timezone.localtime(coupon.created_at).date()
    if day >= first:
        return
    if Coupon.history.filter(id=coupon.pk, history_type="+", history_change_reason=TAKEN_FROM_SHEET).exists():
        return
    raise ValidationError(
        {
            "repaired_at": f"Coupon {coupon.code} was put up on {day_text(first)}; it can't have been repaired on {day_text(day)}. "
            "Coupons of earlier work come in with a sheet."
        }
    )
