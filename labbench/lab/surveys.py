"""Surveys of lamps: read point by point into a draft, stored whole, corrected or withdrawn with a reason."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone
from simple_history.utils import bulk_create_with_history

from labbench.formats.number_texts import number_text
from labbench.lab.lamp_lives import locked, refuse_falling_hours, settle_hours
from labbench.lab.meters import calibration_on, meter_cautions, need
from labbench.lab.models import (
    Calibration,
    CureArea,
    DraftReading,
    Lamp,
    LampSurvey,
    Radiometer,
    ReadingUnit,
    SurveyDraft,
    SurveyPoint,
)
from labbench.lab.models.surveys import UNIT_MW_CM2, SurveyConditions
from labbench.lab.records import keep, refuse_changed, remove
from labbench.science.survey_cautions import survey_cautions
from labbench.science.survey_layout import LARGEST_PLACE_MM, MOST_PLACES, Place

# Curing lamps stay far below; the database refuses more.
MOST_MW_CM2 = 10_000.0
MOST_REPEATS = 50
RawReading = tuple[float, float, float]  # x and y in mm, and the reading in the unit of the survey
CONDITIONS = tuple(
    field.name
    for field in SurveyDraft._meta.fields
    if field.name in {own.name for own in LampSurvey._meta.fields} and field.name not in {"id", "lamp"}
)


# --- drafts -------------------------------------------------------------------------------------------------------------


@transaction.atomic
def start_draft(
    *,
    by: Any,
    lamp: Lamp,
    radiometer: Radiometer,
    places: Sequence[Place],
    reading_unit: str = ReadingUnit.MW_CM2,
    applies_factor: bool = True,
    started_at: datetime | None = None,
    readings: Iterable[RawReading] = (),
    **details: Any,
) -> SurveyDraft:
    """Begin a survey. The factor of the calibration in force is fixed now; `readings` come from a file."""
    draft = SurveyDraft(started_by=by, places=checked_places(places))
    set_conditions(
        draft,
        lamp=lamp,
        radiometer=radiometer,
        reading_unit=reading_unit,
        applies_factor=applies_factor,
        started_at=started_at or timezone.now(),
        **details,
    )
    at = {tuple(place): number for number, place in enumerate(draft.places)}
    counts: dict[int, int] = defaultdict(int)
    rows = []
    for x, y, raw in readings:
        number = at[x, y]
        counts[number] += 1
        refuse_more_repeats(counts[number], (x, y))
        rows.append(DraftReading(draft=draft, place=number, reading=counts[number], raw_reading=raw))
        check_irradiance(draft, raw, (x, y))
    DraftReading.objects.bulk_create(rows)
    return draft


@transaction.atomic
def change_draft(*, draft: SurveyDraft, **conditions: Any) -> SurveyDraft:
    """Change how a draft is read; its places and readings stay, and have to be possible in the new unit too."""
    draft = SurveyDraft.objects.select_for_update().get(pk=draft.pk)
    set_conditions(draft, **conditions)
    for x, y, raw in draft_readings(draft):
        check_irradiance(draft, raw, (x, y))
    return draft


def set_conditions(
    draft: SurveyDraft,
    *,
    lamp: Lamp,
    radiometer: Radiometer,
    reading_unit: str,
    applies_factor: bool,
    started_at: datetime,
    **details: Any,
) -> None:
    """Set and save the conditions of a draft with the factor of the calibration in force; ValidationError in words."""
    calibration = calibration_on(radiometer, timezone.localdate(started_at)) if applies_factor else None
    factor = factor_of(radiometer, reading_unit, calibration, applies_factor=applies_factor)
    for name, value in {
        **details,
        "lamp": lamp,
        "radiometer": radiometer,
        "reading_unit": reading_unit,
        "calibration": calibration,
        "calibration_factor": factor,
        "started_at": started_at,
    }.items():
        setattr(draft, name, value)
    draft.full_clean(exclude=["places"])
    as_survey = LampSurvey(lamp=lamp, surveyed_at=started_at, lamp_hours_h=draft.lamp_hours_h)
    refuse_contradicting_hours(as_survey)
    draft.save()


def factor_of(meter: Radiometer, unit: str, calibration: Calibration | None, *, applies_factor: bool) -> float:
    """The factor to apply; ValidationError where a meter's own unit has none."""
    if unit == ReadingUnit.OWN and not meter.own_unit:
        raise ValidationError({"reading_unit": f"Meter {meter} shows no unit of its own."})
    if unit == ReadingUnit.OWN and calibration is None:
        raise ValidationError(
            {
                "reading_unit": f"What meter {meter} shows needs the factor of a calibration to become mW/cm²; there is none."
            }
        )
    return calibration.factor if calibration is not None and applies_factor else 1.0


