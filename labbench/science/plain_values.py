"""Values as the JSON document holds them: plain numbers and texts, never a NaN, an infinity or a library's type."""

from __future__ import annotations

import math
from typing import Any

from labbench.science.intervals import Interval
from labbench.science.sheet import Level

Document = dict[str, Any]


def limits(interval: Interval) -> Document:
    return {"low": number(interval.low), "high": number(interval.high)}


def plain_level(level: Level) -> Level:
    """The level; a number that JSON has no notation for as text."""
    return str(level) if isinstance(level, float) and not math.isfinite(level) else level


def number(value: float | None) -> float | int | None:
    """A plain number; whole degrees of freedom as such."""
    if value is None:
        return None
    return int(value) if isinstance(value, int) else float(value)
