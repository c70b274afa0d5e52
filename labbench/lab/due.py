"""Whether something that expires or falls due is good, soon due or overdue."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

SOON_DAYS = 30


@dataclass(frozen=True, slots=True)
class Due:
    """How a record stands on a day. `last_day` is the last day on which it is good; None where none is known."""

    state: Literal["good", "soon", "overdue", "unknown"]
    last_day: date | None

    @property
    def needs_attention(self) -> bool:
        return self.state in {"soon", "overdue"}


def due(last_day: date | None, *, today: date) -> Due:
    """Good up to and including `last_day`; soon from 30 days before."""
    if last_day is None:
        return Due("unknown", None)
    if last_day < today:
        return Due("overdue", last_day)
    return Due("soon" if (last_day - today).days <= SOON_DAYS else "good", last_day)