def checked_places(places: Sequence[Place]) -> list[list[float]]:
    """Places as they are stored; ValidationError in words."""
    if not places:
        raise ValidationError("A survey needs at least one point.")
    if len(places) > MOST_PLACES:
        raise ValidationError(f"{len(places)} points are more than the {MOST_PLACES} that a survey takes.")
    far = next((place for place in places if max(abs(place[0]), abs(place[1])) > LARGEST_PLACE_MM), None)
    if far is not None:
        raise ValidationError(
            f"The point x {number_text(far[0])} mm, y {number_text(far[1])} mm is further than "
            f"{number_text(LARGEST_PLACE_MM)} mm from the middle."
        )
    if len(set(places)) < len(places):
        twice = next(place for number, place in enumerate(places) if place in places[:number])
        raise ValidationError(
            f"The point x {number_text(twice[0])} mm, y {number_text(twice[1])} mm is there twice; "
            "read it again at the same point instead."
        )
    return [[float(x), float(y)] for x, y in places]


def refuse_more_repeats(count: int, place: Sequence[float]) -> None:
    """ValidationError where a point is read more often than a survey takes: by hand, from a file or in a correction."""
    if count > MOST_REPEATS:
        raise ValidationError(
            f"The point x {number_text(place[0])} mm, y {number_text(place[1])} mm is read {count} times; "
            f"a point is read {MOST_REPEATS} times at most."
        )


@transaction.atomic
def read_place(*, draft: SurveyDraft, place: int, reading: int, raw_reading: float | None) -> None:
    """Store one reading of a draft, in place of the one with that number; None takes it out. Safe to send twice.

    Raises ValidationError in words, SurveyDraft.DoesNotExist where the draft was stored meanwhile.
    """
    draft = SurveyDraft.objects.select_for_update().get(pk=draft.pk)
    if not 0 <= place < len(draft.places):
        raise ValidationError(f"There is no point {place + 1}; this survey has {len(draft.places)}.")
    if raw_reading is None:
        draft.readings.filter(place=place, reading=reading).delete()
        return
    refuse_more_repeats(reading, draft.places[place])
    check_irradiance(draft, raw_reading, draft.places[place])
    DraftReading.objects.update_or_create(
        draft=draft, place=place, reading=reading, defaults={"raw_reading": raw_reading, "stored_at": timezone.now()}
    )


@transaction.atomic
def replace_readings(*, draft: SurveyDraft, readings: dict[int, list[float]]) -> None:
    """Put the readings of all places as a table gives them; SurveyDraft.DoesNotExist where it was stored meanwhile."""
    draft = SurveyDraft.objects.select_for_update().get(pk=draft.pk)
    rows = []
    for place, values in readings.items():
        for number, raw in enumerate(values, 1):
            check_irradiance(draft, raw, draft.places[place])
            rows.append(DraftReading(draft=draft, place=place, reading=number, raw_reading=raw))
    draft.readings.all().delete()
    DraftReading.objects.bulk_create(rows)


@transaction.atomic
def add_place(*, draft: SurveyDraft, x_mm: float, y_mm: float) -> int:
    """One more point of a draft; its number, counted from 0."""
    draft = SurveyDraft.objects.select_for_update().get(pk=draft.pk)
    draft.places = checked_places([tuple(place) for place in draft.places] + [(x_mm, y_mm)])
    draft.save(update_fields=["places"])
    return len(draft.places) - 1


def check_irradiance(conditions: SurveyConditions, raw: float, place: Sequence[float]) -> None:
    """ValidationError where a reading can't be: below 0, or far above any lamp."""
    where = f"Point x {number_text(place[0])} mm, y {number_text(place[1])} mm: "
    if raw < 0:
        raise ValidationError(f"{where}{number_text(raw)} is below 0; zero the meter in the dark and read again.")
    found = raw * conditions.mw_cm2_per_reading
    if found > MOST_MW_CM2:
        raise ValidationError(
            f"{where}{number_text(raw)} would be {number_text(found)} mW/cm², more than {number_text(MOST_MW_CM2)}; "
            "is it the right unit?"
        )


def draft_readings(draft: SurveyDraft) -> list[RawReading]:
    """x, y and reading, place by place."""
    return [
        (*draft.places[row.place], row.raw_reading) for row in draft.readings.all() if row.place < len(draft.places)
    ]


