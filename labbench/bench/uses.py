"""Where records of the catalogue were used at the bench."""

from __future__ import annotations

from typing import Any

from django.db.models import Count, Max, Min, QuerySet

from labbench.bench.models import Booking, Repair
from labbench.lab.models import Chamber


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


def bookings_of_chamber(chamber: Chamber) -> QuerySet[Booking]:
    """What is or was in a chamber, the latest first."""
    return (
        Booking.objects.filter(chamber=chamber).select_related("load__study", "step").order_by("-planned_start", "-pk")
    )
