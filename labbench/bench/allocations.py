"""A plan put up: its coupons, levels, loads and places, the order of repair; locked, or undone while nothing has started."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from random import SystemRandom
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone
from simple_history.utils import bulk_create_with_history

from labbench.bench.models import Load, LoadPlace
from labbench.lab.records import keep, remove
from labbench.science.sheet import Level as LevelValue
from labbench.studies.coupon_codes import random_codes
from labbench.studies.models import AllocatedCoupon, Allocation, Coupon, CouponLevel, Factor, Level, Study
from labbench.studies.proposals import Arm, give, known_levels, made_of, usual_details
from labbench.studies.services import add_coupons

BATCH = 500
MOST_COUPONS = 2000


@dataclass(frozen=True, slots=True)
class PlannedCoupon:
    """One coupon of a drawn plan.

    `levels` are factor name -> level; `load` counts from 0; `place` from 1 within the load; `repair_order` from 1 over the whole
    plan, None for a control that is not repaired; `technician` is who repairs it where that is no factor.
    """

    role: str
    levels: Mapping[str, LevelValue]
    load: int
    place: int
    repair_order: int | None
    technician: Any = None


@transaction.atomic
def use_plan(
    *, study: Study, plan: str, title: str, seed: int, coupons: Sequence[PlannedCoupon], by: Any
) -> Allocation:
    """Put a drawn plan up in its study: coupons under random codes, levels, loads, places, order of repair; all or nothing.

    ValidationError where the study is closed, has an allocation that is neither locked nor undone, or lacks a level.
    """
    study = Study.objects.select_for_update(no_key=True).get(pk=study.pk)
    if study.state == Study.State.CLOSED:
        raise ValidationError(f"{study.code} is closed; it takes no more coupons.")
    if not coupons or len(coupons) > MOST_COUPONS:
        raise ValidationError(f"A plan of {len(coupons)} coupons can't be put up; 1 to {MOST_COUPONS} are.")
    if waiting := study.allocations.filter(locked_at=None).first():
        raise ValidationError(f"“{waiting}” is not locked yet: lock it or undo it before another plan is used.")
    allocation = keep(
        Allocation(study=study, plan=plan, title=title, seed=seed, made_by=by, made_at=timezone.now()), by=by
    )
    # In a random order, so that neither a code nor the order in which coupons were made tells the arm.
    shuffled = SystemRandom().sample(list(coupons), len(coupons))
    made = make_coupons(study, shuffled, note=title, by=by)
    place(study, shuffled, made, by=by, reason=title)
    rows = [
        AllocatedCoupon(
            allocation=allocation, coupon=coupon, repair_order=planned.repair_order, technician=planned.technician
        )
        for planned, coupon in zip(shuffled, made, strict=True)
    ]
    bulk_create_with_history(rows, AllocatedCoupon, batch_size=BATCH, default_user=by, default_change_reason=title)
    return allocation


def make_coupons(study: Study, planned: Sequence[PlannedCoupon], *, note: str, by: Any) -> list[Coupon]:
    """The coupons in the order given, with their levels; what they are made of follows from levels, else as usual here."""
    known: dict[tuple[tuple[str, LevelValue], ...], dict[Factor, Level]] = {}
    carried = []
    for one in planned:
        key = tuple(sorted(one.levels.items()))
        if key not in known:
            known[key] = known_levels(study, Arm(one.levels, 1))
        carried.append(known[key])
    usual = usual_details(study)
    codes = random_codes("", len(planned), set(study.coupons.values_list("code", flat=True)))
    kinds: dict[tuple[Any, ...], list[int]] = {}
    details: dict[tuple[Any, ...], dict[str, Any]] = {}
    for number, (one, levels) in enumerate(zip(planned, carried, strict=True)):
        of_it = {"role": one.role} | usual | made_of(levels)
        if one.role == Coupon.Role.PRISTINE:
            of_it = {"role": one.role, **({"glass": of_it["glass"]} if "glass" in of_it else {})}
        key = tuple(sorted(of_it.items(), key=str))
        kinds.setdefault(key, []).append(number)
        details[key] = of_it
    made: dict[int, Coupon] = {}
    for key, numbers in kinds.items():
        stored = add_coupons(study=study, codes=[codes[n] for n in numbers], by=by, note=note, **details[key])
        made |= dict(zip(numbers, stored, strict=True))
    coupons = [made[number] for number in range(len(planned))]
    give(coupons, carried, by=by, note=note)
    return coupons


def place(
    study: Study, planned: Sequence[PlannedCoupon], coupons: Sequence[Coupon], *, by: Any, reason: str
) -> list[Load]:
    """New loads, and each coupon its place in one of them."""
    taken = set(study.loads.values_list("name", flat=True))
    wanted = max(one.load for one in planned) + 1
    names = (f"Load {number}" for number in range(1, len(taken) + wanted + 1))
    free = [name for name in names if name not in taken][:wanted]
    loads = [keep(Load(study=study, name=name), by=by, reason=reason) for name in free]
    places = [
        LoadPlace(load=loads[one.load], coupon=coupon, place=one.place)
        for one, coupon in zip(planned, coupons, strict=True)
    ]
    bulk_create_with_history(places, LoadPlace, batch_size=BATCH, default_user=by, default_change_reason=reason)
    return loads


@transaction.atomic
def lock_allocation(*, allocation: Allocation, by: Any) -> Allocation:
    """From now on every change of its coupons' levels, loads or places is a deviation. ValidationError if it is locked."""
    current = Allocation.objects.select_for_update(of=("self",)).get(pk=allocation.pk)
    if current.is_locked:
        raise ValidationError(f"It was locked already, by {current.locked_by}.")
    current.locked_by, current.locked_at = by, timezone.now()
    return keep(current, by=by, reason="locked")


