"""A load on its way: set out, back, and the last step taken back. Each function is one transaction."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from labbench.bench.models import Booking, Load
from labbench.bench.progress import REPAIRED_ROLES
from labbench.bench.refusals import refuse_closed
from labbench.bench.rules import STARTED
from labbench.bench.services import UNDONE, when
from labbench.lab.records import keep
from labbench.studies.models import Coupon


class NotRepaired(ValidationError):
    """Coupons of a load that should be repaired before its rounds, and are not: `coupons`."""

    def __init__(self, load: Load, coupons: list[Coupon]) -> None:
        super().__init__(f"Not repaired yet in {load.name}: {', '.join(coupon.code for coupon in coupons)}.")
        self.coupons = coupons


class NotReady(ValidationError):
    """A load that starts before the time it is ready from."""

    def __init__(self, load: Load, ready_at: datetime) -> None:
        super().__init__(f"{load.name} is ready only from {when(ready_at)}.")


def not_repaired(load: Load) -> list[Coupon]:
    """Test coupons and reference repairs of a load that wait for their repair. One query."""
    rows = Coupon.objects.filter(
        load_place__load=load, role__in=REPAIRED_ROLES, stage=Coupon.Stage.PREPARED, withdrawn_on=None
    )
    return list(rows.order_by("load_place__place", "code"))


@transaction.atomic
def start_load(*, load: Load, by: Any, unrepaired: Collection[int] = (), is_early: bool = False) -> Load:
    """The load sets out on its rounds. ValidationError if it is under way, or has no coupon.

    Raises `NotReady` before the time it is ready from, unless somebody said that it may start early (`is_early`).
    Raises `NotRepaired` where coupons wait for their repair, unless all of them are in `unrepaired` (keys of coupons that
    somebody said may travel so); the load's history then names them.
    """
    load = Load.objects.select_for_update(of=("self",)).select_related("study").get(pk=load.pk)
    refuse_closed(load.study)
    if load.state != Load.State.PLANNED:
        raise ValidationError(f"{load.name} is {load.get_state_display()} already.")
    if not load.places.exists():
        raise ValidationError(f"{load.name} has no coupon yet.")
    lacking = not_repaired(load)
    if any(coupon.pk not in unrepaired for coupon in lacking):
        raise NotRepaired(load, lacking)
    reason = STARTED
    if load.ready_at is not None and load.ready_at > timezone.now():
        if not is_early:
            raise NotReady(load, load.ready_at)
        reason += f" before it was ready ({when(load.ready_at)})"
    if lacking:
        reason += f" with coupons that are not repaired: {', '.join(coupon.code for coupon in lacking)}"
    load.state = Load.State.RUNNING
    return keep(load, by=by, reason=reason)


@transaction.atomic
def move_in(*, booking: Booking, by: Any, at: datetime) -> Booking:
    """The load goes into the chamber of a booking. ValidationError if it is not under way, in there, or still elsewhere."""
    booking = held(booking)
    if booking.load.state != Load.State.RUNNING:
        raise ValidationError(f"{booking.load.name} is {booking.load.get_state_display()}; start it first.")
    if booking.started_at is not None:
        raise ValidationError(f"{booking.load.name} went into {booking.chamber} at {when(booking.started_at)} already.")
    elsewhere = booking.load.bookings.filter(started_at__isnull=False, ended_at=None).select_related("chamber").first()
    if elsewhere is not None:
        raise ValidationError(f"{booking.load.name} is still in {elsewhere.chamber}; take it out there first.")
    booking.started_at, booking.started_by = at, by
    return keep(booking, by=by)


@transaction.atomic
def move_out(*, booking: Booking, by: Any, at: datetime) -> Booking:
    """The load comes out of the chamber of a booking. ValidationError if it is not in there, or the time is before it went in."""
    booking = held(booking)
    if booking.started_at is None or booking.ended_at is not None:
        raise ValidationError(f"{booking.load.name} is not in {booking.chamber}.")
    if at <= booking.started_at:
        raise ValidationError({"at": f"It went in at {when(booking.started_at)}; it can't have come out before."})
    booking.ended_at, booking.ended_by = at, by
    return keep(booking, by=by)


@transaction.atomic
def undo_move(*, booking: Booking, by: Any) -> Booking:
    """Take back the last move of a booking. ValidationError if it has none."""
    booking = held(booking)
    if booking.ended_at is not None:
        booking.ended_at = booking.ended_by = None
    elif booking.started_at is not None:
        booking.started_at = booking.started_by = None
    else:
        raise ValidationError(f"{booking.load.name} has not been in {booking.chamber}.")
    return keep(booking, by=by, reason=UNDONE)


def held(booking: Booking) -> Booking:
    """The booking, its load's row held: of two people who move a load, one waits."""
    load = Load.objects.select_for_update(of=("self",)).select_related("study").get(pk=booking.load_id)
    refuse_closed(load.study)
    found = Booking.objects.select_related("chamber").get(pk=booking.pk)
    found.load = load
    return found


@transaction.atomic
def finish_load(*, load: Load, by: Any) -> Load:
    """The load has been through its rounds. ValidationError if it is not under way."""
    load = Load.objects.select_for_update(of=("self",)).get(pk=load.pk)
    if load.state != Load.State.RUNNING:
        raise ValidationError(f"{load.name} is {load.get_state_display()}; only a running load is finished.")
    load.state = Load.State.DONE
    return keep(load, by=by, reason="finished")


@transaction.atomic
def step_back_load(*, load: Load, by: Any) -> Load:
    """Take back the last start or finish of a load."""
    load = Load.objects.select_for_update(of=("self",)).get(pk=load.pk)
    if load.state == Load.State.PLANNED:
        raise ValidationError(f"{load.name} has not started.")
    load.state = Load.State.RUNNING if load.state == Load.State.DONE else Load.State.PLANNED
    return keep(load, by=by, reason=UNDONE)