@transaction.atomic
def store_draft(*, draft: SurveyDraft, by: Any) -> LampSurvey:
    """Store a draft as a survey, with what is doubtful about it; the draft is gone then.

    Raises ValidationError where no point was read, SurveyDraft.DoesNotExist where it was stored before.
    """
    draft = SurveyDraft.objects.select_for_update().get(pk=draft.pk)
    locked(draft.lamp)
    readings = draft_readings(draft)
    if not readings:
        raise ValidationError("No point was read yet.")
    survey = LampSurvey(
        lamp=draft.lamp,
        surveyed_at=draft.started_at,
        surveyed_by=by,
        cautions=[*doubts(draft, readings, at=draft.started_at), *unread(draft)],
        **{name: getattr(draft, name) for name in CONDITIONS},
    )
    refuse_contradicting_hours(survey)
    keep(survey, by=by)
    store_points(survey, readings, by=by)
    settle_hours(survey.lamp, by=by)
    draft.delete()
    return survey


def unread(draft: SurveyDraft) -> list[str]:
    """A sentence where places of the draft were left out."""
    count = len(draft.places) - len({row.place for row in draft.readings.all()})
    if not count:
        return []
    return [f"{count} of the {len(draft.places)} points laid out {'was' if count == 1 else 'were'} not read."]


def discard_draft(*, draft: SurveyDraft) -> None:
    """Nothing was stored of it that counts."""
    draft.delete()


# --- stored surveys -----------------------------------------------------------------------------------------------------


def store_points(survey: LampSurvey, readings: Iterable[RawReading], *, by: Any) -> None:
    """The readings of a new survey, repeats at a place numbered in their order."""
    seen: dict[Place, int] = defaultdict(int)
    points = []
    for x, y, raw in readings:
        seen[x, y] += 1
        check_irradiance(survey, raw, (x, y))
        points.append(point(survey, x, y, seen[x, y], raw))
    bulk_create_with_history(points, SurveyPoint, default_user=by)


def point(survey: LampSurvey, x_mm: float, y_mm: float, reading: int, raw: float) -> SurveyPoint:
    return SurveyPoint(
        survey=survey,
        x_mm=x_mm,
        y_mm=y_mm,
        reading=reading,
        raw_reading=raw,
        irradiance_mw_cm2=raw * survey.mw_cm2_per_reading,
    )


def raw_readings(survey: LampSurvey) -> list[RawReading]:
    """x, y and reading as read; of surveys that came corrected, the irradiance in the survey's unit."""
    return [(row.x_mm, row.y_mm, raw_of(row, survey)) for row in survey.points.order_by("y_mm", "x_mm", "reading")]


def raw_of(row: SurveyPoint, survey: LampSurvey) -> float:
    if row.raw_reading is not None:
        return row.raw_reading
    return row.irradiance_mw_cm2 / survey.mw_cm2_per_reading


@transaction.atomic
def correct_survey(
    *,
    survey: LampSurvey,
    by: Any,
    reason: str,
    readings: Sequence[RawReading],
    radiometer: Radiometer,
    reading_unit: str,
    applies_factor: bool,
    surveyed_at: datetime,
    seen: int | None = None,
    **details: Any,
) -> bool:
    """Correct conditions and readings, with a reason; False where nothing differs.

    With `seen`, the version (`lab.records.newest_version`) that was corrected: ValidationError if there is a newer one.

    What changes keeps its history, and `changed_at` says that doses computed from the survey are to be computed again.
    """
    need(reason)
    if not readings:
        raise ValidationError("A survey without any reading says nothing; withdraw it instead.")
    repeats = Counter((x, y) for x, y, _ in readings)
    checked_places(list(repeats))
    for place, count in repeats.items():
        refuse_more_repeats(count, place)
    hold(survey)
    if seen is not None:
        refuse_changed(survey, seen)
    before = {name: getattr(survey, name) for name in (*CONDITIONS, "surveyed_at")}
    old = (
        survey.radiometer_id,
        survey.reading_unit,
        timezone.localdate(survey.surveyed_at),
        survey.calibration_id is not None,
    )
    new = (radiometer.pk, reading_unit, timezone.localdate(surveyed_at), applies_factor)
    if old != new:
        calibration = calibration_on(radiometer, timezone.localdate(surveyed_at)) if applies_factor else None
        survey.calibration = calibration
        survey.calibration_factor = factor_of(radiometer, reading_unit, calibration, applies_factor=applies_factor)
    for name, value in {
        **details, "radiometer": radiometer, "reading_unit": reading_unit, "surveyed_at": surveyed_at
    }.items():  # fmt: skip
        setattr(survey, name, value)
    is_changed = before != {name: getattr(survey, name) for name in before}
    is_changed = correct_points(survey, readings, by=by, reason=reason) or is_changed
    if is_changed:
        survey.cautions = doubts(survey, readings, at=survey.surveyed_at)
        survey.changed_at = timezone.now()
        refuse_contradicting_hours(survey)
        keep(survey, by=by, reason=reason)
        settle_hours(survey.lamp, by=by)
    return is_changed


