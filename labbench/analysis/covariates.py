"""What was measured of each repair, as numeric factors of an analysis: dose, evenness, hours, ages, temperatures, times.

Many distinct values are put into groups (`science.value_groups`). A measured value that the kept factors decide, or that decides one
of them, is not entered beside it: the same thing would count twice. It is compared with it instead (`science.rival_factors`).
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from django.db.models import Max, Min
from django.utils import timezone
from numpy.typing import NDArray

from labbench.analysis.sheets import StudySheet
from labbench.bench.models import ReceivedDose, Repair
from labbench.formats.factor_names import factor_label
from labbench.formats.number_texts import number_text, told, with_unit
from labbench.lab.models import HoursReading, LampReplacement, LampSurvey
from labbench.science.sheet import CouponSheet, FactorColumn
from labbench.science.value_groups import ValueGroups, value_groups
from labbench.studies.models import Factor, Study

HOURS_A_DAY = 24
DOSE_SOURCES = ("lamp", "cover", "cure_time_s", "distance_mm")
SURVEY_SOURCES = ("lamp", "cover", "distance_mm")


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured value: its name as a factor, what it is, and the factors (by source or name) that it comes from."""

    name: str
    words: str
    sources: tuple[str, ...] = ()


MEASURED = (
    Measured("dose_min_mj_cm2", "dose at the coldest place of the survey", DOSE_SOURCES),
    Measured("dose_mean_mj_cm2", "mean dose over the surveyed area", DOSE_SOURCES),
    Measured("dose_break_mj_cm2", "dose where the break lay", DOSE_SOURCES),
    Measured("uniformity_percent", "coldest over mean of the survey", SURVEY_SOURCES),
    Measured("variation_percent", "coefficient of variation of the survey", SURVEY_SOURCES),
    Measured("irradiance_mw_cm2", "irradiance as read that day", SURVEY_SOURCES),
    Measured("cure_time_s", "cure time as used", ("cure_time_s",)),
    Measured("lamp_hours_h", "hours run of the lamp, by the last counter reading before the repair", ("lamp",)),
    Measured("lot_age_h", "age of the resin lot since its receipt", ("resin_lot", "resin")),
    Measured("glass_temperature_c", "glass temperature at the repair"),
    Measured("room_temperature_c", "room temperature at the repair"),
)
BY_NAME = {one.name: one for one in MEASURED}


@dataclass(frozen=True, slots=True)
class MeasuredColumn:
    """A measured value over coupons: raw values (None: not known) and the groups they count as."""

    measured: Measured
    values: tuple[float | None, ...]
    groups: ValueGroups

    @property
    def name(self) -> str:
        return self.measured.name

    @property
    def factor(self) -> FactorColumn:
        levels = tuple(group.level for group in self.groups.groups)
        return FactorColumn(self.name, "numeric", levels, self.groups.codes)

    @property
    def known(self) -> int:
        return sum(value is not None for value in self.values)


def measured_values(study: Study) -> dict[int, dict[str, float]]:
    """Coupon id -> measured values of its repair, as far as they are known; a constant number of queries."""
    # Values, not rows: a study may have thousands of repairs.
    doses = {
        row[0]: row[1:]
        for row in ReceivedDose.objects.filter(repair__coupon__study=study)
        .order_by()
        .values_list("repair_id", "dose_min_mj_cm2", "dose_mean_mj_cm2", "dose_break_mj_cm2", "min_over_mean", "cv")
    }
    repairs = list(
        Repair.objects.filter(coupon__study=study)
        .order_by("pk")
        .values_list(
            "pk", "coupon_id", "lamp_id", "repaired_at", "resin_lot__received_on", "irradiance_mw_cm2", "cure_time_s", "glass_c", "room_c"
        )
    )  # fmt: skip
    hours = lamp_hours({repair[2] for repair in repairs})
    zone = timezone.get_current_timezone()
    found: dict[int, dict[str, float]] = {}
    for pk, coupon_id, lamp_id, repaired_at, received_on, irradiance, cure_time_s, glass_c, room_c in repairs:
        known: dict[str, float | None] = {
            "irradiance_mw_cm2": irradiance,
            "cure_time_s": cure_time_s,
            "lamp_hours_h": hours_before(hours[lamp_id], repaired_at),
            # A lot that was received after the repair is a slip of the pen, and no age.
            "lot_age_h": max((repaired_at.astimezone(zone).date() - received_on).days, 0) * float(HOURS_A_DAY),
            "glass_temperature_c": glass_c,
            "room_temperature_c": room_c,
        }
        if pk in doses:
            low, mean, at_break, min_over_mean, cv = doses[pk]
            known |= {
                "dose_min_mj_cm2": low,
                "dose_mean_mj_cm2": mean,
                "dose_break_mj_cm2": at_break,
                "uniformity_percent": None if min_over_mean is None else 100 * min_over_mean,
                "variation_percent": None if cv is None else 100 * cv,
            }
        found[coupon_id] = {name: value for name, value in known.items() if value is not None}
    return found


# Where a measured value is stored; the others (evenness, ages, hours) follow from these or from dates.
STORED_AS = {
    "dose_min_mj_cm2": "received_dose__dose_min_mj_cm2",
    "irradiance_mw_cm2": "irradiance_mw_cm2",
    "cure_time_s": "cure_time_s",
    "glass_temperature_c": "glass_c",
    "room_temperature_c": "room_c",
}


