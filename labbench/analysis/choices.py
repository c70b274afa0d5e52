"""What an analysis is asked to look at: measured values in place of names, and coupons that a deviation touched left out.

The choice is part of the frozen inputs. Empty, it is the study as planned: its named factors, every coupon.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Any

import numpy as np

from labbench.analysis.covariates import (
    BY_NAME,
    MeasuredColumn,
    decided_by,
    groups_in_words,
    is_source,
    measured_columns,
    measured_values,
)
from labbench.analysis.sheets import StudySheet, study_sheet
from labbench.bench.models import Deviation, Inspection, LoadPlace, ReceivedDose
from labbench.formats.factor_names import factor_label
from labbench.formats.number_texts import number_text
from labbench.science.sheet import CouponSheet, FactorColumn, Level
from labbench.studies.models import Factor, Study

# Deviations of the cycling: what a chamber or a door did to whole loads.
TOUCHED = (Deviation.Kind.LATE_TRANSFER, Deviation.Kind.SOAK, Deviation.Kind.CHAMBER)
MOST_RIVALS = 6
MOST_CODES_NAMED = 12
# Cure times offered for a coupon that would part lamp and dose: multiples of those used, and what gives another lamp's dose.
TIMES = (0.5, 1.0, 2.0)
SHORTEST_S, LONGEST_S = 5.0, 3600.0


@dataclass(frozen=True, slots=True)
class Choice:
    """`measured` values entered, factors left out (`without`), coupons left out: by kinds of deviation, single ones, or loads."""

    measured: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    deviations: tuple[int, ...] = ()
    loads: tuple[str, ...] = ()

    @property
    def leaves_out(self) -> bool:
        return bool(self.kinds or self.deviations or self.loads)

    @property
    def takes_measured(self) -> bool:
        return bool(self.measured or self.without)

    def with_all_coupons(self) -> Choice:
        return Choice(self.measured, self.without)

    def document(self) -> dict[str, Any]:
        """As it is stored: only what was chosen, in a fixed order."""
        parts: dict[str, Sequence[Any]] = {
            "measured": [name for name in BY_NAME if name in self.measured],
            "without": sorted(self.without),
            "kinds": sorted(self.kinds),
            "deviations": sorted(self.deviations),
            "loads": sorted(self.loads),
        }
        return {name: list(values) for name, values in parts.items() if values}

    @classmethod
    def stored(cls, document: Mapping[str, Any]) -> Choice:
        return cls(**{name: tuple(values) for name, values in document.items()})


@dataclass(frozen=True, slots=True)
class TouchedCoupons:
    """Coupon id -> kinds of the deviations that touched it, its own or its load's."""

    kinds: dict[int, set[str]]
    by_deviation: dict[int, set[int]]
    by_load: dict[str, set[int]]

    def left_out(self, choice: Choice) -> set[int]:
        found = {pk for pk, kinds in self.kinds.items() if kinds & set(choice.kinds)}
        for deviation in choice.deviations:
            found |= self.by_deviation.get(deviation, set())
        for load in choice.loads:
            found |= self.by_load.get(load, set())
        return found


def touched_coupons(study: Study) -> TouchedCoupons:
    """Which coupons the deviations of a study touched; three queries. Whoever had cracked out before was not in the load any more."""
    by_load: dict[str, set[int]] = {}
    in_load: dict[int, set[int]] = {}
    places = LoadPlace.objects.filter(load__study=study).order_by()
    for load_id, name, coupon_id in places.values_list("load_id", "load__name", "coupon_id"):
        by_load.setdefault(name, set()).add(coupon_id)
        in_load.setdefault(load_id, set()).add(coupon_id)
    kinds: dict[int, set[str]] = {}
    by_deviation: dict[int, set[int]] = {}
    cracked = Inspection.objects.filter(coupon__study=study, outcome=Inspection.Outcome.CRACKED_OUT).order_by()
    gone_at = dict(cracked.values_list("coupon_id", "seen_at"))
    rows = Deviation.objects.filter(study=study).order_by("pk")
    for pk, kind, coupon_id, load_id, at in rows.values_list("pk", "kind", "coupon_id", "load_id", "happened_at"):
        travelling = {
            coupon for coupon in in_load.get(load_id, set()) if coupon not in gone_at or gone_at[coupon] >= at
        }
        here = {coupon_id} if coupon_id is not None else travelling
        by_deviation[pk] = set(here)
        for coupon in here:
            kinds.setdefault(coupon, set()).add(kind)
    return TouchedCoupons(kinds, by_deviation, by_load)


