"""What is left of resin lots and glass: what was received or last counted, minus what the bench used since."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Count, F, OuterRef, Q, QuerySet, Subquery

from labbench.bench.models import Repair
from labbench.lab.models import GlassCount, GlassStock, LotCount, ResinLot
from labbench.studies.models import Coupon

ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Stock:
    """What is left of a lot or of glass.

    Attributes
    ----------
    left : float or None
        In ml or pieces; never below 0. None where it can not be said.
    used : int
        Repairs or coupons since the last count, or since it was received.
    overdrawn : float
        By how much more was used than was there; 0 where the numbers agree.
    counted_at : datetime or None
    is_low : bool
        Less left than the lab wants to have, or nothing at all.
    reason : str
        Why `left` is not known; "" else.
    """

    left: float | None
    used: int
    overdrawn: float
    counted_at: datetime | None
    is_low: bool
    reason: str


def lot_stock(lot: ResinLot) -> Stock:
    return lot_stocks([lot])[lot.pk]


def lot_stocks(lots: Sequence[ResinLot]) -> dict[int, Stock]:
    """What is left of lots (with their resin at hand), in three queries."""
    counts = last_counts(LotCount.objects.filter(lot__in=lots), "lot_id")
    used: dict[int, int] = dict.fromkeys((lot.pk for lot in lots), 0)
    for name in ("resin_lot", "pit_resin_lot"):
        last = LotCount.objects.filter(lot=OuterRef(name)).order_by("-counted_at").values("counted_at")[:1]
        rows = Repair.objects.filter(**{f"{name}__in": lots}).order_by().annotate(last_count=Subquery(last))
        since = rows.filter(Q(last_count=None) | Q(repaired_at__gt=F("last_count")))
        for lot_id, repairs in since.values_list(name).annotate(Count("pk")):
            used[lot_id] += repairs
    return {lot.pk: stock_of_lot(lot, counts.get(lot.pk), used[lot.pk]) for lot in lots}


def stock_of_lot(lot: ResinLot, count: LotCount | None, repairs: int) -> Stock:
    begun = count.left_ml if count else lot.quantity_ml
    counted_at = count.counted_at if count else None
    if begun is None:
        return Stock(None, repairs, 0.0, counted_at, False, "neither what was received nor what is left is recorded")
    per_repair = lot.resin.use_per_repair_ml
    if per_repair is None and repairs:
        return Stock(None, repairs, 0.0, counted_at, False, "how much a repair takes is not recorded with the resin")
    return remainder(begun, repairs * (per_repair or 0.0), repairs, counted_at, lot.resin.low_stock_ml)


def glass_stocks(rows: Sequence[GlassStock]) -> dict[int, Stock]:
    """What is left of glass, in two queries."""
    counts = last_counts(GlassCount.objects.filter(glass__in=rows), "glass_id")
    last = GlassCount.objects.filter(glass=OuterRef("glass")).order_by("-counted_at").values("counted_at")[:1]
    coupons = Coupon.objects.filter(glass__in=rows).order_by().annotate(last_count=Subquery(last))
    since = coupons.filter(Q(last_count=None) | Q(created_at__gt=F("last_count")))
    used = dict(since.values_list("glass").annotate(Count("pk")))
    return {row.pk: stock_of_glass(row, counts.get(row.pk), used.get(row.pk, 0)) for row in rows}


def glass_stock(glass: GlassStock) -> Stock:
    return glass_stocks([glass])[glass.pk]


def stock_of_glass(glass: GlassStock, count: GlassCount | None, coupons: int) -> Stock:
    begun = count.pieces_left if count else glass.pieces
    counted_at = count.counted_at if count else None
    if begun is None:
        return Stock(None, coupons, 0.0, counted_at, False, "neither what was received nor what is left is recorded")
    return remainder(begun, coupons, coupons, counted_at, glass.low_pieces)


def remainder(begun: float, taken: float, used: int, counted_at: datetime | None, low: float | None) -> Stock:
    rest = begun - taken
    # Three times 0.1 ml are not more than 0.3 ml: what only rounding of the sum makes is nothing.
    if abs(rest) <= ROUNDING * begun:
        rest = 0.0
    left = max(0.0, rest)
    return Stock(left, used, max(0.0, -rest), counted_at, left == 0 or (low is not None and left < low), "")


def last_counts(counts: QuerySet[Any], name: str) -> dict[int, Any]:
    """The newest count of each."""
    found: dict[int, Any] = {}
    for count in counts.order_by("counted_at"):
        found[getattr(count, name)] = count
    return found