def measured_that_differ(study: Study) -> list[str]:
    """Measured values that are not alike over the test coupons of a study and no factor of it by name; two queries."""
    asked = {f"{end}_{name}": of(path) for name, path in STORED_AS.items() for end, of in (("low", Min), ("high", Max))}
    found = Repair.objects.filter(coupon__study=study, coupon__role="test").order_by().aggregate(**asked)
    named = set(study.factors.order_by().values_list("name", flat=True))
    return [
        name
        for name in STORED_AS
        if name not in named and found[f"low_{name}"] is not None and found[f"low_{name}"] < found[f"high_{name}"]
    ]


def lamp_hours(lamps: Collection[int]) -> dict[int, list[tuple[datetime, float]]]:
    """What each lamp's counter showed, in order of time: readings, hours noted with surveys, and what it was set to with a renewal."""
    found: dict[int, list[tuple[datetime, float]]] = defaultdict(list)
    surveys = LampSurvey.objects.filter(lamp__in=lamps, withdrawn_at=None, lamp_hours_h__isnull=False)
    readings = HoursReading.objects.filter(lamp__in=lamps)
    renewals = LampReplacement.objects.filter(lamp__in=lamps)
    for lamp, at, hours in [
        *surveys.order_by().values_list("lamp", "surveyed_at", "lamp_hours_h"),
        *readings.order_by().values_list("lamp", "read_at", "hours_h"),
        # After what was read at the same moment, and so before the renewal.
        *renewals.order_by().values_list("lamp", "replaced_at", "hours_after_h"),
    ]:
        if hours is not None:
            found[lamp].append((at, hours))
    for rows in found.values():
        rows.sort(key=lambda row: row[0])
    return found


def hours_before(rows: Sequence[tuple[datetime, float]], at: datetime) -> float | None:
    place = bisect_right(rows, at, key=lambda row: row[0])
    return rows[place - 1][1] if place else None


def measured_columns(
    values: Mapping[int, Mapping[str, float]], coupon_ids: Sequence[int], names: Collection[str] | None = None
) -> tuple[MeasuredColumn, ...]:
    """The measured values of these coupons that are known of any; `names` picks some."""
    columns = []
    for measured in MEASURED:
        if names is not None and measured.name not in names:
            continue
        here = tuple(values.get(pk, {}).get(measured.name) for pk in coupon_ids)
        if any(value is not None for value in here):
            columns.append(MeasuredColumn(measured, here, value_groups(here)))
    return tuple(columns)


def with_measured(study: Study, drawn: StudySheet) -> CouponSheet:
    """The sheet with the measured values as further columns, as measured; a named factor of the same name goes before."""
    named = {factor.name for factor in drawn.sheet.factors}
    columns = measured_columns(measured_values(study), drawn.coupon_ids)
    further = tuple(as_measured(column) for column in columns if column.name not in named)
    return replace(drawn.sheet, factors=(*drawn.sheet.factors, *further))


def as_measured(column: MeasuredColumn) -> FactorColumn:
    """A measured value with every number a level of its own."""
    levels = tuple(sorted({value for value in column.values if value is not None}))
    place = {level: number for number, level in enumerate(levels)}
    codes = np.array([-1 if value is None else place[value] for value in column.values], dtype=np.int64)
    return FactorColumn(column.name, "numeric", levels, codes)


def is_source(factor: Factor, measured: Measured) -> bool:
    """Whether a measured value comes from what a factor of the study names."""
    return factor.source in measured.sources or factor.name in measured.sources


def decides(one: NDArray[np.int64], other: NDArray[np.int64]) -> bool:
    """Whether each level of the one goes with one level of the other, over coupons with both known; False where it was not varied."""
    both = (one >= 0) & (other >= 0)
    if len(np.unique(one[both])) < 2 or len(np.unique(other[both])) < 2:
        return False
    pairs = np.unique(np.column_stack((one[both], other[both])), axis=0)
    return len(pairs) == len(np.unique(one[both]))


def decided_by(
    column: FactorColumn, kept: Sequence[FactorColumn], sources: Collection[str], is_test: NDArray[np.bool_]
) -> tuple[str, ...]:
    """The kept factors that a measured value would double: one that decides it or is decided by it, else its sources taken together."""
    codes = np.where(is_test, column.codes, -1)
    for other in kept:
        there = np.where(is_test, other.codes, -1)
        if decides(there, codes) or decides(codes, there):
            return (other.name,)
    together = [other for other in kept if other.name in sources]
    if len(together) < 2:
        return ()
    joint = np.column_stack([np.where(is_test, other.codes, -1) for other in together])
    known = (joint >= 0).all(axis=1)
    combined = np.full(len(codes), -1, dtype=np.int64)
    combined[known] = np.unique(joint[known], axis=0, return_inverse=True)[1].ravel()
    return tuple(other.name for other in together) if decides(combined, codes) else ()


def groups_in_words(column: MeasuredColumn) -> str:
    """How the values of a measured value became levels, "" where they are levels as they are."""
    if column.groups.how == "as they are":
        return ""
    spans = []
    for group in column.groups.groups:
        (low, unit), (high, _) = told(column.name, group.low), told(column.name, group.high)
        span = number_text(low) if low == high else f"{number_text(low)} to {number_text(high)}"
        spans.append(f"{with_unit(span, unit)} ({group.coupons})")
    how = (
        "cut at wide gaps between them" if column.groups.how == "at gaps" else "cut into groups of about equal numbers"
    )
    return (
        f"The values of {factor_label(column.name)} are {how}, whatever became of the coupons: {', '.join(spans)}; "
        "each group is called by its median."
    )
