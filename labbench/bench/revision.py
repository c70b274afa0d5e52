"""Changing a study and its coupons when the bench may have worked on them already: what was summed up follows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from labbench.bench.booking_changes import hold_chambers
from labbench.bench.models import Booking, Load, Repair
from labbench.bench.places import place_coupons, refuse_more_than_places
from labbench.bench.reallocation import watched
from labbench.bench.services import hold_coupons, withdraw
from labbench.bench.standing import settle
from labbench.formats.number_texts import number_text
from labbench.lab.records import broken_rule
from labbench.studies.models import Coupon, Factor, Level, Study
from labbench.studies.services import edit_coupons, save_study, set_level

# Each withdrawal is a deviation of its own, so that many at once are a mistake rather than a plan.
MOST_WITHDRAWN = 200
UNCHANGED = object()


@transaction.atomic
def revise_study(*, study: Study, by: Any, reason: str = "") -> Study:
    """Store a changed study; other rounds planned move its coupons to other stages.

    ValidationError if it is to close while a load of it is in a chamber: nobody could take it out there.
    """
    if study.state == Study.State.CLOSED:
        # So that nobody moves a load in meanwhile.
        hold_chambers()
    before = Study.objects.select_for_update(no_key=True).filter(pk=study.pk).first()
    if study.state == Study.State.CLOSED and (before is None or before.state != Study.State.CLOSED):
        refuse_with_loads_inside(study)
    saved = save_study(study=study, by=by, reason=reason)
    if before is not None and before.rounds_planned != saved.rounds_planned:
        settle(list(saved.coupons.values_list("pk", flat=True)))
    return saved


def refuse_with_loads_inside(study: Study) -> None:
    """ValidationError naming the loads of a study that are in a chamber."""
    rows = Booking.objects.filter(load__study=study.pk, started_at__isnull=False, ended_at=None)
    inside = [
        f"{row.load.name} is in {row.chamber}" for row in rows.select_related("load", "chamber").order_by("load__name")
    ]
    if inside:
        raise ValidationError(f"{', '.join(inside)}. Take out what is in a chamber, then close {study.code}.")


@transaction.atomic
def revise_coupons(
    *,
    study: Study,
    coupons: Sequence[Coupon],
    by: Any,
    reason: str,
    changes: Mapping[str, Any],
    levels: Mapping[Factor, Level | None],
    load: Load | object | None = UNCHANGED,
    withdrawn_on: date | None = None,
) -> int:
    """Change many coupons in one go, all or none; ValidationError names the coupon that refuses.

    Gives how many coupons were asked to change. `levels` gives each factor's new level, None for "not known". Levels, load or
    place of a coupon whose allocation is locked change with a deviation.
    """
    if not reason.strip():
        raise ValidationError({"reason": "Say why; the reason is kept with every coupon."})
    if withdrawn_on is not None and len(coupons) > MOST_WITHDRAWN:
        raise ValidationError(
            {
                "withdrawn_on": f"{number_text(len(coupons))} coupons at once: at most {MOST_WITHDRAWN} are withdrawn together."
            }
        )
    if isinstance(load, Load):
        # So that nobody books its chambers meanwhile.
        hold_chambers()
    Study.objects.select_for_update(no_key=True).get(pk=study.pk)
    hold_coupons(coupons)
    refuse_role(coupons, changes)
    try:
        with transaction.atomic(), watched(coupons, by=by, reason=reason):
            if changes:
                edit_coupons(coupons=coupons, changes=dict(changes), by=by, reason=reason)
            for factor, level in levels.items():
                set_level(coupons=coupons, factor=factor, level=level, by=by, reason=reason)
            if load is not UNCHANGED:
                place_coupons(load=load, coupons=coupons, by=by, reason=reason)  # type: ignore[arg-type]
                if isinstance(load, Load):
                    refuse_more_than_places(load)
    except IntegrityError as refused:
        raise ValidationError(broken_rule(refused)) from refused
    if withdrawn_on is not None:
        for coupon in coupons:
            withdraw(coupon=coupon, by=by, on=withdrawn_on, reason=reason)
    if "rounds_planned" in changes:
        settle([coupon.pk for coupon in coupons])
    return len(coupons)


def refuse_role(coupons: Sequence[Coupon], changes: Mapping[str, Any]) -> None:
    """ValidationError where a role or a break type contradicts what the coupon is."""
    role, break_type = changes.get("role"), changes.get("break_type")
    if role in {Coupon.Role.PRISTINE, Coupon.Role.UNREPAIRED}:
        repaired = Repair.objects.filter(coupon__in=[coupon.pk for coupon in coupons]).select_related("coupon").first()
        if repaired is not None:
            raise ValidationError(
                {"role": f"Coupon {repaired.coupon.code} was repaired; it can't be a pristine or unrepaired control."}
            )
    for coupon in coupons:
        if (role or coupon.role) == Coupon.Role.PRISTINE and (coupon.break_type if break_type is None else break_type):
            raise ValidationError(
                {"break_type": f"Coupon {coupon.code}: a pristine control has no break. Set the break type to none."}
            )
