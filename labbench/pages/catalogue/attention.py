"""What of the catalogue is expired, overdue, or will be within 30 days, as sentences with a way there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType
from typing import Any

from django.urls import reverse

from labbench.bench.stock import Stock
from labbench.formats.number_texts import number_text, with_unit
from labbench.lab.due import Due
from labbench.lab.lamp_lives import Fading
from labbench.lab.models import GlassStock
from labbench.lab.queries import ChamberRow, LampRow, MeterRow
from labbench.pages.lamps.life import soon_words


@dataclass(frozen=True, slots=True)
class Attention:
    """One thing that needs attention: its name and where to find it, what is the matter, and since or until when."""

    name: str
    address: str
    what: str
    last_day: date | None
    is_overdue: bool


def attention(
    *,
    resins: Any,
    lamps: list[LampRow],
    meters: list[MeterRow],
    chambers: list[ChamberRow],
    glass: Sequence[GlassStock] = (),
    procedures: Any = (),
    lot_stocks: Mapping[int, Stock] = MappingProxyType({}),
    glass_stocks: Mapping[int, Stock] = MappingProxyType({}),
    fading: Mapping[int, Fading] = MappingProxyType({}),
    **_: Any,
) -> list[Attention]:
    """The overdue first, then by day; then what has no day."""
    found = [*stock_rows(resins, glass, lot_stocks, glass_stocks), *draft_rows(procedures), *fading_rows(fading)]
    for resin, lots in resins:
        for row in lots:
            there = reverse("resin-lot", args=[row.lot.pk])
            found.append((f"{resin.name} lot {row.lot.code}", there, row.due, "expired", "expires"))
    for lamp in lamps:
        there = reverse("lamp", args=[lamp.lamp.pk])
        found.append((f"Lamp {lamp.lamp.code}", there, lamp.due, "survey too old since", "survey good until"))
        if lamp.survey is None and lamp.lamp.retired_on is None:
            found.append((f"Lamp {lamp.lamp.code}", there, Due("overdue", None), "never surveyed", ""))
    for meter in meters:
        there = reverse("meter", args=[meter.meter.pk])
        found.append((f"Meter {meter.meter.code}", there, meter.due, "calibration was due", "calibration due"))
        if meter.calibration is None and meter.meter.retired_on is None:
            found.append((f"Meter {meter.meter.code}", there, Due("overdue", None), "never calibrated", ""))
    for chamber in chambers:
        there = reverse("chamber", args=[chamber.chamber.pk])
        found.append((f"Chamber {chamber.chamber.code}", there, chamber.due, "calibration was due", "calibration due"))
    rows = [
        Attention(name, there, past if state.state == "overdue" else soon, state.last_day, state.state == "overdue")
        for name, there, state, past, soon in found
        if state.needs_attention
    ]
    return sorted(rows, key=lambda row: (not row.is_overdue, row.last_day or date.min, row.name))


Row = tuple[str, str, Due, str, str]
OVERDUE, SOON = Due("overdue", None), Due("soon", None)


def stock_rows(
    resins: Any, glass: Sequence[GlassStock], lot_stocks: Mapping[int, Stock], glass_stocks: Mapping[int, Stock]
) -> list[Row]:
    """Lots and glass of which too little is left."""
    found: list[Row] = []
    for resin, lots in resins:
        for row in lots:
            stock = lot_stocks.get(row.lot.pk)
            if stock is not None and stock.is_low and resin.retired_on is None:
                there = reverse("resin-lot", args=[row.lot.pk]) + "#stock"
                found.append((f"{resin.name} lot {row.lot.code}", there, *low(stock, "ml")))
    for one in glass:
        stock = glass_stocks.get(one.pk)
        if stock is not None and stock.is_low and one.retired_on is None:
            found.append((f"Glass {one.code}", reverse("glass", args=[one.pk]) + "#stock", *low(stock, "pieces")))
    return found


def low(stock: Stock, unit: str) -> tuple[Due, str, str]:
    if not stock.left:
        return (OVERDUE, "none left", "")
    return (SOON, "", f"low stock, {with_unit(number_text(stock.left), unit)} left")


def draft_rows(procedures: Any) -> list[Row]:
    """Versions that wait for approval."""
    return [
        (
            f"{row.code} version {version.number}",
            reverse("procedure-version", args=[version.pk]),
            SOON,
            "",
            "waits for approval",
        )
        for row in procedures
        for version in row.versions.all()
        if version.is_draft
    ]


def fading_rows(fading: Mapping[int, Fading]) -> list[Row]:
    """Lamps that are too dim, or will be within the hours of notice."""
    return [
        (
            f"Lamp {one.lamp.code}",
            reverse("lamp", args=[one.lamp.pk]) + "#life",
            OVERDUE if one.is_below else SOON,
            soon_words(one),
            soon_words(one),
        )
        for one in fading.values()
        if one.is_near
    ]