@dataclass(frozen=True, slots=True)
class ChosenSheet:
    """The sheet of a choice, the sentences to read with it, and what the comparison of rivals is frozen with."""

    sheet: CouponSheet
    notes: tuple[str, ...]
    rivals: tuple[tuple[str, str], ...] = ()
    beside: tuple[FactorColumn, ...] = ()
    raw: Mapping[str, tuple[float | None, ...]] = field(default_factory=dict)
    candidates: tuple[dict[str, Any], ...] = ()
    left_out: int = 0


def chosen_sheet(study: Study, choice: Choice) -> ChosenSheet:
    """The coupons and factors of a choice."""
    touched = touched_coupons(study)
    drawn = study_sheet(study, left_out=touched.left_out(choice))
    notes = [*drawn.notes, *touched_words(drawn, touched, choice)]
    if not choice.takes_measured:
        return ChosenSheet(drawn.sheet, tuple(notes), left_out=drawn.left_out)
    values = measured_values(study)
    columns = tuple(
        column
        for column in measured_columns(values, drawn.coupon_ids, choice.measured)
        if (drawn.sheet.is_test & (column.groups.codes >= 0)).any()
    )
    factors = list(study.factors.all())
    entered, doubled = entered_columns(drawn.sheet, factors, columns, choice)
    replaced = {column.name for column, _ in entered} | set(choice.without)
    kept = tuple(factor for factor in drawn.sheet.factors if factor.name not in replaced)
    rivals = rival_pairs(factors, columns, doubled)
    named = {factor.name: factor for factor in drawn.sheet.factors}
    measured = {column.name: column.factor for column in columns}
    beside = {name: measured.get(name) or named[name] for pair in rivals for name in pair}
    notes += measured_words(drawn.sheet, columns, doubled, choice)
    return ChosenSheet(
        replace(drawn.sheet, factors=(*kept, *(column for column, _ in entered))),
        tuple(notes),
        rivals,
        tuple(beside.values()),
        {column.name: column.values for column in columns if column.name in beside},
        tuple(breaking_candidates(study, drawn, factors, rivals)),
        drawn.left_out,
    )


def entered_columns(
    sheet: CouponSheet, factors: Sequence[Factor], columns: Sequence[MeasuredColumn], choice: Choice
) -> tuple[list[tuple[FactorColumn, MeasuredColumn]], dict[str, tuple[str, ...]]]:
    """The measured values that enter, and those that would count something twice -> with which factors."""
    names = {column.name for column in columns}
    kept = [one for one in sheet.factors if one.name not in {*choice.without, *names}]
    entered: list[tuple[FactorColumn, MeasuredColumn]] = []
    doubled: dict[str, tuple[str, ...]] = {}
    for column in columns:
        sources = {factor.name for factor in factors if is_source(factor, column.measured)}
        others = [*kept, *(one for one, _ in entered)]
        if doubles := decided_by(column.factor, others, sources, sheet.is_test):
            doubled[column.name] = doubles
        else:
            entered.append((column.factor, column))
    return entered, doubled


def rival_pairs(
    factors: Sequence[Factor], columns: Sequence[MeasuredColumn], doubled: Mapping[str, tuple[str, ...]]
) -> tuple[tuple[str, str], ...]:
    """Named factor and measured value that are weighed against each other: what it comes from, and what it would double."""
    pairs: dict[tuple[str, str], None] = {}
    for column in columns:
        stands_for = [factor.name for factor in factors if is_source(factor, column.measured)]
        for name in (*stands_for, *doubled.get(column.name, ())):
            if name != column.name:
                pairs.setdefault((name, column.name))
    return tuple(pairs)[:MOST_RIVALS]


def breaking_candidates(
    study: Study, drawn: StudySheet, factors: Sequence[Factor], rivals: Sequence[tuple[str, str]]
) -> list[dict[str, Any]]:
    """Coupons that could part a name and the dose: each lamp of the study with the cure times used, their halves and doubles.

    Each has the named levels and the dose at the coldest place it would get, as the doses of the study's repairs say.
    """
    if not any(measured == "dose_min_mj_cm2" for _, measured in rivals):
        return []
    lamps = next((factor.name for factor in factors if factor.source == Factor.Source.LAMP), None)
    if lamps is None:
        return []
    ids = set(drawn.coupon_ids)
    rows = ReceivedDose.objects.filter(repair__coupon__study=study, repair__coupon__role="test").order_by("repair_id")
    irradiance: dict[str, float] = {}
    used: set[tuple[str, float]] = set()
    found = rows.values_list("repair__coupon_id", "repair__lamp__code", "cure_time_s", "irradiance_min_mw_cm2")
    for coupon, lamp, cure_s, mw_cm2 in found:
        if coupon in ids:
            irradiance[lamp] = mw_cm2
            used.add((lamp, cure_s))
    doses = {irradiance[lamp] * cure_s for lamp, cure_s in used}
    return [
        {"levels": {lamps: lamp, "cure_time_s": cure_s}, "dose_min_mj_cm2": mw_cm2 * cure_s}
        for lamp, mw_cm2 in sorted(irradiance.items())
        for cure_s in cure_times(mw_cm2, {cure_s for _, cure_s in used}, doses)
        if (lamp, cure_s) not in used
    ]


