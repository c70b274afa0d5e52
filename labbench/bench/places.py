"""Which load coupons travel in, many at a time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Max
from django.utils import timezone
from simple_history.utils import bulk_create_with_history, bulk_update_with_history

from labbench.bench.booking_rules import broken_rules
from labbench.bench.chamber_book import chamber_book
from labbench.bench.models import Load, LoadPlace
from labbench.bench.reallocation import refuse_locked
from labbench.formats.number_texts import number_text
from labbench.lab.records import keep, remove
from labbench.studies.models import Coupon, Study

BATCH = 500


@transaction.atomic
def put_up_load(
    *, study: Study, name: str, coupons: Sequence[Coupon], by: Any, moves_allowed: bool = False, **details: Any
) -> Load:
    """A new load with coupons in it, places in the order given.

    ValidationError, with nothing stored, if one travels in a load already and `moves_allowed` is not set, or its allocation
    is locked.
    """
    Study.objects.select_for_update(no_key=True).get(pk=study.pk)
    load = keep(Load(study=study, name=name, **details), by=by)
    if not moves_allowed and (taken := list(travelling(coupons))):
        raise ValidationError(
            {
                "codes": f"{len(taken)} of these coupons travel in a load already, e.g. "
                + ", ".join(f"{place.coupon.code} in {place.load.name}" for place in taken[:5])
            }
        )
    refuse_locked([place.coupon for place in travelling(coupons)])
    place_coupons(load=load, coupons=coupons, by=by)
    return load


def refuse_more_than_places(load: Load) -> None:
    """ValidationError where a chamber that the load is in, or booked into, can't hold what travels in it now.

    To be asked after its coupons have changed, in the same transaction, with the chambers held.
    """
    book = chamber_book(now=timezone.now())
    way = book.ways.get(load.pk)
    ahead = [booking for booking in way.bookings if booking.ended_at is None] if way is not None else []
    full = [
        one for _, broken in broken_rules(book, ahead, [], is_new=False) for one in broken if one.rule == "capacity"
    ]
    if full:
        more = f", and {len(full) - 1} more of its bookings are too full" if len(full) > 1 else ""
        raise ValidationError(
            {"load": f"{full[0].words}{more}. Book {load.name} elsewhere first, or put the coupons into another load."}
        )


def travelling(coupons: Sequence[Coupon]) -> Any:
    """The places that these coupons have."""
    return LoadPlace.objects.filter(coupon__in=[coupon.pk for coupon in coupons]).select_related("coupon", "load")


@transaction.atomic
def place_coupons(*, load: Load | None, coupons: Sequence[Coupon], by: Any, reason: str = "") -> int:
    """Put coupons into a load behind those that are there (None: into no load); gives how many changed.

    ValidationError if a coupon or the load belongs to another study.
    """
    if load is not None and any(coupon.study_id != load.study_id for coupon in coupons):
        raise ValidationError(f"{load.name} belongs to another study.")
    present = {place.coupon_id: place for place in travelling(coupons)}
    if load is None:
        for place in present.values():
            remove(place, by=by, reason=reason or "travels in no load")
        return len(present)
    last = LoadPlace.objects.filter(load=load).aggregate(last=Max("place"))["last"] or 0
    moved, new = [], []
    for coupon in coupons:
        place = present.get(coupon.pk)
        if place is not None and place.load_id == load.pk:
            continue
        last += 1
        if place is None:
            new.append(LoadPlace(load=load, coupon=coupon, place=last))
        else:
            place.load, place.place = load, last
            moved.append(place)
    if last > 32_767:
        raise ValidationError(f"{load.name} would hold {number_text(last)} coupons.")
    bulk_update_with_history(
        moved, LoadPlace, ["load", "place"], batch_size=BATCH, default_user=by, default_change_reason=reason
    )
    bulk_create_with_history(new, LoadPlace, batch_size=BATCH, default_user=by, default_change_reason=reason)
    return len(moved) + len(new)
