"""Named questions to the lab's catalogue. Each makes a constant number of queries, however long the catalogue is."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.conf import settings
from django.db.models import Exists, OuterRef, Prefetch, QuerySet, Subquery
from django.utils import timezone

from labbench.lab.due import Due, due
from labbench.lab.models import (
    Calibration,
    Chamber,
    GlassStock,
    Lamp,
    LampReplacement,
    LampSurvey,
    Procedure,
    ProcedureVersion,
    Radiometer,
    Resin,
    ResinLot,
    SurveyPoint,
    ThermalProfile,
)
from labbench.science.irradiance import SurveySummary, summarise_survey


@dataclass(frozen=True, slots=True)
class LotRow:
    """A resin lot and whether it may still be used."""

    lot: ResinLot
    due: Due


@dataclass(frozen=True, slots=True)
class LampRow:
    """A lamp with its last survey and how long that is good for."""

    lamp: Lamp
    survey: LampSurvey | None
    summary: SurveySummary | None
    due: Due


@dataclass(frozen=True, slots=True)
class MeterRow:
    """A radiometer with its last calibration."""

    meter: Radiometer
    calibration: Calibration | None
    due: Due


@dataclass(frozen=True, slots=True)
class ChamberRow:
    """A chamber, its calibration, and the closure it is in or that comes next."""

    chamber: Chamber
    due: Due
    closure: object | None


def resin_lots(today: date) -> list[tuple[Resin, list[LotRow]]]:
    """Every resin with its lots, the newest first."""
    lots = ResinLot.objects.order_by("-received_on", "code")
    resins = Resin.objects.prefetch_related(Prefetch("lots", queryset=lots))
    return [(resin, [lot_row(lot, today) for lot in resin.lots.all()]) for resin in resins]


def lot_row(lot: ResinLot, today: date) -> LotRow:
    """A lot; one that is used up expires no more."""
    return LotRow(lot, due(None if lot.retired_on else lot.expires_on, today=today))


def lamp_rows(today: date) -> list[LampRow]:
    """Lamps in service, then retired ones, each with its last survey."""
    standing = LampSurvey.objects.filter(lamp=OuterRef("pk"), withdrawn_at=None)
    newest = standing.order_by("-surveyed_at", "-pk").values("pk")[:1]
    lamps = list(Lamp.objects.annotate(last_survey=Subquery(newest), renewed_at=last_renewal()).order_by("code"))
    ids = [lamp.last_survey for lamp in lamps if lamp.last_survey]
    surveys = LampSurvey.objects.select_related("radiometer").in_bulk(ids)
    summaries = survey_summaries(ids)
    rows = []
    for lamp in lamps:
        survey = surveys.get(lamp.last_survey)
        state = Due("unknown", None) if lamp.retired_on else survey_due(survey, lamp.renewed_at, today=today)
        rows.append(LampRow(lamp, survey, summaries.get(lamp.last_survey), state))
    return sorted(rows, key=lambda row: (row.lamp.retired_on is not None, row.lamp.code))


def last_renewal() -> Subquery:
    """When a part of a lamp was renewed last: to annotate lamps with."""
    renewals = LampReplacement.objects.filter(lamp=OuterRef("pk")).order_by("-replaced_at")
    return Subquery(renewals.values("replaced_at")[:1])


def renewal_since() -> Subquery:
    """When a part of its lamp was renewed after a survey, None where none was: to annotate surveys with."""
    renewals = LampReplacement.objects.filter(lamp=OuterRef("lamp"), replaced_at__gt=OuterRef("surveyed_at"))
    return Subquery(renewals.order_by("replaced_at").values("replaced_at")[:1])


def followed() -> Exists:
    """Whether a later survey of the same lamp stands, by the same distance and cover: to annotate surveys with."""
    later = LampSurvey.objects.filter(
        lamp=OuterRef("lamp"),
        distance_mm=OuterRef("distance_mm"),
        is_cover_on=OuterRef("is_cover_on"),
        surveyed_at__gt=OuterRef("surveyed_at"),
        withdrawn_at=None,
    )
    return Exists(later)


def survey_due(survey: LampSurvey | None, renewed_at: datetime | None, *, today: date) -> Due:
    """How long the last survey is good; one made before a part was renewed is so no more since that day."""
    if survey is not None and renewed_at is not None and renewed_at > survey.surveyed_at:
        return Due("overdue", timezone.localtime(renewed_at).date())
    return due(None if survey is None else survey_valid_to(survey), today=today)


def survey_valid_to(survey: LampSurvey) -> date:
    """The last day on which a survey is good (LABBENCH_SURVEY_VALID_DAYS)."""
    return timezone.localtime(survey.surveyed_at).date() + timedelta(days=settings.SURVEY_VALID_DAYS)


def survey_summaries(survey_ids: list[int]) -> dict[int, SurveySummary]:
    """Summaries of several surveys at once."""
    readings = readings_of_surveys(survey_ids)
    return {survey_id: found for survey_id, rows in readings.items() if (found := summarise_survey(rows))}


def readings_of_surveys(survey_ids: list[int]) -> dict[int, list[tuple[float, float, float]]]:
    """x, y and irradiance of every reading of several surveys, in one query."""
    readings: dict[int, list[tuple[float, float, float]]] = defaultdict(list)
    points = SurveyPoint.objects.filter(survey__in=survey_ids).order_by("y_mm", "x_mm", "reading")
    for survey_id, x, y, value in points.values_list("survey_id", "x_mm", "y_mm", "irradiance_mw_cm2"):
        readings[survey_id].append((x, y, value))
    return dict(readings)


def brightest_place() -> SurveyPoint | None:
    """The brightest reading of the last surveys of the lamps in service."""
    newest = LampSurvey.objects.filter(lamp=OuterRef("pk"), withdrawn_at=None).order_by("-surveyed_at", "-pk")
    last = Lamp.objects.filter(retired_on=None).annotate(last_survey=Subquery(newest.values("pk")[:1]))
    points = SurveyPoint.objects.filter(survey__in=last.values("last_survey"))
    return points.select_related("survey__lamp").order_by("-irradiance_mw_cm2").first()


def survey_readings(survey: LampSurvey) -> list[tuple[float, float, float]]:
    """x, y and irradiance of every reading."""
    return list(survey.points.order_by("y_mm", "x_mm", "reading").values_list("x_mm", "y_mm", "irradiance_mw_cm2"))


def meter_rows(today: date) -> list[MeterRow]:
    """Radiometers with their last calibration."""
    rows = []
    for meter in Radiometer.objects.prefetch_related("calibrations"):
        last = next(iter(meter.calibrations.all()), None)
        rows.append(MeterRow(meter, last, due(last.due_on if last and not meter.retired_on else None, today=today)))
    return rows


def glass_stock() -> QuerySet[GlassStock]:
    return GlassStock.objects.all()


def procedures() -> QuerySet[Procedure]:
    """Procedures with their versions, the newest first."""
    versions = ProcedureVersion.objects.select_related("approved_by").order_by("-number")
    return Procedure.objects.prefetch_related(Prefetch("versions", queryset=versions))


def profiles() -> QuerySet[ThermalProfile]:
    return ThermalProfile.objects.prefetch_related("steps")


def chamber_rows(today: date) -> list[ChamberRow]:
    """Chambers with the closure that is on or comes next."""
    rows = []
    for chamber in Chamber.objects.prefetch_related("closures").order_by("kind", "code"):
        coming = (c for c in chamber.closures.all() if timezone.localtime(c.ends_at).date() >= today)
        last_day = chamber.calibration_due_on if not chamber.retired_on else None
        rows.append(ChamberRow(chamber, due(last_day, today=today), next(coming, None)))
    return rows
