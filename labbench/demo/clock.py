"""The scenario's clock: while it is set, whatever asks Django for the time is told the scenario's."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

from django.utils import timezone


class Clock:
    """A time that is set by hand."""

    def __init__(self, at: datetime) -> None:
        self.at = at

    def now(self) -> datetime:
        return self.at


@contextmanager
def scenario_clock(start: datetime) -> Iterator[Clock]:
    """Histories, creation times and "today" come from the clock inside this block.

    Only for a process that does nothing else meanwhile: the demo loads before it serves.
    """
    clock, before = Clock(start), timezone.now
    timezone.now = clock.now
    try:
        yield clock
    finally:
        timezone.now = before


def lab_time(text: str) -> datetime:
    """A time of the fixtures, read as the lab's own time."""
    return timezone.make_aware(datetime.fromisoformat(text))
