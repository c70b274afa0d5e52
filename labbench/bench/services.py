"""Recording what happened at the bench. Every function is one transaction; ValidationError says which rule is broken."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Generic, TypeVar

from django.core.exceptions import ValidationError
from django.db import models, transaction
from django.utils import timezone

from labbench.bench.doses import CORRECTED, FIRST, compute_dose, drop_dose
from labbench.bench.models import Booking, Deviation, Inspection, Load, LoadPlace, Repair, StrengthTest
from labbench.bench.refusals import (
    refuse_before_coupon,
    refuse_closed,
    refuse_correction_of_closed,
    refuse_far_ahead,
    refuse_withdrawn,
)
from labbench.bench.rules import Finding, blinding_findings, repair_findings, valid_survey
from labbench.bench.standing import settle
from labbench.formats.date_texts import moment_text
from labbench.lab.records import keep, refuse_changed, remove
from labbench.science.bending import fracture_stress_mpa
from labbench.studies.models import Coupon, Study

Made = TypeVar("Made", bound=models.Model)


@dataclass(frozen=True, slots=True)
class Recorded(Generic[Made]):
    """What was stored, and the deviations that a rule found with it."""

    record: Made
    deviations: tuple[Deviation, ...] = ()


def locked(coupon: Coupon) -> Coupon:
    """The coupon's row, held until the transaction ends: two people at one coupon take turns.

    Here as in all of the house without its key: rows that point to it may be stored meanwhile, else two people who hold one row each
    and write to the other's would wait for each other. Held in this order: studies, coupons; chambers, loads.
    """
    return Coupon.objects.select_for_update(of=("self",), no_key=True).select_related("study").get(pk=coupon.pk)


def hold_coupons(coupons: Iterable[Coupon]) -> None:
    """The same of several, in one order: of two people with some of them in common one waits."""
    keys = {coupon.pk for coupon in coupons}
    list(Coupon.objects.select_for_update(no_key=True).filter(pk__in=keys).order_by("pk").values_list("pk", flat=True))


def dose(irradiance_mw_cm2: float | None, cure_time_s: float | None) -> float | None:
    """Radiant exposure of an irradiance held over the cure time (mJ/cm²)."""
    return None if irradiance_mw_cm2 is None or cure_time_s is None else irradiance_mw_cm2 * cure_time_s


@transaction.atomic
def record_repair(
    *, coupon: Coupon, by: Any, repaired_at: datetime, recorded_at: datetime | None = None, **details: Any
) -> Recorded[Repair]:
    """Store the repair of a coupon; expired lots, overdue meters, old surveys and a wrong arm become deviations at once."""
    coupon = locked(coupon)
    refuse_closed(coupon.study)
    refuse_withdrawn(coupon)
    if coupon.role in {Coupon.Role.PRISTINE, Coupon.Role.UNREPAIRED}:
        raise ValidationError(f"Coupon {coupon.code} is a {coupon.get_role_display()}; it is not repaired.")
    earlier = Repair.objects.filter(coupon=coupon).select_related("technician").first()
    if earlier is not None:
        raise ValidationError(
            f"Coupon {coupon.code} is repaired already ({earlier.technician}, {when(earlier.repaired_at)}); "
            "correct that record instead."
        )
    if Inspection.objects.filter(coupon=coupon, round_number__gte=1).exists():
        raise ValidationError(
            f"Coupon {coupon.code} has been through a round already; a repair now would change what it is."
        )
    refuse_before_coupon(coupon, repaired_at)
    details.setdefault("technician", by)
    details["dose_mj_cm2"] = dose(details.get("irradiance_mw_cm2"), details.get("cure_time_s"))
    repair = Repair(coupon=coupon, repaired_at=repaired_at, **details)
    if repair.lamp_id and repair.survey is None:
        repair.survey = valid_survey(repair)
    findings = repair_findings(repair) if repair.resin_lot_id and repair.lamp_id else ()
    keep(repair, by=by, at=recorded_at)
    compute_dose(repair=repair, by=by, reason=FIRST, at=recorded_at)
    settle([coupon.pk])
    return Recorded(
        repair,
        tuple(found(finding, coupon=coupon, at=repaired_at, by=by, recorded_at=recorded_at) for finding in findings),
    )


def when(at: datetime) -> str:
    return moment_text(timezone.localtime(at))


def found(finding: Finding, *, coupon: Coupon, at: datetime, by: Any, recorded_at: datetime | None = None) -> Deviation:
    """Keep what a rule found as a deviation of the coupon."""
    return keep(
        Deviation(
            study=coupon.study,
            coupon=coupon,
            kind=finding.kind,
            happened_at=at,
            description=finding.text,
            is_found_by_rule=True,
            recorded_by=by,
            recorded_at=recorded_at or timezone.now(),
        ),
        by=by,
        at=recorded_at,
    )


@transaction.atomic
def record_inspection(
    *,
    coupon: Coupon,
    by: Any,
    seen_at: datetime,
    round_number: int,
    outcome: str,
    recorded_at: datetime | None = None,
    **details: Any,
) -> Recorded[Inspection]:
    """Store one look. ValidationError if it contradicts an earlier one; the repairer inspecting a blind study is kept as a deviation."""
    coupon = locked(coupon)
    refuse_closed(coupon.study)
    refuse_withdrawn(coupon)
    planned = coupon.rounds_planned or coupon.study.rounds_planned
    if round_number is not None and round_number > planned:
        raise ValidationError(
            {"round_number": f"{round_number} is more than the {planned} rounds planned for coupon {coupon.code}."}
        )
    details.setdefault("inspector", by)
    look = Inspection(coupon=coupon, seen_at=seen_at, round_number=round_number, outcome=outcome, **details)
    look.clean()
    crack_out = Inspection.objects.filter(coupon=coupon, outcome=Inspection.Outcome.CRACKED_OUT).first()
    if crack_out is not None:
        raise ValidationError(
            f"Coupon {coupon.code} cracked out in round {crack_out.round_number}; there is no later inspection of it."
        )
    if StrengthTest.objects.filter(coupon=coupon).exists():
        raise ValidationError(
            f"Coupon {coupon.code} was broken in a strength test; there is no later inspection of it."
        )
    same = Inspection.objects.filter(coupon=coupon, position=look.position).select_related("inspector").first()
    if same is not None:
        raise ValidationError(
            f"Coupon {coupon.code} has an inspection at this point already ({same.get_outcome_display()}, "
            f"{same.inspector}, {when(same.seen_at)}); correct that record instead."
        )
    keep(look, by=by, at=recorded_at)
    settle([coupon.pk])
    findings = blinding_findings(look)
    return Recorded(
        look, tuple(found(finding, coupon=coupon, at=seen_at, by=by, recorded_at=recorded_at) for finding in findings)
    )


@transaction.atomic
def record_inspections(
    *, looks: Sequence[tuple[Coupon, dict[str, Any]]], by: Any, seen_at: datetime
) -> tuple[Recorded[Inspection], ...]:
    """Store looks at several coupons, all or none. ValidationError whose keys are the primary keys of the coupons that refuse."""
    hold_coupons(coupon for coupon, _ in looks)
    recorded, faults = [], {}
    for coupon, details in looks:
        try:
            recorded.append(record_inspection(coupon=coupon, by=by, seen_at=seen_at, **details))
        except ValidationError as refused:
            faults[str(coupon.pk)] = refused.messages
    if faults:
        raise ValidationError(faults)
    return tuple(recorded)


@transaction.atomic
def record_strength(
    *,
    coupon: Coupon,
    by: Any,
    tested_at: datetime,
    method: str,
    recorded_at: datetime | None = None,
    **details: Any,
) -> Recorded[StrengthTest]:
    """Store the break of a coupon; the stress follows from force and geometry unless it was reported as such."""
    coupon = locked(coupon)
    if coupon.failed_round is not None:
        raise ValidationError(
            f"Coupon {coupon.code} cracked out in round {coupon.failed_round}; it has no strength left to test."
        )
    refuse_closed(coupon.study)
    refuse_withdrawn(coupon)
    earlier = StrengthTest.objects.filter(coupon=coupon).select_related("tested_by").first()
    if earlier is not None:
        raise ValidationError(
            f"Coupon {coupon.code} was broken already ({earlier.tested_by}, {when(earlier.tested_at)}); "
            "correct that record instead."
        )
    details.setdefault("tested_by", by)
    test = with_stress(StrengthTest(coupon=coupon, tested_at=tested_at, method=method, **details))
    keep(test, by=by, at=recorded_at)
    settle([coupon.pk])
    return Recorded(test)


def with_stress(test: StrengthTest) -> StrengthTest:
    """Fill in the stress from force and geometry. ValidationError naming the measure that is missing or impossible."""
    if test.method == StrengthTest.Method.REPORTED:
        return test
    try:
        test.stress_mpa = fracture_stress_mpa(
            test.method,
            force_n=test.force_n,
            width_mm=test.width_mm,
            thickness_mm=test.thickness_mm,
            outer_span_mm=test.outer_span_mm,
            inner_span_mm=test.inner_span_mm,
            plate_mm=test.plate_mm,
        )
    except ValueError as error:
        raise ValidationError(str(error)) from error
    return test


# Which survey counts follows from these.
DECIDES_THE_SURVEY = {"lamp", "repaired_at"}
# The dose also from these; a correction of anything else leaves a stored dose as it was computed.
DECIDES_THE_DOSE = DECIDES_THE_SURVEY | {"cure_time_s", "is_cover_on", "distance_mm", "break_x_mm", "break_y_mm"}
# What can be corrected or taken out again.
Record = Repair | Inspection | StrengthTest | Deviation


def study_of(record: Record) -> Study:
    return record.study if isinstance(record, Deviation) else record.coupon.study


@transaction.atomic
def correct(*, record: Record, by: Any, reason: str, changes: dict[str, Any], seen: int | None = None) -> Record:
    """Change a stored record; its history keeps what stood before, who changed it and why.

    With `seen`, the version (`lab.records.newest_version`) that `changes` were made of: ValidationError if there is a newer one.
    """
    if not reason.strip():
        raise ValidationError({"reason": "Say why the record is corrected."})
    refuse_correction_of_closed(study_of(record), by)
    coupon = record.coupon
    if coupon is not None:
        locked(coupon)
    # Read again now that it is held: what somebody else corrected a moment ago stays corrected.
    held = type(record)._default_manager.filter(pk=record.pk)
    if not (held if coupon is not None else held.select_for_update(no_key=True)).exists():
        raise ValidationError("This record was taken out meanwhile.")
    record.refresh_from_db()
    if seen is not None:
        refuse_changed(record, seen)
    for name, value in changes.items():
        setattr(record, name, value)
    if isinstance(record, Repair):
        record.dose_mj_cm2 = dose(record.irradiance_mw_cm2, record.cure_time_s)
        if "repaired_at" in changes:
            refuse_before_coupon(record.coupon, record.repaired_at)
        if DECIDES_THE_SURVEY & changes.keys() and "survey" not in changes:
            record.survey = valid_survey(record)
    if isinstance(record, StrengthTest):
        with_stress(record)
    keep(record, by=by, reason=reason)
    if isinstance(record, Repair) and DECIDES_THE_DOSE & changes.keys():
        compute_dose(repair=record, by=by, reason=f"{CORRECTED}: {reason}")
    if coupon is not None and not isinstance(record, Deviation):
        settle([coupon.pk])
        review_findings(coupon=coupon, by=by, reason=f"record corrected: {reason}")
    return record


@transaction.atomic
def take_out(*, record: Record, by: Any, reason: str) -> None:
    """Remove a record made by mistake; its history stays."""
    if isinstance(record, Deviation) and record.is_found_by_rule:
        raise ValidationError("A rule found this deviation; correct the record that it is about.")
    refuse_correction_of_closed(study_of(record), by)
    coupon = record.coupon
    if coupon is not None:
        locked(coupon)
    if isinstance(record, Repair):
        drop_dose(repair=record, by=by, reason=reason)
    remove(record, by=by, reason=reason)
    if coupon is not None and not isinstance(record, Deviation):
        settle([coupon.pk])
        review_findings(coupon=coupon, by=by, reason=f"record taken out: {reason}")


# A slip of the hand is undone by whoever made it, within the shift; later it is a correction and needs a reason.
UNDO_WITHIN = timedelta(hours=12)
UNDONE = "undone"


@transaction.atomic
def undo(*, record: Record, by: Any, now: datetime) -> None:
    """Take back one's own record of the last hours. ValidationError if it is another's, too old, or others build on it."""
    model = type(record)
    if record.coupon is not None:
        locked(record.coupon)
    if not model.objects.filter(pk=record.pk).exists():
        raise ValidationError("This record was taken out already.")
    made = model.history.filter(id=record.pk, history_type="+").first()
    if made is None or made.history_user_id != by.pk:
        raise ValidationError("Only whoever recorded it can undo this; a correction needs a reason.")
    if made.history_date < now - UNDO_WITHIN:
        raise ValidationError("This was recorded too long ago to undo; take it out with a reason instead.")
    later = later_record(record)
    if later:
        assert record.coupon is not None  # only a deviation may have none, and nothing builds on one
        raise ValidationError(f"Coupon {record.coupon.code} has a later record ({later}); undo that first.")
    take_out(record=record, by=by, reason=UNDONE)


def later_record(record: Record) -> str:
    """What was recorded of the coupon on top of this record, "" if nothing."""
    if isinstance(record, Deviation | StrengthTest):
        return ""
    test = StrengthTest.objects.filter(coupon=record.coupon_id).first()
    if test is not None:
        return f"strength test, {test}"
    looks = Inspection.objects.filter(coupon=record.coupon_id)
    if isinstance(record, Inspection):
        looks = looks.filter(position__gt=record.position)
    last = looks.order_by("position").last()
    return str(last) if last else ""


REPAIR_KINDS = (
    Deviation.Kind.RESIN_EXPIRED,
    Deviation.Kind.CALIBRATION_OVERDUE,
    Deviation.Kind.SURVEY_OLD,
    Deviation.Kind.ALLOCATION,
    Deviation.Kind.BLINDING,
    Deviation.Kind.OTHER,
)


def review_findings(*, coupon: Coupon, by: Any, reason: str) -> None:
    """After a correction: what the rules find now stands, what they no longer find goes (its history stays).

    Found again in other words - another day, a record renamed since - a deviation is brought up to date and keeps what people wrote of it.
    """
    expected: dict[tuple[str, str], datetime] = {}
    repair = Repair.objects.filter(coupon=coupon).first()
    if repair is not None:
        expected |= {(finding.kind, finding.text): repair.repaired_at for finding in repair_findings(repair)}
    for look in Inspection.objects.filter(coupon=coupon).select_related("coupon__study", "inspector"):
        expected |= {(finding.kind, finding.text): look.seen_at for finding in blinding_findings(look)}
    left = []
    for row in Deviation.objects.filter(coupon=coupon, is_found_by_rule=True, kind__in=REPAIR_KINDS):
        at = expected.pop((row.kind, row.description), None)
        if at is None:
            left.append(row)
        elif at != row.happened_at:
            row.happened_at = at
            keep(row, by=by, reason=reason)
    for row in left:
        again = [key for key in expected if subject(*key) == subject(row.kind, row.description)]
        alike = [one for one in left if subject(one.kind, one.description) == subject(row.kind, row.description)]
        if len(again) == len(alike) == 1:
            row.description, row.happened_at = again[0][1], expected.pop(again[0])
            keep(row, by=by, reason=reason)
        else:
            remove(row, by=by, reason=reason)
    for (kind, text), at in expected.items():
        found(Finding(kind, text), coupon=coupon, at=at, by=by)


def subject(kind: str, text: str) -> tuple[str, str]:
    """What a finding is about: its kind, and the word its sentence begins with (lamp, meter, resin, factor)."""
    return kind, text.split(maxsplit=1)[0] if text.strip() else ""


SAME_WITHIN = timedelta(minutes=2)


@transaction.atomic
def record_deviation(
    *, study: Study, by: Any, kind: str, happened_at: datetime, description: str, **details: Any
) -> Deviation:
    """Store something that did not go by the profile or the procedure."""
    # The study's row is held: the same form sent twice is one deviation.
    Study.objects.select_for_update(no_key=True).get(pk=study.pk)
    if Deviation.objects.filter(
        study=study,
        kind=kind,
        description=description,
        recorded_by=by,
        recorded_at__gte=timezone.now() - SAME_WITHIN,
        coupon=details.get("coupon"),
        load=details.get("load"),
    ).exists():
        raise ValidationError("You recorded this deviation a moment ago already; it is not stored twice.")
    for name in ("coupon", "load"):
        target = details.get(name)
        if target is not None and target.study_id != study.pk:
            raise ValidationError({name: f"{target} belongs to another study."})
    return keep(
        Deviation(
            study=study,
            kind=kind,
            happened_at=happened_at,
            description=description,
            recorded_by=by,
            recorded_at=timezone.now(),
            **details,
        ),
        by=by,
    )


@transaction.atomic
def withdraw(*, coupon: Coupon, by: Any, on: Any, reason: str) -> Coupon:
    """Take a coupon out of the work, e.g. broken in handling; it stays in the count, and the reason is a deviation."""
    Study.objects.select_for_update(no_key=True).get(pk=coupon.study_id)
    coupon = locked(coupon)
    refuse_closed(coupon.study)
    if coupon.withdrawn_on is not None:
        raise ValidationError(f"Coupon {coupon.code} was withdrawn already.")
    coupon.withdrawn_on, coupon.withdrawn_reason = on, reason
    keep(coupon, by=by, reason=reason)
    record_deviation(
        study=coupon.study,
        by=by,
        kind=Deviation.Kind.HANDLING,
        happened_at=timezone.now(),
        coupon=coupon,
        description=f"Coupon {coupon.code} withdrawn: {reason}",
    )
    settle([coupon.pk])
    coupon.refresh_from_db()
    return coupon


@transaction.atomic
def create_load(*, study: Study, name: str, by: Any, coupons: Any = (), **details: Any) -> Load:
    """Put up a load and place coupons in it, in the order given."""
    refuse_far_ahead(ready_at=details.get("ready_at"), due_at=details.get("due_at"))
    load = keep(Load(study=study, name=name, **details), by=by)
    for place, coupon in enumerate(coupons, start=1):
        place_coupon(load=load, coupon=coupon, by=by, place=place)
    return load


@transaction.atomic
def place_coupon(*, load: Load, coupon: Coupon, by: Any, place: int | None = None) -> LoadPlace:
    """Give a coupon its place. ValidationError if it travels in a load already, or the load is of another study."""
    if load.study_id != coupon.study_id:
        raise ValidationError(f"{load.name} belongs to another study than coupon {coupon.code}.")
    return keep(LoadPlace(load=load, coupon=coupon, place=place), by=by)


@transaction.atomic
def book(
    *, load: Load, chamber: Any, planned_start: datetime, planned_end: datetime, by: Any, **details: Any
) -> Booking:
    """Book a chamber for a load."""
    return keep(
        Booking(load=load, chamber=chamber, planned_start=planned_start, planned_end=planned_end, **details), by=by
    )