def hold(survey: LampSurvey) -> None:
    """Hold a survey's lamp and read the survey again: two people at one counter, or at one survey, take turns."""
    locked(survey.lamp)
    survey.refresh_from_db()


def refuse_contradicting_hours(survey: LampSurvey) -> None:
    """ValidationError, at the field, where the lamp's counter would have fallen within a life."""
    if survey.lamp_hours_h is None or survey.withdrawn_at is not None:
        return
    leaving_out = survey if survey.pk else None
    try:
        refuse_falling_hours(survey.lamp, at=survey.surveyed_at, hours_h=survey.lamp_hours_h, leaving_out=leaving_out)
    except ValidationError as refused:
        raise ValidationError({"lamp_hours_h": refused.messages}) from refused


def correct_points(survey: LampSurvey, readings: Sequence[RawReading], *, by: Any, reason: str) -> bool:
    """Bring the stored points to these readings; only rows that differ are touched."""
    stored = {(row.x_mm, row.y_mm, row.reading): row for row in survey.points.all()}
    seen: dict[Place, int] = defaultdict(int)
    is_changed = False
    for x, y, raw in readings:
        seen[x, y] += 1
        check_irradiance(survey, raw, (x, y))
        row = stored.pop((x, y, seen[x, y]), None)
        wanted = point(survey, x, y, seen[x, y], raw)
        if row is None:
            keep(wanted, by=by, reason=reason)
            is_changed = True
        elif (raw_of(row, survey), row.irradiance_mw_cm2) != (raw, wanted.irradiance_mw_cm2):
            row.raw_reading, row.irradiance_mw_cm2 = raw, wanted.irradiance_mw_cm2
            keep(row, by=by, reason=reason)
            is_changed = True
    for row in stored.values():
        remove(row, by=by, reason=reason)
        is_changed = True
    return is_changed


@transaction.atomic
def withdraw_survey(*, survey: LampSurvey, by: Any, reason: str) -> LampSurvey:
    """The survey stays to be looked at, and counts no more."""
    need(reason)
    hold(survey)
    if survey.withdrawn_at is not None:
        raise ValidationError("This survey was withdrawn already.")
    survey.withdrawn_at = survey.changed_at = timezone.now()
    keep(survey, by=by, reason=reason)
    settle_hours(survey.lamp, by=by)
    return survey


@transaction.atomic
def reinstate_survey(*, survey: LampSurvey, by: Any, reason: str) -> LampSurvey:
    """Take a withdrawal back."""
    need(reason)
    hold(survey)
    if survey.withdrawn_at is None:
        raise ValidationError("This survey was not withdrawn.")
    survey.withdrawn_at, survey.changed_at = None, timezone.now()
    refuse_contradicting_hours(survey)
    keep(survey, by=by, reason=reason)
    settle_hours(survey.lamp, by=by)
    return survey


def doubts(conditions: SurveyConditions, readings: Sequence[RawReading], *, at: datetime) -> list[str]:
    """What is doubtful about a survey: its meter on that day, and its readings."""
    per_reading = conditions.mw_cm2_per_reading
    unit = UNIT_MW_CM2[ReadingUnit(conditions.reading_unit)]
    shown = per_reading if conditions.reading_unit == ReadingUnit.OWN else unit
    return [
        *meter_cautions(conditions.radiometer, timezone.localdate(at), conditions.lamp),
        *survey_cautions(
            [(x, y, raw * per_reading) for x, y, raw in readings],
            range_max_mw_cm2=conditions.radiometer.range_max_mw_cm2,
            as_shown=[raw * shown for _, _, raw in readings],
            emitter_spacing_mm=conditions.lamp.emitter_spacing_mm,
            area=area_of(conditions),
        ),
    ]


def area_of(conditions: SurveyConditions) -> tuple[str, float, float] | None:
    """Shape, width and height of the cure area; None where it isn't known."""
    width = conditions.area_width_mm
    if not conditions.area_shape or width is None:
        return None
    is_circle = conditions.area_shape == CureArea.CIRCLE
    return conditions.area_shape, width, width if is_circle else conditions.area_height_mm or width


def calibration_of(conditions: SurveyConditions, at: datetime) -> Calibration | None:
    """The calibration whose uncertainty the readings carry: the one applied, else the one in force on that day."""
    return conditions.calibration or calibration_on(conditions.radiometer, timezone.localdate(at))