def cure_times(mw_cm2: float, used: set[float], doses: set[float]) -> list[float]:
    """Times to try under a lamp, to two digits: those used, their halves and doubles, and those that give a dose already run."""
    times = {cure_s * multiple for cure_s, multiple in product(used, TIMES)}
    if mw_cm2 > 0:
        times |= {float(f"{dose / mw_cm2:.2g}") for dose in doses}
    return sorted(cure_s for cure_s in times if SHORTEST_S <= cure_s <= LONGEST_S)


def touched_words(drawn: StudySheet, touched: TouchedCoupons, choice: Choice) -> list[str]:
    """Which coupons deviations touched: that they are in, or that they were left out."""
    words = []
    if choice.leaves_out:
        kinds = [Deviation.Kind(kind).label for kind in sorted(choice.kinds)]
        why = [*kinds, *(f"load {name}" for name in sorted(choice.loads))]
        if choice.deviations:
            why.append(f"{len(choice.deviations)} single deviation{'s' if len(choice.deviations) > 1 else ''}")
        codes = drawn.left_out_codes
        named = ", ".join(codes[:MOST_CODES_NAMED]) + (
            f" and {len(codes) - MOST_CODES_NAMED} more" if len(codes) > MOST_CODES_NAMED else ""
        )
        words.append(
            f"{number_text(drawn.left_out)} coupon{' was' if drawn.left_out == 1 else 's were'} left out by choice "
            f"({', '.join(why)}){f': {named}' if codes else ''}."
        )
    inside = [touched.kinds.get(pk, set()) & set(TOUCHED) for pk in drawn.coupon_ids]
    if affected := sum(bool(kinds) for kinds in inside):
        counts = Counter(kind for kinds in inside for kind in kinds)
        listed = ", ".join(f"{Deviation.Kind(kind).label}: {counts[kind]}" for kind in TOUCHED if counts[kind])
        words.append(
            f"{number_text(affected)} of {number_text(len(drawn.coupon_ids))} coupons went through a deviation of their load or their "
            f"own ({listed}); they are in. Analyse without them to see whether a verdict hangs on them."
        )
    return words


def measured_words(
    sheet: CouponSheet, columns: Sequence[MeasuredColumn], doubled: Mapping[str, tuple[str, ...]], choice: Choice
) -> list[str]:
    """What was entered, how it was grouped, what was not entered and why."""
    words = []
    if choice.without:
        left = ", ".join(factor_label(name) for name in sorted(choice.without))
        words.append(f"Left out of the factors by choice: {left}. What they do is then put down to the others.")
    for column in columns:
        if column.name in doubled:
            others = " and ".join(factor_label(name) for name in doubled[column.name])
            words.append(
                f"{factor_label(column.name).capitalize()} is not entered beside {others}: over these coupons the one decides the other, "
                "and the same thing would count twice. It is weighed against it instead."
            )
        elif text := groups_in_words(column):
            words.append(text)
        unknown = int((sheet.is_test & np.array([value is None for value in column.values])).sum())
        if unknown:
            words.append(
                f"{factor_label(column.name).capitalize()} is not known of {number_text(unknown)} test "
                f"coupon{'s' if unknown > 1 else ''}; they take no part in what uses it."
            )
    missing = [name for name in choice.measured if name not in {column.name for column in columns}]
    words += [f"{factor_label(name).capitalize()} is not known of any test coupon." for name in missing]
    return words


def rival_document(column: FactorColumn, raw: Sequence[float | None] | None) -> dict[str, Any]:
    """A factor column as the parameters of an analysis keep it; `raw`: the values before they were put into groups."""
    return {
        "kind": column.kind,
        "values": [None if code < 0 else column.levels[code] for code in column.codes.tolist()],
        **({} if raw is None else {"raw": list(raw)}),
    }


def rival_column(name: str, document: Mapping[str, Any]) -> FactorColumn:
    """The column back; the levels in order."""
    values: list[Level | None] = document["values"]
    levels = sorted({value for value in values if value is not None}, key=lambda value: (isinstance(value, str), value))
    place = {level: number for number, level in enumerate(levels)}
    codes = np.array([-1 if value is None else place[value] for value in values], dtype=np.int64)
    return FactorColumn(name, document["kind"], tuple(levels), codes)
