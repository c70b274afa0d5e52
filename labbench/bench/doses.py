"""The dose that each repair got: from the survey of its lamp that counts for it, kept with what it was computed from.

The rule (version `RULE_VERSION`): the newest survey of the same lamp that was made before the repair, with the cover as it was then,
at a distance within `MOST_APART_MM` of the repair's, not withdrawn, no older than SURVEY_VALID_DAYS, and of the same life of the
lamp (no tube or battery renewed since). Dose at a place is its irradiance times the cure time. A meter whose calibration was
overdue at the survey does not hinder the dose; it is said beside it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from copy import copy
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Count, Exists, F, OuterRef, Q, QuerySet
from django.utils import timezone
from simple_history.utils import bulk_create_with_history

from labbench.bench.models import ReceivedDose, Repair
from labbench.bench.refusals import refuse_correction_of_closed
from labbench.formats.date_texts import day_text
from labbench.formats.number_texts import number_text, with_unit
from labbench.lab.models import Calibration, LampReplacement, LampSurvey, SurveyPoint
from labbench.lab.records import keep, remove
from labbench.science.irradiance import Reading, SurveySummary, summarise_survey
from labbench.science.received_dose import irradiance_at
from labbench.studies.models import Study

RULE_VERSION = 1
# A survey made this much nearer or further says nothing of the repair; a choice of this project, no published source.
MOST_APART_MM = 5.0
# The day's own reading and the survey differ more than this: said. Meters of repair lamps are good to 5 to 10 % (common
# practice, no source).
DISAGREE_BY = 0.2
FIRST, CORRECTED, AGAIN = "computed with the repair", "repair corrected", "computed again"
# Figures may differ by rounding in the database only.
SAME = 1e-9


@dataclass(frozen=True, slots=True)
class Dose:
    """What a cure gave over the surveyed area; `kept` are the fields of a ReceivedDose."""

    survey: LampSurvey
    kept: dict[str, Any]


@dataclass(frozen=True, slots=True)
class DoseNow:
    """The dose as the surveys stand now: None with the reason, or the dose; `cautions` say what to keep in mind."""

    dose: Dose | None
    reason: str = ""
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DoseStanding:
    """The stored dose of a repair beside the dose as the surveys stand now."""

    repair: Repair
    stored: ReceivedDose | None
    now: DoseNow
    changed: str

    @property
    def can_be_computed(self) -> bool:
        """Whether computing it (again) would store something else."""
        return bool(self.changed) or (self.stored is None and self.now.dose is not None)


class Surveys:
    """The surveys of some lamps with their readings; four queries, however many repairs ask."""

    def __init__(self, lamps: Collection[int]) -> None:
        self.of_lamp: dict[int, list[LampSurvey]] = defaultdict(list)
        rows = LampSurvey.objects.filter(lamp__in=lamps, withdrawn_at=None).select_related("lamp", "radiometer")
        for survey in rows.order_by("-surveyed_at", "-pk"):
            self.of_lamp[survey.lamp_id].append(survey)
        self.readings: dict[int, list[Reading]] = defaultdict(list)
        points = SurveyPoint.objects.filter(survey__lamp__in=lamps, survey__withdrawn_at=None)
        for survey_id, *reading in points.values_list("survey_id", "x_mm", "y_mm", "irradiance_mw_cm2"):
            self.readings[survey_id].append((reading[0], reading[1], reading[2]))
        self.calibrations: dict[int, list[Calibration]] = defaultdict(list)
        meters = {survey.radiometer_id for surveys in self.of_lamp.values() for survey in surveys}
        for calibration in Calibration.objects.filter(radiometer__in=meters).order_by("-calibrated_on"):
            self.calibrations[calibration.radiometer_id].append(calibration)
        self.renewals: dict[int, list[LampReplacement]] = defaultdict(list)
        for renewal in LampReplacement.objects.filter(lamp__in=lamps).order_by("-replaced_at"):
            self.renewals[renewal.lamp_id].append(renewal)
        self._summaries: dict[int, SurveySummary | None] = {}

    def summary(self, survey: LampSurvey) -> SurveySummary | None:
        if survey.pk not in self._summaries:
            self._summaries[survey.pk] = summarise_survey(self.readings[survey.pk])
        return self._summaries[survey.pk]

    def calibration(self, survey: LampSurvey) -> Calibration | None:
        """The calibration that the meter of a survey had on that day."""
        day = timezone.localtime(survey.surveyed_at).date()
        return next((one for one in self.calibrations[survey.radiometer_id] if one.calibrated_on <= day), None)

    def for_repair(self, repair: Repair) -> tuple[LampSurvey | None, str]:
        """The survey that counts for a repair, else why there is none."""
        before = [one for one in self.of_lamp[repair.lamp_id] if one.surveyed_at <= repair.repaired_at]
        if not before:
            return None, f"Lamp {repair.lamp} had not been surveyed before the repair."
        renewed = next((one for one in self.renewals[repair.lamp_id] if one.replaced_at <= repair.repaired_at), None)
        if renewed is not None:
            before = [one for one in before if one.surveyed_at >= renewed.replaced_at]
            if not before:
                on = day_text(timezone.localtime(renewed.replaced_at))
                return (
                    None,
                    f"Lamp {repair.lamp} was renewed on {on} ({renewed.get_part_display()}) and not surveyed since.",
                )
        cover = "on" if repair.is_cover_on else "off"
        covered = [one for one in before if one.is_cover_on == repair.is_cover_on]
        if not covered:
            other = "off" if repair.is_cover_on else "on"
            return None, f"Lamp {repair.lamp} was surveyed with the cover {other} only; the repair had it {cover}."
        if repair.distance_mm is None:
            distances = ", ".join(number_text(mm) for mm in sorted({one.distance_mm for one in covered}))
            return None, (
                "The distance from lamp to glass is not recorded, so no survey can be said to be of it. "
                f"With the cover {cover} lamp {repair.lamp} was surveyed at {distances} mm."
            )
        near = [one for one in covered if abs(one.distance_mm - repair.distance_mm) <= MOST_APART_MM]
        if not near:
            surveyed_at_mm = sorted({one.distance_mm for one in covered})
            return None, (
                f"Lamp {repair.lamp} was surveyed at {', '.join(number_text(mm) for mm in surveyed_at_mm)} mm with the cover {cover}; the "
                f"repair was at {number_text(repair.distance_mm)} mm, and a survey counts within {number_text(MOST_APART_MM)} mm."
            )
        valid = timedelta(days=settings.SURVEY_VALID_DAYS)
        if near[0].surveyed_at < repair.repaired_at - valid:
            return None, (
                f"The last survey of lamp {repair.lamp} with the cover {cover} at this distance is of "
                f"{day_text(timezone.localtime(near[0].surveyed_at))}, more than {settings.SURVEY_VALID_DAYS} days before the repair."
            )
        if self.summary(near[0]) is None:
            return None, f"The survey of {day_text(timezone.localtime(near[0].surveyed_at))} holds no reading."
        return near[0], ""

    def distance_mm(self, repair: Repair) -> float | None:
        """The distance of the newest survey that would count for a repair if it stood as far; None where none would."""
        asked = copy(repair)
        for survey in self.of_lamp[repair.lamp_id]:
            asked.distance_mm = survey.distance_mm
            if self.for_repair(asked)[0] == survey:
                return survey.distance_mm
        return None

    def dose(self, repair: Repair) -> DoseNow:
        """The dose of a repair as these surveys say."""
        survey, reason = self.for_repair(repair)
        if survey is None:
            return DoseNow(None, reason)
        summary = self.summary(survey)
        assert summary is not None  # `for_repair` gives none without a reading
        cure_s = repair.cure_time_s
        at_break = None
        if repair.break_x_mm is not None and repair.break_y_mm is not None:
            at_break = irradiance_at(self.readings[survey.pk], repair.break_x_mm, repair.break_y_mm)
        calibration = self.calibration(survey)
        day = timezone.localtime(survey.surveyed_at).date()
        is_overdue = calibration is None or calibration.due_on < day
        kept = {
            "survey_points": summary.points,
            "irradiance_min_mw_cm2": summary.min_mw_cm2,
            "irradiance_mean_mw_cm2": summary.mean_mw_cm2,
            "irradiance_max_mw_cm2": summary.max_mw_cm2,
            "irradiance_break_mw_cm2": at_break,
            "min_over_mean": summary.min_over_mean,
            "cv": summary.cv,
            "lamp_hours_h": survey.lamp_hours_h,
            "calibration_factor": survey.calibration_factor,
            "is_meter_overdue": is_overdue,
            "cure_time_s": cure_s,
            "dose_min_mj_cm2": summary.min_mw_cm2 * cure_s,
            "dose_mean_mj_cm2": summary.mean_mw_cm2 * cure_s,
            "dose_max_mj_cm2": summary.max_mw_cm2 * cure_s,
            "dose_break_mj_cm2": None if at_break is None else at_break * cure_s,
            "rule_version": RULE_VERSION,
        }
        return DoseNow(Dose(survey, kept), cautions=tuple(self.cautions(repair, survey, calibration, kept)))

    def cautions(
        self, repair: Repair, survey: LampSurvey, calibration: Calibration | None, kept: dict[str, Any]
    ) -> Iterable[str]:
        if calibration is None:
            yield f"Meter {survey.radiometer} had no calibration when the lamp was surveyed."
        elif kept["is_meter_overdue"]:
            yield (
                f"The calibration of meter {survey.radiometer} was due on {day_text(calibration.due_on)}, before the survey of "
                f"{day_text(timezone.localtime(survey.surveyed_at))}."
            )
        if repair.break_x_mm is not None and repair.break_y_mm is not None and kept["dose_break_mj_cm2"] is None:
            yield "The break lay outside the surveyed area: there is no dose at the break."
        if words := disagreement(repair.irradiance_mw_cm2, kept):
            yield words


def disagreement(reading_mw_cm2: float | None, kept: dict[str, Any]) -> str:
    """Where the day's own reading lies outside what the survey found anywhere, by more than meters differ; "" else."""
    if reading_mw_cm2 is None:
        return ""
    low, high = kept["irradiance_min_mw_cm2"], kept["irradiance_max_mw_cm2"]
    read, found = (with_unit(number_text(value), "mW/cm²") for value in (reading_mw_cm2, high))
    if reading_mw_cm2 < low * (1 - DISAGREE_BY):
        return (
            f"The reading of the day ({read}) is below the coldest place of the survey ({with_unit(number_text(low), 'mW/cm²')}): "
            "the lamp may have faded, or lamp or meter stood otherwise."
        )
    if reading_mw_cm2 > high * (1 + DISAGREE_BY):
        return f"The reading of the day ({read}) is above the hottest place of the survey ({found}): lamp or meter stood otherwise."
    return ""


