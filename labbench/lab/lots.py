"""Resins and their lots: stored, changed, counted, no longer used."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction

from labbench.lab.models import LotCount, Resin, ResinLot
from labbench.lab.records import change, keep, refuse_twice, remove


@transaction.atomic
def store_resin(*, resin: Resin, by: Any, reason: str = "") -> Resin:
    """Store a new resin, or a changed one with the reason."""
    return change(resin, by=by, reason=reason)


@transaction.atomic
def store_lot(*, lot: ResinLot, by: Any, reason: str = "") -> ResinLot:
    """Store a new lot, or a changed one with the reason."""
    return change(lot, by=by, reason=reason)


@transaction.atomic
def count_lot(*, lot: ResinLot, by: Any, left_ml: float, reason: str, counted_at: datetime) -> LotCount:
    """Store what is left of a lot; use is counted from there on."""
    ResinLot.objects.select_for_update(no_key=True).get(pk=lot.pk)
    same = LotCount.objects.filter(lot=lot, left_ml=left_ml, reason=reason, counted_by=by)
    refuse_twice(same, "counted_at", counted_at)
    return keep(LotCount(lot=lot, left_ml=left_ml, reason=reason, counted_at=counted_at, counted_by=by), by=by)


@transaction.atomic
def take_out_count(count: LotCount, *, by: Any, reason: str) -> None:
    """Take a mistaken count out; its history stays."""
    remove(count, by=by, reason=reason)
