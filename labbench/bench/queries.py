"""Named questions to the bench's records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, cast

from django.db.models import Count, Q, QuerySet

from labbench.bench.intake import REASON as TAKEN_IN
from labbench.bench.models import Deviation, Inspection, Load, LoadPlace, Repair, StrengthTest
from labbench.bench.rules import drawn_technician
from labbench.bench.services import UNDO_WITHIN, Record
from labbench.studies.models import Coupon, CouponLevel, Study
from labbench.studies.proposals import without_levels

Stage, Role = Coupon.Stage, Coupon.Role

NEEDS_REPAIR = Q(stage=Stage.PREPARED, role__in=[Role.TEST, Role.REFERENCE])
# Whoever travels is looked at after each round; a control that is not repaired travels as it was prepared.
NEEDS_LOOK = Q(stage__in=[Stage.REPAIRED, Stage.CYCLING]) | Q(
    stage=Stage.PREPARED, role__in=[Role.PRISTINE, Role.UNREPAIRED]
)
# New glass that travels in no load is broken as it is.
NEEDS_BREAK = Q(stage=Stage.SURVIVED) | Q(stage=Stage.PREPARED, role=Role.PRISTINE, load_place=None)

RECORDS: dict[str, type[Record]] = {
    "repair": Repair,
    "inspection": Inspection,
    "strength": StrengthTest,
    "deviation": Deviation,
}


def waiting_without_levels(study: Study) -> QuerySet[Coupon]:
    """Test coupons in loads that have not set out, neither repaired nor given a level of any factor."""
    rows = without_levels(study).filter(load_place__load__state=Load.State.PLANNED)
    return rows.select_related("load_place__load", "glass").order_by("load_place__load", "code")


def coupons_called(code: str, *, most: int = 20) -> list[Coupon]:
    """Coupons with this code, those of running studies first; the case of letters counts first, then it does not."""
    coupons = Coupon.objects.select_related("study").order_by("study__state", "-study__created_at")
    found = list(coupons.filter(code=code)[:most]) or list(coupons.filter(code__iexact=code)[:most])
    return sorted(found, key=lambda coupon: coupon.study.state != Study.State.RUNNING)


def next_action(coupon: Coupon) -> str:
    """What the bench does with this coupon next: repair, inspection, strength, or nothing ("")."""
    stage, role = coupon.stage, coupon.role
    if stage == Stage.PREPARED and role in {Role.TEST, Role.REFERENCE}:
        return "repair"
    if stage == Stage.SURVIVED:
        return "strength"
    if stage == Stage.PREPARED and role == Role.PRISTINE:
        return "inspection" if hasattr(coupon, "load_place") else "strength"
    return "inspection" if stage in {Stage.PREPARED, Stage.REPAIRED, Stage.CYCLING} else ""


def possible_actions(coupon: Coupon) -> list[str]:
    """Everything that may be recorded of this coupon now, the next action first; nothing once its study is closed."""
    if coupon.study.state == Study.State.CLOSED:
        return []
    stage = coupon.stage
    possible = [next_action(coupon)]
    if stage in {Stage.PREPARED, Stage.REPAIRED, Stage.CYCLING}:
        possible += ["inspection", "strength"]
    return [action for action in dict.fromkeys(possible) if action]


@dataclass(slots=True)
class WaitingLook:
    """Coupons of a running load that wait for the look after a round."""

    load: Load
    round_number: int
    coupons: int


@dataclass(slots=True)
class Waiting:
    """What waits in one running study."""

    study: Study
    repair: int = 0
    strength: int = 0
    without_load: int = 0
    looks: list[WaitingLook] = field(default_factory=list)

    @property
    def is_empty(self) -> bool:
        return not (self.repair or self.strength or self.without_load or self.looks)


def waiting() -> list[Waiting]:
    """What is to be done next in every running study, in six queries however many there are."""
    by_study = {study.pk: Waiting(study) for study in Study.objects.filter(state=Study.State.RUNNING).order_by("code")}
    coupons = Coupon.objects.filter(study__in=by_study).order_by()

    def counted(condition: Q) -> Any:
        return coupons.filter(condition).values_list("study").annotate(Count("pk"))

    for study, count in counted(NEEDS_REPAIR):
        by_study[study].repair = count
    for study, count in counted(Q(stage=Stage.SURVIVED)):
        by_study[study].strength = count
    for study, count in counted(Q(stage=Stage.PREPARED, role=Role.PRISTINE, load_place=None)):
        by_study[study].strength += count
    for study, count in counted(Q(stage=Stage.REPAIRED, load_place=None)):
        by_study[study].without_load = count
    loads = {load.pk: load for load in Load.objects.filter(state=Load.State.RUNNING, study__in=by_study)}
    looks = (
        LoadPlace.objects.filter(load__in=loads)
        .filter(coupons_where(NEEDS_LOOK))
        .order_by("load__name", "coupon__rounds_survived")
        .values_list("load", "coupon__rounds_survived")
        .annotate(Count("pk"))
    )
    for load, survived, count in looks:
        by_study[loads[load].study_id].looks.append(WaitingLook(loads[load], survived + 1, count))
    return list(by_study.values())


def coupons_where(condition: Q, path: str = "coupon__") -> Q:
    """A condition on coupons as a condition on rows that point to them."""
    moved = Q(_connector=condition.connector, _negated=condition.negated)
    for child in condition.children:
        if isinstance(child, Q):
            moved.children.append(coupons_where(child, path))
        else:
            # Q(name=value) keeps a pair; the stubs know it as a part of any tree.
            name, value = cast(tuple[str, Any], child)
            moved.children.append((f"{path}{name}", value))
    return moved


def waiting_coupons(study: Study, action: str) -> QuerySet[Coupon]:
    """The coupons of a study that wait for an action, by code."""
    needs = {"repair": NEEDS_REPAIR, "inspection": NEEDS_LOOK, "strength": NEEDS_BREAK}[action]
    return study.coupons.filter(needs).order_by("code")


def next_coupons(record: Record, *, most: int = 6) -> list[Coupon]:
    """Coupons that wait for the same action as the one just recorded: of the same load if it travels, else of the study."""
    coupon = record.coupon
    if coupon is None or isinstance(record, Deviation):
        return []
    if isinstance(record, Inspection):
        place = LoadPlace.objects.filter(coupon=coupon).first()
        rows = coupon.study.coupons.filter(NEEDS_LOOK).exclude(inspections__position__gte=record.position)
        if place is not None:
            return list(rows.filter(load_place__load=place.load_id).order_by("load_place__place", "code")[:most])
        return list(rows.order_by("code")[:most])
    if isinstance(record, Repair):
        rest = waiting_for_repair(coupon.study, by_levels=not coupon.study.is_blind)
        same = settings_of([coupon.pk])[coupon.pk].rows if rest and not coupon.study.is_blind else []
        # What is set up already comes first, unless an order was drawn.
        if same and not any(drawn_order(one) for one, _ in rest):
            rest.sort(key=lambda pair: pair[1].rows != same)
        return [one for one, _ in rest if one.pk != coupon.pk][:most]
    return list(waiting_coupons(coupon.study, "strength").exclude(pk=coupon.pk)[:most])


def waiting_for_repair(study: Study, *, by_levels: bool) -> list[tuple[Coupon, Allocation]]:
    """The coupons that wait for their repair, each with the levels that decide how it is made.

    In the order drawn with a locked allocation, so that no arm is repaired before the others; where none was drawn, those made
    alike together. Without `by_levels`, for whoever inspects blind, no levels, and by code where no order was drawn.
    """
    coupons = list(waiting_coupons(study, "repair").select_related("allocated__allocation"))
    levels = settings_of([one.pk for one in coupons]) if by_levels else {}
    pairs = [(one, levels.get(one.pk) or Allocation()) for one in coupons]

    def place(pair: tuple[Coupon, Allocation]) -> Any:
        order, planned = drawn_order(pair[0]), pair[1]
        settings = [(planned.numbers.get(name, 0.0), level) for name, level in planned.rows]
        return (order is None, order or 0, not planned.rows, settings, pair[0].code)

    return sorted(pairs, key=place)


def drawn_order(coupon: Coupon) -> int | None:
    """Its place in the order drawn with its allocation, once that is locked."""
    row = getattr(coupon, "allocated", None)
    return row.repair_order if row is not None and row.allocation.is_locked else None


def settings_of(coupons: Sequence[int]) -> dict[int, Allocation]:
    """Coupon id -> its levels of the factors that decide how a repair is made; one query."""
    found = {pk: Allocation() for pk in coupons}
    rows = CouponLevel.objects.filter(coupon__in=coupons).order_by("factor__order", "factor")
    for pk, name, source, level, number in rows.values_list(
        "coupon", "factor__name", "factor__source", "level__name", "level__number"
    ):
        if source in FIELD_OF_SOURCE or name in FIELD_OF_NAME or source == "technician":
            found[pk].rows.append((name, level))
            if number is not None:
                found[pk].numbers[name] = number
    return found


@dataclass(frozen=True, slots=True)
class RecentRecord:
    """A record that its maker can still undo."""

    kind: str
    record: Record
    recorded_at: datetime


def recent_records(person: Any, *, now: datetime, most: int = 10) -> list[RecentRecord]:
    """This person's records of the last hours, newest first; what came with a sheet or from a rule is not theirs to undo."""
    recent = []
    for kind, model in RECORDS.items():
        made = dict(
            model.history.filter(history_user=person, history_type="+", history_date__gte=now - UNDO_WITHIN)
            .exclude(history_change_reason=TAKEN_IN)
            .order_by("-history_date")
            .values_list("id", "history_date")[:most]
        )
        rows: QuerySet[Any] = model.objects.filter(pk__in=made).select_related("coupon__study")
        if model is Deviation:
            rows = rows.filter(is_found_by_rule=False).select_related("study", "load")
        recent += [RecentRecord(kind, row, made[row.pk]) for row in rows]
    return sorted(recent, key=lambda one: one.recorded_at, reverse=True)[:most]


