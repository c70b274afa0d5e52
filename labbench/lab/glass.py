"""Glass stock: stored, changed, counted."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction

from labbench.lab.models import GlassCount, GlassStock
from labbench.lab.records import change, keep, refuse_twice, remove


@transaction.atomic
def store_glass(*, glass: GlassStock, by: Any, reason: str = "") -> GlassStock:
    """Store new glass, or changed with the reason."""
    return change(glass, by=by, reason=reason)


@transaction.atomic
def count_glass(*, glass: GlassStock, by: Any, pieces_left: int, reason: str, counted_at: datetime) -> GlassCount:
    """Store how many pieces are left; coupons are counted from there on."""
    GlassStock.objects.select_for_update(no_key=True).get(pk=glass.pk)
    same = GlassCount.objects.filter(glass=glass, pieces_left=pieces_left, reason=reason, counted_by=by)
    refuse_twice(same, "counted_at", counted_at)
    row = GlassCount(glass=glass, pieces_left=pieces_left, reason=reason, counted_at=counted_at, counted_by=by)
    return keep(row, by=by)


@transaction.atomic
def take_out_count(count: GlassCount, *, by: Any, reason: str) -> None:
    """Take a mistaken count out; its history stays."""
    remove(count, by=by, reason=reason)
