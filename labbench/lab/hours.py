"""When people are there: spans of real time from the lab's hours, laid out by its own clock day by day; keeping those hours.

A day on which the clocks change is 23 or 25 hours long, and its staffed hours lie where the clock on the wall says. Spans are
therefore made of points in time, never of minutes counted from midnight.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from labbench.lab.models import ExtraHours, Holiday, StaffedWindow
from labbench.lab.models.hours import DAY_MINUTES
from labbench.lab.records import keep, remove

Span = tuple[datetime, datetime]


@dataclass(frozen=True, slots=True)
class Hours:
    """The lab's hours as they stand; without any window people are there at any time but on holidays."""

    windows: tuple[StaffedWindow, ...]
    holidays: tuple[Holiday, ...]
    extra: tuple[ExtraHours, ...]

    @property
    def is_always(self) -> bool:
        """Whether no hours are recorded: then every minute counts as staffed, but for holidays."""
        return not self.windows

    def holiday_on(self, day: date) -> Holiday | None:
        """The holiday that a day belongs to."""
        return next((one for one in self.holidays if one.first_on <= day <= one.last_on), None)

    def spans(self, first: datetime, last: datetime) -> list[Span]:
        """Staffed spans between two points in time, ascending and never touching; both ends of a span are staffed."""
        found: list[Span] = []
        for start, end in sorted(self._pieces(first, last)):
            if found and start <= found[-1][1]:
                found[-1] = (found[-1][0], max(found[-1][1], end))
            else:
                found.append((start, end))
        return [(max(start, first), min(end, last)) for start, end in found if end >= first and start <= last]

    def _pieces(self, first: datetime, last: datetime) -> Iterator[Span]:
        day, until = timezone.localtime(first).date() - timedelta(days=1), timezone.localtime(last).date()
        extra: dict[date, list[ExtraHours]] = {}
        for one in self.extra:
            extra.setdefault(one.day, []).append(one)
        while day <= until:
            if self.holiday_on(day) is None:
                if self.is_always:
                    yield at_clock(day, 0), at_clock(day, DAY_MINUTES)
                for window in self.windows:
                    if window.weekday == day.weekday():
                        yield at_clock(day, window.from_minutes), at_clock(day, window.to_minutes)
            for one in extra.get(day, ()):
                yield at_clock(day, one.from_minutes), at_clock(day, one.to_minutes)
            day += timedelta(days=1)


def at_clock(day: date, minutes: int) -> datetime:
    """The point in time at which the lab's clock shows so many minutes after midnight; 24:00 is the next midnight.

    In the hour that comes twice it is the first one; an hour that is left out is read as the hour after.
    """
    days, rest = divmod(minutes, DAY_MINUTES)
    wall = datetime.combine(day + timedelta(days=days), time(rest // 60, rest % 60))
    return wall.replace(tzinfo=timezone.get_default_timezone()).astimezone(UTC)


def hours() -> Hours:
    """The lab's hours, in three queries."""
    return Hours(
        tuple(StaffedWindow.objects.all()), tuple(Holiday.objects.all()), tuple(ExtraHours.objects.order_by("day"))
    )


def is_staffed(spans: Sequence[Span], at: datetime) -> bool:
    """Whether people are there, by ascending spans; both ends of a span count."""
    place = bisect_right(spans, at, key=lambda span: span[0])
    return place > 0 and at <= spans[place - 1][1]


@transaction.atomic
def set_weekday(*, weekday: int, windows: Sequence[tuple[int, int]], by: Any) -> None:
    """Replace the hours of a weekday. ValidationError if two windows overlap or one ends before it begins."""
    ordered = sorted(windows)
    for start, end in ordered:
        if not 0 <= start < end <= DAY_MINUTES:
            raise ValidationError("Hours begin before they end, within one day.")
    for before, after in pairwise(ordered):
        if after[0] <= before[1]:
            raise ValidationError("Two hours of one day overlap or touch; make them one.")
    present = {(row.from_minutes, row.to_minutes): row for row in StaffedWindow.objects.filter(weekday=weekday)}
    for pair, row in present.items():
        if pair not in ordered:
            remove(row, by=by, reason="hours changed")
    for start, end in ordered:
        if (start, end) not in present:
            keep(StaffedWindow(weekday=weekday, from_minutes=start, to_minutes=end), by=by)


@transaction.atomic
def add_holiday(*, first_on: date, last_on: date, name: str, by: Any) -> Holiday:
    """Record days without staff. ValidationError if a day of them is one already."""
    clash = Holiday.objects.filter(first_on__lte=last_on, last_on__gte=first_on).first()
    if clash is not None:
        raise ValidationError(f"{clash} is among these days already.")
    return keep(Holiday(first_on=first_on, last_on=last_on, name=name), by=by)


@transaction.atomic
def add_extra_hours(*, day: date, from_minutes: int, to_minutes: int, note: str, by: Any) -> ExtraHours:
    """Record hours beside those of the weekday."""
    return keep(ExtraHours(day=day, from_minutes=from_minutes, to_minutes=to_minutes, note=note), by=by)
