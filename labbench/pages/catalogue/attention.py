"""What of the catalogue is expired, overdue, or will be within 30 days, as sentences with a way there."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from django.urls import reverse

from labbench.lab.due import Due
from labbench.lab.queries import ChamberRow, LampRow, MeterRow


@dataclass(frozen=True, slots=True)
class Attention:
    """One thing that needs attention: its name and where to find it, what is the matter, and since or until when."""

    name: str
    address: str
    what: str
    last_day: date | None
    is_overdue: bool


def attention(
    *, resins: Any, lamps: list[LampRow], meters: list[MeterRow], chambers: list[ChamberRow], **_: Any
) -> list[Attention]:
    """The overdue first, then by day."""
    found = []
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
        found.append((f"Meter {meter.meter.code}", "#meters", meter.due, "calibration was due", "calibration due"))
        if meter.calibration is None and meter.meter.retired_on is None:
            found.append((f"Meter {meter.meter.code}", "#meters", Due("overdue", None), "never calibrated", ""))
    for chamber in chambers:
        there = reverse("chamber", args=[chamber.chamber.pk])
        found.append((f"Chamber {chamber.chamber.code}", there, chamber.due, "calibration was due", "calibration due"))
    rows = [
        Attention(name, there, past if state.state == "overdue" else soon, state.last_day, state.state == "overdue")
        for name, there, state, past, soon in found
        if state.needs_attention
    ]
    return sorted(rows, key=lambda row: (not row.is_overdue, row.last_day or date.min, row.name))
