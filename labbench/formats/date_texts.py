"""Dates and times as people read them, on pages, in reports, in deviations and refusals: no country reads them otherwise."""

from __future__ import annotations

from datetime import date, datetime

# Not %b: what is stored in a deviation must not change with the language of the machine.
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def day_text(day: date) -> str:
    """25 Nov 2026."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def clock_text(at: datetime) -> str:
    """14:05; in the hour that comes twice when summer time ends 02:30 (UTC+2), so that the two can be told apart."""
    first, second = at.replace(fold=0).utcoffset(), at.replace(fold=1).utcoffset()
    # Where the later reading has the smaller offset the hour comes twice; the other way round it does not exist.
    if first is None or second is None or first <= second:
        return f"{at:%H:%M}"
    return f"{at:%H:%M} ({offset_text(at)})"


def offset_text(at: datetime) -> str:
    """UTC+2, UTC+5:30, UTC−3."""
    offset = at.utcoffset()
    minutes = int(offset.total_seconds()) // 60 if offset else 0
    hours, rest = divmod(abs(minutes), 60)
    return f"UTC{'−' if minutes < 0 else '+'}{hours}{f':{rest:02d}' if rest else ''}"


def moment_text(at: datetime) -> str:
    """25 Nov 2026, 14:05, in the zone that it is given in."""
    return f"{day_text(at)}, {clock_text(at)}"
