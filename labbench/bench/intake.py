"""Taking in a coupon sheet: its coupons, levels, loads, outcomes and strengths, all or nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone
from simple_history.utils import bulk_create_with_history

from labbench.bench.models import Inspection, Load, LoadPlace, StrengthTest
from labbench.bench.refusals import TAKEN_FROM_SHEET, closed_words
from labbench.bench.standing import stage_of
from labbench.formats.coupon_records import CouponRow
from labbench.formats.coupon_sheet import SheetReading, check_levels
from labbench.formats.date_texts import day_text
from labbench.formats.factor_levels import level_text
from labbench.formats.faults import Fault
from labbench.formats.number_texts import number_text
from labbench.lab.records import keep
from labbench.studies.models import Coupon, CouponLevel, Factor, ImportedSheet, Level, Study
from labbench.studies.services import save_study

BATCH = 1000
REASON = TAKEN_FROM_SHEET


@dataclass(frozen=True, slots=True)
class IntakePlan:
    """What taking in a sheet would add, and what is in the way."""

    faults: tuple[Fault, ...]
    new_factors: tuple[str, ...] = ()
    new_levels: tuple[tuple[str, str], ...] = ()
    earlier: ImportedSheet | None = None


def plan_intake(*, study: Study, reading: SheetReading, may_add_levels: bool) -> IntakePlan:
    """Compare a sheet with the study it would go into; one that is not stored yet has nothing that could be in the way."""
    if study.pk is None:
        return plan_for_new_study(reading)
    earlier = ImportedSheet.objects.filter(study=study, sha256=reading.sha256).select_related("imported_by").first()
    if reading.sheet is None:
        return IntakePlan(reading.faults, earlier=earlier)
    faults = [Fault(None, None, words)] if (words := closed_words(study)) else []
    present = study.coupons.count()
    if present + len(reading.sheet.coupons) > settings.MAX_COUPONS_PER_STUDY:
        faults.append(
            Fault(
                None,
                None,
                f"{number_text(len(reading.sheet.coupons))} coupons and the {number_text(present)} of this study are more than the "
                f"{number_text(settings.MAX_COUPONS_PER_STUDY)} that one study may hold.",
            )
        )
    taken = set(study.coupons.values_list("code", flat=True)) if present else set()
    rows = reading.coupon_row_numbers
    faults += [
        Fault(int(rows[i]), "coupon", f"{code} is in this study already")
        for i, code in enumerate(reading.sheet.coupons)
        if code in taken
    ][:1000]
    known = {factor.name: factor for factor in study.factors.prefetch_related("levels")}
    new_levels: list[tuple[str, str]] = []
    allowed = {}
    for column in reading.sheet.factors:
        allowed[column.name] = texts = [level_text(level) for level in column.levels]
        if (factor := known.get(column.name)) is None:
            continue
        names = [level.name for level in factor.levels.all()]
        is_open = factor.source == Factor.Source.TEXT or (factor.is_numeric and column.kind == "numeric")
        # Levels bound to the catalogue are never made up from a text; a study without levels yet takes them all.
        if is_open and (may_add_levels or not names):
            new_levels += [(column.name, text) for text in texts if text not in names]
        else:
            allowed[column.name] = names
    faults += check_levels(reading, allowed)
    new_factors = tuple(column.name for column in reading.sheet.factors if column.name not in known)
    return IntakePlan(tuple(faults) + name_faults(new_factors), new_factors, tuple(new_levels), earlier)


def plan_for_new_study(reading: SheetReading) -> IntakePlan:
    """What a sheet brings into a study that is made for it."""
    if reading.sheet is None:
        return IntakePlan(reading.faults)
    faults: tuple[Fault, ...] = ()
    if len(reading.sheet.coupons) > settings.MAX_COUPONS_PER_STUDY:
        faults = (
            Fault(
                None,
                None,
                f"{number_text(len(reading.sheet.coupons))} coupons are more than the "
                f"{number_text(settings.MAX_COUPONS_PER_STUDY)} that one study may hold.",
            ),
        )
    new_factors = tuple(column.name for column in reading.sheet.factors)
    return IntakePlan(faults + name_faults(new_factors), new_factors)


def name_faults(new_factors: Iterable[str]) -> tuple[Fault, ...]:
    """What a study refuses as the name of a factor: said before anything is taken in."""
    faults = []
    for name in new_factors:
        try:
            Factor._meta.get_field("name").run_validators(name)
        except ValidationError as refused:
            faults.append(Fault(None, f"factor.{name}", " ".join(refused.messages)))
    return tuple(faults)


def take_in(
    *,
    study: Study,
    reading: SheetReading,
    filename: str,
    may_add_levels: bool,
    by: Any,
    now: datetime,
    check: Callable[[], None] = lambda: None,
) -> ImportedSheet:
    """Store everything of a sheet in one transaction; `check` is called between batches and may raise to stop.

    An outcome becomes one look at the end of the round it is known for: a sheet does not say which other looks were made.
    """
    with transaction.atomic():
        Study.objects.select_for_update(no_key=True).get(pk=study.pk)
        plan = plan_intake(study=study, reading=reading, may_add_levels=may_add_levels)
        if plan.earlier is not None:
            raise ValidationError(
                f"This file was taken in on {day_text(timezone.localtime(plan.earlier.imported_at))} already; nothing was stored again."
            )
        if plan.faults or reading.sheet is None:
            raise ValidationError([str(fault) for fault in plan.faults] or ["The sheet could not be read."])
        rows = reading.records
        levels = level_rows(study, reading, by)
        coupons = store(Coupon, (new_coupon(row, reading, study) for row in rows), by, now, check)
        store(
            CouponLevel,
            (
                CouponLevel(coupon=coupon, factor=level.factor, level=level)
                for coupon, row in zip(coupons, rows, strict=True)
                for name, value in row.levels.items()
                if value is not None and (level := levels[name, level_text(value)])
            ),
            by,
            now,
            check,
        )
        loads = {load.name: load for load in study.loads.all()}
        for name in dict.fromkeys(row.block for row in rows if row.block):
            if name not in loads:
                loads[name] = keep(Load(study=study, name=name, state=Load.State.DONE), by=by, reason=REASON)
        store(
            LoadPlace,
            (
                LoadPlace(load=loads[row.block], coupon=coupon)
                for coupon, row in zip(coupons, rows, strict=True)
                if row.block
            ),
            by,
            now,
            check,
        )
        store(Inspection, looks(coupons, rows, by, now), by, now, check)
        store(
            StrengthTest,
            (
                StrengthTest(
                    coupon=coupon,
                    method=StrengthTest.Method.REPORTED,
                    stress_mpa=row.strength_mpa,
                    origin=origin_of(row),
                    is_machine_limit=row.fracture_origin == "machine_limit",
                    tested_at=now,
                    tested_by=by,
                    note=REASON,
                )
                for coupon, row in zip(coupons, rows, strict=True)
                if row.strength_mpa is not None
            ),
            by,
            now,
            check,
        )
        if study.state == Study.State.PLANNED and any(row.rounds_survived or row.failed_round for row in rows):
            # Coupons that have been through a round: the study is under way, whoever typed its state.
            study.state = Study.State.RUNNING
            save_study(study=study, by=by, reason=REASON)
        return keep(
            ImportedSheet(
                study=study,
                sha256=reading.sha256,
                filename=filename[-200:],
                coupons=len(coupons),
                imported_at=now,
                imported_by=by,
            ),
            by=by,
        )


def origin_of(row: CouponRow) -> str:
    """The fracture origin as a strength test has it; without a fracture there is none to be known."""
    found = row.fracture_origin
    return found if found in {"at_repair", "elsewhere"} else StrengthTest.Origin.NOT_KNOWN


def new_coupon(row: CouponRow, reading: SheetReading, study: Study) -> Coupon:
    """The coupon of a row, standing where its looks (see `looks`) will say."""
    coupon = Coupon(study=study, code=row.code, role=row.role, rounds_planned=planned(row, reading, study))
    coupon.rounds_survived, coupon.failed_round = row.rounds_survived, row.failed_round
    coupon.stage = stage_of(
        coupon,
        is_repaired=False,
        is_broken=row.strength_mpa is not None,
        has_started=bool(row.rounds_survived),
        survived=row.rounds_survived,
        failed_round=row.failed_round,
    )
    return coupon


def planned(row: CouponRow, reading: SheetReading, study: Study) -> int | None:
    """Rounds of the coupon where they differ from the study's; a sheet that says nothing means its largest round."""
    assert reading.sheet is not None
    rounds = row.rounds_planned or reading.sheet.rounds
    return None if rounds in (0, study.rounds_planned) else rounds