def dose_now(repair: Repair) -> DoseNow:
    """The dose of one repair, stored or not, as the surveys stand."""
    return Surveys({repair.lamp_id}).dose(repair)


def surveyed_distance_mm(repair: Repair) -> float | None:
    """How far the lamp stood in the newest survey that would count for this repair, whatever distance the repair has."""
    return Surveys({repair.lamp_id}).distance_mm(repair)


def dose_standings(repairs: Sequence[Repair]) -> list[DoseStanding]:
    """Stored doses beside present ones; a constant number of queries. Ask for repairs with `lamp`."""
    surveys = Surveys({repair.lamp_id for repair in repairs})
    stored = {
        row.repair_id: row for row in ReceivedDose.objects.filter(repair__in=repairs).select_related("survey__lamp")
    }
    found = []
    for repair in repairs:
        row, now = stored.get(repair.pk), surveys.dose(repair)
        found.append(DoseStanding(repair, row, now, what_changed(row, now)))
    return found


def what_changed(stored: ReceivedDose | None, now: DoseNow) -> str:
    """Why a stored dose is not what would be computed now, "" where it is."""
    if stored is None:
        return ""
    if now.dose is None:
        return f"No survey counts for it any more: {now.reason}"
    if stored.survey_id != now.dose.survey.pk:
        return f"Another survey counts for it now, of {day_text(timezone.localtime(now.dose.survey.surveyed_at))}."
    differs = [name for name, value in now.dose.kept.items() if not is_same(getattr(stored, name), value)]
    if "rule_version" in differs:
        return "It was computed by an earlier version of the rule."
    return "The survey was corrected since." if differs else ""