@dataclass(slots=True)
class Allocation:
    """What a coupon's levels say about its repair."""

    rows: list[tuple[str, str]] = field(default_factory=list)
    records: dict[str, int] = field(default_factory=dict)
    numbers: dict[str, float] = field(default_factory=dict)


def allocation(coupon: Coupon) -> Allocation:
    """The levels of a coupon: as words, as records of the catalogue (by field of the repair), and as numbers."""
    found = Allocation()
    rows = CouponLevel.objects.filter(coupon=coupon).select_related("factor", "level").order_by("factor__order")
    for row in rows:
        found.rows.append((row.factor.name, row.level.name))
        if row.level.number is not None:
            found.numbers[row.factor.name] = row.level.number
        for name in ("resin", "resin_lot", "lamp", "procedure_version", "technician"):
            record = getattr(row.level, f"{name}_id")
            if record is not None:
                found.records[name] = record
    return found


def allocation_of_repair(coupon: Coupon) -> Allocation:
    """The same, with who was drawn to repair it where the technician is no factor."""
    found = allocation(coupon)
    if (drawn := drawn_technician(coupon.pk)) is not None:
        found.records.setdefault("technician", drawn.pk)
    return found


# The field of a repair that a factor decides, by what its levels are bound to, else by its name.
FIELD_OF_SOURCE = {
    "resin": "resin_lot",
    "resin_lot": "resin_lot",
    "lamp": "lamp",
    "procedure": "procedure_version",
}
FIELD_OF_NAME = FIELD_OF_SOURCE | {
    "cover": "is_cover_on",
    "cover_on": "is_cover_on",
    "is_cover_on": "is_cover_on",
    "procedure_version": "procedure_version",
    "cure_time_s": "cure_time_s",
    "distance_mm": "distance_mm",
    "vacuum_minutes": "vacuum_minutes",
    "pressure_minutes": "pressure_minutes",
}


