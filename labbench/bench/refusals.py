"""When nothing is recorded of a coupon: its study is closed, it was withdrawn, or the time can't be."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.utils import timezone

from labbench.formats.date_texts import day_text
from labbench.lab.roles import Role
from labbench.studies.models import Coupon, Study

# What the history says of a coupon that came with a sheet.
TAKEN_FROM_SHEET = "taken from a coupon sheet"
MAY_CORRECT_CLOSED = {Role.LEAD, Role.QA}


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