def started(allocation: Allocation) -> str:
    """What has happened to its coupons or loads already, in words; "" while nothing has."""
    coupons = Coupon.objects.filter(allocated__allocation=allocation)
    worked_on = coupons.exclude(stage=Coupon.Stage.PREPARED).first()
    if worked_on is not None:
        return f"coupon {worked_on.code} is {worked_on.get_stage_display()}"
    looked_at = coupons.filter(inspections__isnull=False).first() or coupons.filter(deviations__isnull=False).first()
    if looked_at is not None:
        return f"coupon {looked_at.code} has records"
    load = Load.objects.filter(places__coupon__allocated__allocation=allocation).exclude(state=Load.State.PLANNED)
    if (away := load.first()) is not None:
        return f"{away.name} is {away.get_state_display()}"
    before = there_before(allocation, coupons.values("pk"))
    booked = Load.objects.filter(places__coupon__in=coupons.exclude(pk__in=before), bookings__isnull=False).first()
    return f"{booked.name} is booked" if booked is not None else ""


@transaction.atomic
def undo_allocation(*, allocation: Allocation, by: Any, reason: str = "plan undone") -> None:
    """Take a plan back: its coupons, and its loads where nothing else travels in them. Their histories stay.

    Coupons that were there before and only got their levels by it lose these and stay where they are. ValidationError once it is
    locked or something of it has started.
    """
    Study.objects.select_for_update(no_key=True).get(pk=allocation.study_id)
    current = Allocation.objects.select_for_update(of=("self",)).get(pk=allocation.pk)
    if current.is_locked:
        raise ValidationError("A locked allocation stays; withdraw coupons that are not wanted.")
    if words := started(current):
        raise ValidationError(f"It can't be undone any more: {words}.")
    coupons = list(Coupon.objects.filter(allocated__allocation=current))
    before = set(there_before(current, [coupon.pk for coupon in coupons]))
    own = [coupon for coupon in coupons if coupon.pk not in before]
    loads = list(Load.objects.filter(places__coupon__in=own).distinct())
    for rows in (
        LoadPlace.objects.filter(coupon__in=own),
        CouponLevel.objects.filter(coupon__in=coupons),
        current.rows.all(),
    ):
        for row in rows:
            remove(row, by=by, reason=reason)
    for coupon in own:
        remove(coupon, by=by, reason=reason)
    for load in loads:
        if not load.places.exists() and not load.deviations.exists() and not load.traces.exists():
            remove(load, by=by, reason=reason)
    remove(current, by=by, reason=reason)


def there_before(allocation: Allocation, keys: Any) -> QuerySet[Any, int]:
    """Keys of the coupons, of these, that the allocation did not make: they waited, and got their levels by it."""
    made = Coupon.history.filter(id__in=keys, history_type="+")
    return made.filter(history_date__lt=allocation.made_at).values_list("id", flat=True)