def is_same(stored: Any, now: Any) -> bool:
    if isinstance(stored, float) and isinstance(now, int | float):
        return abs(stored - now) <= SAME * max(abs(stored), abs(now), 1e-12)
    return bool(stored == now)


def study_repairs(study: Study) -> list[Repair]:
    return list(Repair.objects.filter(coupon__study=study).select_related("lamp", "coupon").order_by("pk"))


MOST_LOOKED_AT = 500


@dataclass(frozen=True, slots=True)
class DoseCounts:
    """Repairs of a study by how their dose stands; `due` would change if computed now, as far as stored times tell."""

    repairs: int
    stored: int
    due: int

    @property
    def missing(self) -> int:
        return self.repairs - self.stored


def dose_counts(study: Study) -> DoseCounts:
    """How the doses of a study stand, without computing each again: by surveys and renewals entered, corrected or withdrawn since.

    Of those without a dose at most `MOST_LOOKED_AT` are looked at; the first that could be computed make the study due.
    """
    repairs = Repair.objects.filter(coupon__study=study)
    stored = ReceivedDose.objects.filter(repair__coupon__study=study)
    # A survey or a renewal that was entered later, of a time between the survey used and the repair.
    between = {"lamp": OuterRef("repair__lamp")}
    newer = LampSurvey.objects.filter(
        **between,
        withdrawn_at=None,
        is_cover_on=OuterRef("repair__is_cover_on"),
        surveyed_at__gt=OuterRef("survey__surveyed_at"),
        surveyed_at__lte=OuterRef("repair__repaired_at"),
        distance_mm__gte=OuterRef("repair__distance_mm") - MOST_APART_MM,
        distance_mm__lte=OuterRef("repair__distance_mm") + MOST_APART_MM,
    )
    renewed = LampReplacement.objects.filter(
        **between,
        replaced_at__gt=OuterRef("survey__surveyed_at"),
        replaced_at__lte=OuterRef("repair__repaired_at"),
    )
    old = stored.filter(
        Q(survey__changed_at__gt=F("computed_at"))
        | Q(survey__withdrawn_at__isnull=False)
        | Q(rule_version__lt=RULE_VERSION)
        | Exists(newer)
        | Exists(renewed)
    )
    lacking = list(repairs.filter(received_dose=None).select_related("lamp").order_by("pk")[:MOST_LOOKED_AT])
    could_be = sum(standing.can_be_computed for standing in dose_standings(lacking)) if lacking else 0
    return DoseCounts(repairs.count(), stored.count(), old.count() + could_be)


