"""A proposed load put up like a plan: levels, load, places and order of repair drawn at random, to be locked and printed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from random import Random
from typing import Any

import numpy as np
from django.db import transaction
from django.utils import timezone
from simple_history.utils import bulk_create_with_history

from labbench.bench.allocations import PlannedCoupon, make_coupons, place
from labbench.bench.models import Load, LoadPlace
from labbench.lab.records import keep, remove
from labbench.science.random_allocation import allocate
from labbench.science.sheet import Level as LevelValue
from labbench.studies.models import AllocatedCoupon, Allocation, Coupon, CouponLevel, Study
from labbench.studies.planning import level_value, settings_of
from labbench.studies.proposals import Added, Arm, add_proposed, without_levels
from labbench.studies.queries import factors_with_levels


@dataclass(frozen=True, slots=True)
class PutUp:
    """What became of a proposal. `load` is the new one, None where none was asked for; `taken_out` lost their places."""

    allocation: Allocation
    added: Added
    controls: list[Coupon]
    load: Load | None
    taken_out: list[Coupon]


@transaction.atomic
def put_up_proposed(
    *,
    study: Study,
    arms: Sequence[Arm],
    title: str,
    note: str,
    by: Any,
    seed: int,
    waiting: Sequence[Coupon] = (),
    takes_out_rest: bool = False,
    makes_load: bool = False,
    has_controls: bool = False,
    **details: Any,
) -> PutUp:
    """Give and make the coupons of a proposal (`add_proposed`), and allocate them; all or nothing.

    `title` names the allocation, `note` is what the coupons and their histories say. `waiting` coupons get levels first; those
    that then still have none leave their loads if `takes_out_rest`: they can't be repaired. `makes_load`: the new ones get
    places in a new load, with the controls of the study's plan if `has_controls`.
    """
    study = Study.objects.select_for_update(no_key=True).get(pk=study.pk)
    made_at, rng = timezone.now(), np.random.default_rng(seed)
    added = add_proposed(study=study, arms=arms, note=note, by=by, waiting=waiting, chance=Random(seed), **details)
    taken_out = leave_loads(study, waiting, by=by, reason=note) if takes_out_rest and added.given else []
    controls: list[Coupon] = []
    load = None
    if makes_load and added.made:
        wanted = controls_of(study) if has_controls else []
        controls = make_coupons(study, wanted, note=note, by=by)
        travelling = [*added.made, *controls]
        places = rng.permutation(len(travelling)) + 1
        planned = [PlannedCoupon("test", {}, 0, int(place_number), None) for place_number in places]
        (load,) = place(study, planned, travelling, by=by, reason=note)
    plan = Allocation.Plan.SEQUENTIAL
    allocation = keep(
        Allocation(study=study, plan=plan, title=title, seed=seed, made_by=by, made_at=made_at), by=by, reason=note
    )
    repaired = [c for c in (*added.given, *added.made, *controls) if c.role in {"test", "reference"}]
    order = turns(study, repaired, rng)
    rows = [
        AllocatedCoupon(allocation=allocation, coupon=coupon, repair_order=order.get(coupon.pk))
        for coupon in (*repaired, *(control for control in controls if control not in repaired))
        if not AllocatedCoupon.objects.filter(coupon=coupon).exists()
    ]
    bulk_create_with_history(rows, AllocatedCoupon, default_user=by, default_change_reason=note)
    return PutUp(allocation, added, controls, load, taken_out)


def leave_loads(study: Study, waiting: Sequence[Coupon], *, by: Any, reason: str) -> list[Coupon]:
    """Take those that still have no levels out of loads that have not set out."""
    rest = list(
        without_levels(study).filter(
            pk__in=[coupon.pk for coupon in waiting], load_place__load__state=Load.State.PLANNED
        )
    )
    for row in LoadPlace.objects.filter(coupon__in=rest):
        remove(row, by=by, reason=reason)
    return rest


def controls_of(study: Study) -> list[PlannedCoupon]:
    """The controls that the study's plan sends with every load."""
    settings = settings_of(study)
    reference: Mapping[str, LevelValue] = {
        factor.name: level_value(level)
        for factor in factors_with_levels(study)
        for level in factor.levels.all()
        if level.is_reference
    }
    counts = {
        "reference": settings.reference_per_load,
        "unrepaired": settings.unrepaired_per_load,
        "pristine": settings.pristine_per_load,
    }
    return [
        PlannedCoupon(role, reference if role == "reference" else {}, 0, 0, None)
        for role, count in counts.items()
        for _ in range(count)
    ]


def turns(study: Study, coupons: Sequence[Coupon], rng: np.random.Generator) -> dict[int, int]:
    """Coupon -> its turn at the repair bench, from 1: random, level after level of what is hard to change."""
    hard = [factor.pk for factor in factors_with_levels(study) if factor.is_hard_to_change]
    carried = {
        (row.coupon_id, row.factor_id): row.level_id
        for row in CouponLevel.objects.filter(coupon__in=coupons, factor__in=hard)
    }
    codes = np.array([[carried.get((coupon.pk, factor), 0) for factor in hard] for coupon in coupons], dtype=np.int64)
    codes = codes.reshape(len(coupons), len(hard))
    for column in range(len(hard)):
        codes[:, column] = np.unique(codes[:, column], return_inverse=True)[1].ravel()
    drawn = allocate(codes, places=max(len(coupons), 1), rng=rng, hard=tuple(range(len(hard))))
    return {coupon.pk: int(turn) + 1 for coupon, turn in zip(coupons, drawn.turn, strict=True)}
