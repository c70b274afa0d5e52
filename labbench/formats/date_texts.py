"""Dates and times as people read them, on pages, in reports, in deviations and refusals: no country reads them otherwise."""

from __future__ import annotations

from datetime import date, datetime

# Not %b: what is stored in a deviation must not change with the language of the machine.
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def day_text(day: date) -> str:
    """25 Nov 2026."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def moment_text(at: datetime) -> str:
    """25 Nov 2026, 14:05, in the zone that it is given in."""
    return f"{day_text(at)}, {at:%H:%M}"