def level_rows(study: Study, reading: SheetReading, by: Any) -> dict[tuple[str, str], Level]:
    """The level of each (factor, text) of the sheet; what the study does not have yet is added."""
    assert reading.sheet is not None
    found = {}
    factors = {factor.name: factor for factor in study.factors.prefetch_related("levels")}
    for order, column in enumerate(reading.sheet.factors, start=len(factors)):
        factor = factors.get(column.name)
        if factor is None:
            source = Factor.Source.NUMBER if column.kind == "numeric" else Factor.Source.TEXT
            factor = keep(Factor(study=study, name=column.name, source=source, order=order), by=by, reason=REASON)
        present = {level.name: level for level in factor.levels.all()}
        for value in column.levels:
            text = level_text(value)
            number = float(value) if factor.is_numeric else None
            found[column.name, text] = present.get(text) or keep(
                Level(factor=factor, name=text, number=number), by=by, reason=REASON
            )
            # The factor is at hand: without this each coupon's row would fetch it.
            found[column.name, text].factor = factor
    return found


def looks(coupons: Sequence[Coupon], rows: Sequence[CouponRow], by: Any, now: datetime) -> Iterable[Inspection]:
    """The looks that say what the sheet says: last seen holding, first seen cracked out."""
    for coupon, row in zip(coupons, rows, strict=True):
        if row.rounds_survived:
            yield look(coupon, row.rounds_survived, Inspection.Outcome.INTACT, by, now)
        if row.failed_round:
            yield look(coupon, row.failed_round, Inspection.Outcome.CRACKED_OUT, by, now, row.failure_mode or "")


def look(coupon: Coupon, round_number: int, outcome: str, by: Any, now: datetime, failure_mode: str = "") -> Inspection:
    inspection = Inspection(
        coupon=coupon,
        round_number=round_number,
        outcome=outcome,
        failure_mode=failure_mode,
        inspector=by,
        seen_at=now,
        note=REASON,
    )
    inspection.clean()
    return inspection


def store(
    model: type[models.Model], rows: Iterable[models.Model], by: Any, now: datetime, check: Callable[[], None]
) -> list[Any]:
    """Store rows with their history, batch by batch."""
    rows, stored = list(rows), []
    for start in range(0, len(rows), BATCH):
        check()
        stored += bulk_create_with_history(
            rows[start : start + BATCH],
            model,
            batch_size=BATCH,
            default_user=by,
            default_change_reason=REASON,
            default_date=now,
        )
    return stored
