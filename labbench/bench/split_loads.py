"""A coupon that was found in another chamber than its load: recorded as its deviation, and mended."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models, transaction

from labbench.bench.booking_changes import hold_loads
from labbench.bench.loads import GONE, MadeAlready, possible
from labbench.bench.models import Booking, Deviation, Load, LoadPlace
from labbench.bench.places import place_coupons
from labbench.bench.reallocation import watched
from labbench.bench.refusals import refuse_closed, refuse_withdrawn
from labbench.bench.services import locked, record_deviation, when
from labbench.bench.soak_watch import place_in_profile
from labbench.lab.models import Chamber
from labbench.studies.models import Coupon, Study


class Mend(models.TextChoices):
    BACK = "back", "it goes back to its load"
    WITH = "with", "it goes on with the load it was found with"


@transaction.atomic
def record_split(
    *,
    coupon: Coupon,
    chamber: Chamber,
    by: Any,
    found_at: datetime,
    mend: str,
    companion: Load | None = None,
    note: str = "",
) -> Deviation:
    """Keep where a coupon was found, as a deviation of its soak, and put it right.

    With `Mend.WITH` it changes to `companion`, a load of the same study that is in that chamber; the change of a locked allocation is
    a deviation besides. ValidationError where the coupon does not travel, or its load is in that very chamber; `MadeAlready` if
    the same comes twice.
    """
    found_at = possible(found_at)
    Study.objects.select_for_update(no_key=True).get(pk=coupon.study_id)
    coupon = locked(coupon)
    refuse_closed(coupon.study)
    refuse_withdrawn(coupon)
    place = LoadPlace.objects.filter(coupon=coupon).select_related("load").first()
    if place is None or coupon.stage in GONE:
        raise ValidationError(f"Coupon {coupon.code} does not travel in a load.")
    hold_loads([place.load_id, *([companion.pk] if companion else [])])
    load = place.load
    if companion is not None and load.pk == companion.pk:
        raise MadeAlready(f"Coupon {coupon.code} travels in {load.name} already; nothing is stored twice.")
    home = booking_at(load, found_at)
    if home is not None and home.chamber_id == chamber.pk:
        raise ValidationError(
            f"{load.name} was in {chamber} itself at {when(found_at)}; coupon {coupon.code} was in its place."
        )
    words = f"Coupon {coupon.code} of {load.name} was found in {chamber} at {when(found_at)}"
    if home is None:
        words += f"; {load.name} was in no chamber."
    else:
        assert home.started_at is not None  # by the query
        words += f"; {load.name} was in {home.chamber} ({place_in_profile(home)}, since {when(home.started_at)})."
    if mend == Mend.WITH:
        if companion is None or companion.study_id != coupon.study_id:
            raise ValidationError(f"Choose a load of {coupon.study.code} that the coupon was found with.")
        there = booking_at(companion, found_at)
        if there is None or there.chamber_id != chamber.pk:
            raise ValidationError(f"{companion.name} was not in {chamber} at {when(found_at)}.")
        with watched([coupon], by=by, reason=note or words):
            place_coupons(load=companion, coupons=[coupon], by=by, reason=f"found with {companion.name}")
        words += f" It goes on with {companion.name}."
    else:
        words += " It went back to its load."
    try:
        return record_deviation(
            study=coupon.study,
            by=by,
            kind=Deviation.Kind.SOAK,
            happened_at=found_at,
            description=words,
            coupon=coupon,
            reason=note.strip(),
        )
    except ValidationError as refused:
        raise MadeAlready(refused.messages) from refused


def booking_at(load: Load, at: datetime) -> Booking | None:
    """Where the load was at this time."""
    rows = load.bookings.filter(started_at__lte=at).filter(models.Q(ended_at=None) | models.Q(ended_at__gt=at))
    return rows.select_related("chamber", "step").first()
