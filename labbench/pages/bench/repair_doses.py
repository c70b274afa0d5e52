"""The dose of a repair as pages show it: over the cure area, beside the day's own reading, with what to keep in mind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from labbench.bench.doses import DoseNow, DoseStanding
from labbench.bench.models import ReceivedDose, Repair
from labbench.lab.models import LampSurvey


@dataclass(frozen=True, slots=True)
class DosePlace:
    """One figure of the dose, and the irradiance behind it."""

    label: str
    dose_mj_cm2: float
    irradiance_mw_cm2: float


@dataclass(frozen=True, slots=True)
class DosePart:
    """What templates/bench/dose.html takes; `places` is empty where no dose can be computed, `reason` says why."""

    places: tuple[DosePlace, ...]
    reason: str
    survey: LampSurvey | None
    cure_time_s: float
    min_over_mean: float | None
    cv: float | None
    calibration_factor: float | None
    lamp_hours_h: float | None
    read_mw_cm2: float | None
    read_mj_cm2: float | None
    read_over_mean: float | None
    cautions: tuple[str, ...]
    changed: str = ""
    computed_at: datetime | None = None
    can_be_computed: bool = False
    is_stored: bool = False


def dose_part(repair: Repair, now: DoseNow, *, warnings: Sequence[str] = ()) -> DosePart:
    """A dose that is not stored."""
    if now.dose is None:
        # What a rule says of the survey in other words is said once.
        return without_dose(repair, now.reason, tuple(w for w in warnings if w != now.reason))
    row = ReceivedDose(survey=now.dose.survey, **now.dose.kept)
    return part_of(repair, row, cautions=tuple(dict.fromkeys([*warnings, *now.cautions])))


def standing_part(standing: DoseStanding) -> DosePart:
    """The stored dose of a repair, or why there is none."""
    if standing.stored is None:
        reason = standing.now.reason or "It was not computed yet; a survey that counts for it is there."
        return without_dose(standing.repair, reason, (), can_be_computed=standing.can_be_computed)
    return part_of(
        standing.repair,
        standing.stored,
        cautions=standing.now.cautions,
        changed=standing.changed,
        can_be_computed=standing.can_be_computed,
    )


def part_of(
    repair: Repair, row: ReceivedDose, *, cautions: tuple[str, ...], changed: str = "", can_be_computed: bool = False
) -> DosePart:
    figures = [
        DosePlace("at the coldest place", row.dose_min_mj_cm2, row.irradiance_min_mw_cm2),
        DosePlace("mean of the area", row.dose_mean_mj_cm2, row.irradiance_mean_mw_cm2),
        DosePlace("at the hottest place", row.dose_max_mj_cm2, row.irradiance_max_mw_cm2),
    ]
    if row.dose_break_mj_cm2 is not None and row.irradiance_break_mw_cm2 is not None:
        figures.insert(0, DosePlace("at the break", row.dose_break_mj_cm2, row.irradiance_break_mw_cm2))
    read = repair.irradiance_mw_cm2
    mean = row.irradiance_mean_mw_cm2
    return DosePart(
        places=tuple(figures),
        reason="",
        survey=row.survey,
        cure_time_s=row.cure_time_s,
        min_over_mean=row.min_over_mean,
        cv=row.cv,
        calibration_factor=row.calibration_factor,
        lamp_hours_h=row.lamp_hours_h,
        read_mw_cm2=read,
        read_mj_cm2=None if read is None else read * row.cure_time_s,
        read_over_mean=None if read is None or not mean else read / mean,
        cautions=cautions,
        changed=changed,
        computed_at=row.computed_at,
        can_be_computed=can_be_computed,
        is_stored=row.pk is not None,
    )


def without_dose(repair: Repair, reason: str, cautions: tuple[str, ...], *, can_be_computed: bool = False) -> DosePart:
    read = repair.irradiance_mw_cm2
    return DosePart(
        places=(),
        reason=reason,
        survey=None,
        cure_time_s=repair.cure_time_s,
        min_over_mean=None,
        cv=None,
        calibration_factor=None,
        lamp_hours_h=None,
        read_mw_cm2=read,
        read_mj_cm2=None if read is None else read * repair.cure_time_s,
        read_over_mean=None,
        cautions=cautions,
        can_be_computed=can_be_computed,
    )