def undecided_fields(study: Study, planned: Allocation) -> set[str]:
    """Fields of a repair that a factor of the study decides, and a coupon's levels (`planned`) do not."""
    undecided = set()
    for name, source in study.factors.order_by().values_list("name", "source"):
        record = "procedure_version" if source == "procedure" else source
        if record not in planned.records and name not in planned.numbers:
            undecided.add(FIELD_OF_SOURCE.get(source) or FIELD_OF_NAME.get(name, ""))
    return undecided - set(planned.records) - {""}


def last_repair(study: Study, person: Any) -> Repair | None:
    """The last repair of this person in this study, else of anybody in it."""
    repairs = Repair.objects.filter(coupon__study=study).select_related("resin_lot").order_by("-repaired_at")
    return repairs.filter(technician=person).first() or repairs.first()


def last_strength_test(study: Study) -> StrengthTest | None:
    """The last strength test of a study."""
    return StrengthTest.objects.filter(coupon__study=study).order_by("-tested_at").first()


def next_round(coupon: Coupon) -> int:
    """The round whose end is looked at next: the one after the last whole round, or the one under way."""
    last = coupon.inspections.order_by("position").last()
    if last is None:
        return 1
    return min(last.round_number + (last.step_number is None), rounds_of(coupon))


def rounds_of(coupon: Coupon) -> int:
    return coupon.rounds_planned or coupon.study.rounds_planned


def failures() -> QuerySet[Inspection]:
    """Every look that saw something else than an intact repair."""
    return Inspection.objects.exclude(outcome=Inspection.Outcome.INTACT)


def repairers(study_id: int) -> dict[str, str]:
    """Coupon code -> username of who repaired it."""
    return dict(
        Repair.objects.filter(coupon__study=study_id).order_by().values_list("coupon__code", "technician__username")
    )