def doses_from(survey: LampSurvey) -> QuerySet[Any, Any]:
    """Studies whose doses were computed from a survey: how many, and how many of them before it was last corrected or withdrawn."""
    before = Q(computed_at__lt=survey.changed_at) if survey.changed_at else Q(pk__in=[])
    return (
        ReceivedDose.objects.filter(survey=survey)
        .order_by()
        .values("repair__coupon__study__code", "repair__coupon__study__title")
        .annotate(doses=Count("pk"), old=Count("pk", filter=before))
        .order_by("repair__coupon__study__code")
    )


@transaction.atomic
def compute_dose(*, repair: Repair, by: Any, reason: str, at: datetime | None = None) -> ReceivedDose | None:
    """Store the dose of a repair as the surveys stand now; where none can be computed a stored one goes, its history stays."""
    (standing,) = dose_standings([repair])
    if standing.now.dose is None:
        if standing.stored is not None:
            remove(standing.stored, by=by, reason=f"{reason}: {standing.now.reason}")
        return None
    if standing.stored is not None and not standing.changed:
        return standing.stored
    return keep(brought_up(standing, at=at), by=by, reason=reason, at=at)


def brought_up(standing: DoseStanding, *, at: datetime | None = None) -> ReceivedDose:
    """The row of a dose with what the surveys say now, not stored yet."""
    assert standing.now.dose is not None
    row = standing.stored or ReceivedDose(repair=standing.repair)
    row.survey, row.computed_at = standing.now.dose.survey, at or timezone.now()
    for name, value in standing.now.dose.kept.items():
        setattr(row, name, value)
    return row


def drop_dose(*, repair: Repair, by: Any, reason: str) -> None:
    """Take the dose out with its repair; its history stays."""
    for row in ReceivedDose.objects.filter(repair=repair):
        remove(row, by=by, reason=reason)


@transaction.atomic
def recompute_dose(*, repair: Repair, by: Any) -> ReceivedDose | None:
    """Compute a dose anew, as its survey was corrected. ValidationError where that would change nothing, or the study is closed."""
    refuse_correction_of_closed(repair.coupon.study, by)
    # Two presses of the button take turns; the second finds nothing to do.
    Repair.objects.select_for_update().get(pk=repair.pk)
    (standing,) = dose_standings([repair])
    if not standing.can_be_computed:
        raise ValidationError(standing.now.reason or "The stored dose is the one that the surveys give now.")
    return compute_dose(repair=repair, by=by, reason=f"{AGAIN}: {standing.changed or 'no dose was stored'}")


@transaction.atomic
def recompute_study(*, study: Study, by: Any) -> int:
    """Bring every dose of a study up to date; gives how many changed."""
    refuse_correction_of_closed(study, by)
    Study.objects.select_for_update().get(pk=study.pk)
    due = [one for one in dose_standings(study_repairs(study)) if one.can_be_computed]
    for standing in due:
        if standing.now.dose is None and standing.stored is not None:
            remove(standing.stored, by=by, reason=f"{AGAIN}: {standing.changed}")
    new = [brought_up(one) for one in due if one.stored is None]
    changed = [brought_up(one) for one in due if one.stored is not None and one.now.dose is not None]
    told = {"default_user": by, "default_change_reason": f"{AGAIN} with all of the study"}
    if new:
        bulk_create_with_history(new, ReceivedDose, batch_size=500, **told)
    if changed:
        fields = [field.name for field in ReceivedDose._meta.fields if field.name not in {"id", "repair"}]
        # Not bulk_update: its statement of a case for each row and field takes some ten times as long.
        ReceivedDose.objects.bulk_create(
            changed, batch_size=500, update_conflicts=True, unique_fields=["id"], update_fields=fields
        )
        ReceivedDose.history.bulk_history_create(changed, batch_size=500, update=True, **told)
    return len(due)
