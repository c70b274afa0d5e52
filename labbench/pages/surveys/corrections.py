"""What was corrected in a survey: each correction with what stood before, down to the reading."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any

from django.utils import timezone

from labbench.formats.date_texts import moment_text
from labbench.formats.number_texts import number_text
from labbench.lab.models import Calibration, LampSurvey, Radiometer, SurveyPoint
from labbench.pages.templatetags.quantities import unit_of, without_unit

# What follows from the readings, or says only that something changed.
FOLLOWS = {"id", "lamp", "cautions", "changed_at"}
NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Changed:
    """One value before and after."""

    name: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Correction:
    """One correction, withdrawal or its taking back."""

    at: datetime
    who: Any
    reason: str
    changes: tuple[Changed, ...]


def corrections(survey: LampSurvey) -> list[Correction]:
    """The corrections of a survey, the first one first; four queries however many there are."""
    versions = list(survey.history.select_related("history_user").order_by("history_date", "history_id"))
    names = {
        "radiometer": dict(Radiometer.objects.values_list("pk", "code")),
        "calibration": {row.pk: str(row) for row in Calibration.objects.select_related("radiometer")},
    }
    points = changed_points(survey)
    found = []
    since: datetime | None = None
    for before, after in pairwise(versions):
        if not after.history_change_reason:
            continue
        # Points are stored within the same transaction, just before the survey's own row.
        at, own = after.history_date, []
        for moment, change in points:
            if (since is None or moment > since) and moment <= at:
                own.append(change)
        since = at
        changes = (*condition_changes(before, after, names), *own)
        found.append(Correction(at, after.history_user, after.history_change_reason, changes))
    return found


def condition_changes(before: Any, after: Any, names: dict[str, dict[int, str]]) -> list[Changed]:
    """How a survey is made, as far as two versions of it differ."""
    found = []
    for field in LampSurvey._meta.fields:
        old, new = getattr(before, field.attname), getattr(after, field.attname)
        if field.name in FOLLOWS or old == new:
            continue
        text = str(field.verbose_name)
        unit = unit_of(field.name)
        found.append(Changed(without_unit(text, unit), shown(field, old, names), shown(field, new, names)))
    return found


def shown(field: Any, value: Any, names: dict[str, dict[int, str]]) -> str:
    if value is None or value == "":
        return NOTHING
    if field.name in names:
        return names[field.name].get(value, NOTHING)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return moment_text(timezone.localtime(value))
    if isinstance(value, float):
        return number_text(value)
    return str(dict(field.flatchoices).get(value, value))


def changed_points(survey: LampSurvey) -> list[tuple[datetime, Changed]]:
    """Readings that were changed, added or taken out after the survey was stored, in that order."""
    last: dict[int, float | None] = {}
    found = []
    rows = SurveyPoint.history.filter(survey=survey.pk).order_by("history_date", "history_id")
    for row in rows.values_list(
        "id", "x_mm", "y_mm", "reading", "raw_reading", "irradiance_mw_cm2", "history_type", "history_date", "history_change_reason"
    ):  # fmt: skip
        pk, x, y, reading, raw, irradiance, kind, at, reason = row
        value = irradiance if raw is None else raw
        if reason:
            old, new = (None if kind == "+" else last.get(pk)), (None if kind == "-" else value)
            if old != new:
                name = f"x {number_text(x)} mm, y {number_text(y)} mm, reading {reading}"
                words = [NOTHING if one is None else number_text(one) for one in (old, new)]
                found.append((at, Changed(name, words[0], words[1])))
        last[pk] = value
    return found
