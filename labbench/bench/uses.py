"""Where records of the catalogue were used at the bench."""

from __future__ import annotations

from typing import Any

from django.db.models import Case, Count, Max, Min, Q, QuerySet, Value, When

from labbench.bench.models import Booking, Repair
from labbench.lab.models import Chamber, ResinLot
from labbench.studies.models import Coupon


def repairs_by_study(**record: Any) -> QuerySet[Any, Any]:
    """Studies with how many repairs used the record (`resin_lot=...`, `procedure_version=...`), and from when to when.

    Not how they held: whoever inspects blind may read this.
    """
    repairs = Repair.objects.filter(**record).order_by()
    return (
        repairs.values("coupon__study__code", "coupon__study__title")
        .annotate(repairs=Count("pk"), first=Min("repaired_at"), last=Max("repaired_at"))
        .order_by("-last", "coupon__study__code")
    )


def repairs_with(lot: ResinLot) -> QuerySet[Repair]:
    """Repairs with a lot, as break or as pit resin, the latest first."""
    rows = Repair.objects.filter(Q(resin_lot=lot) | Q(pit_resin_lot=lot))
    return rows.select_related("coupon__study", "lamp").order_by("-repaired_at", "-pk")


def outcomes_by_study(lot: ResinLot, *, hidden: Q) -> QuerySet[Any, Any]:
    """Studies with how many repairs used the lot, and how their coupons stand; not of studies where `hidden` holds."""
    stages = Coupon.Stage
    return (
        Repair.objects.filter(Q(resin_lot=lot) | Q(pit_resin_lot=lot))
        .order_by()
        .values("coupon__study__code", "coupon__study__title")
        .annotate(
            repairs=Count("pk"),
            first=Min("repaired_at"),
            last=Max("repaired_at"),
            cracked_out=Count("pk", filter=Q(coupon__failed_round__isnull=False)),
            held=Count("pk", filter=Q(coupon__failed_round=None, coupon__stage__in=[stages.SURVIVED, stages.BROKEN])),
            is_hidden=Max(Case(When(hidden, then=Value(1)), default=Value(0))),
        )
        .order_by("-last", "coupon__study__code")
    )


def bookings_of_chamber(chamber: Chamber) -> QuerySet[Booking]:
    """What is or was in a chamber, the latest first."""
    return (
        Booking.objects.filter(chamber=chamber).select_related("load__study", "step").order_by("-planned_start", "-pk")
    )
