"""Times as the lab's clock shows them: the hour that comes twice and the one that never comes."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.dateparse import parse_datetime

from labbench.formats.date_texts import offset_text

SHOWN = "%Y-%m-%dT%H:%M"


class ComesTwice(ValidationError):
    """A local time of the hour that comes twice: `readings` are the two it may be."""

    def __init__(self, readings: tuple[datetime, datetime]) -> None:
        first, second = readings
        super().__init__(
            f"{first:%H:%M} came twice that night, when the clock went back: say whether it was the first time "
            f"({offset_text(first)}) or the second ({offset_text(second)})."
        )
        self.readings = readings


def in_the_labs_zone(at: datetime) -> datetime:
    """A time as the clock on the wall shows it, with its zone; `ComesTwice` or another ValidationError where that can't be said."""
    zone = timezone.get_current_timezone()
    first, second = at.replace(tzinfo=zone, fold=0), at.replace(tzinfo=zone, fold=1)
    before, after = first.utcoffset(), second.utcoffset()
    if before == after or before is None or after is None:
        return first
    if before > after:
        raise ComesTwice((first, second))
    raise ValidationError(
        f"{at:%H:%M} did not exist that night: the clock went forward over it. Look at the time again."
    )


class WallClockField(forms.DateTimeField):
    """A point in time by the lab's clock, or with its offset.

    What comes back as the form showed it is the stored time, also in the hour that comes twice. A new time in that hour is
    refused with the two ways to write it, and the field becomes one that takes them.
    """

    def __init__(self, **extra: Any) -> None:
        widget = forms.DateTimeInput(attrs={"type": "datetime-local"}, format=SHOWN)
        super().__init__(widget=widget, **extra)

    def _clean_bound_field(self, bf: forms.BoundField) -> Any:
        shown = bf.initial
        if isinstance(shown, datetime) and isinstance(bf.data, str) and timezone.is_aware(shown):
            local = timezone.localtime(shown)
            # Only where the clock alone does not say which it is; elsewhere what is typed counts, to the minute.
            if local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset() and bf.data.strip() in {
                local.strftime(SHOWN),
                local.strftime(f"{SHOWN}:%S"),
            }:
                return self.clean(shown)
        return super()._clean_bound_field(bf)  # type: ignore[misc]

    def to_python(self, value: Any) -> datetime | None:
        if isinstance(value, datetime) and timezone.is_aware(value):
            return value
        if isinstance(value, str):
            try:
                typed = parse_datetime(value.strip())
            except ValueError:
                typed = None
            if typed is not None and timezone.is_naive(typed):
                try:
                    return in_the_labs_zone(typed)
                except ComesTwice as fault:
                    # A picker of local times could not send an offset.
                    self.widget.attrs["type"] = "text"
                    first, second = (one.isoformat(timespec="minutes") for one in fault.readings)
                    raise ValidationError(
                        f"{typed:%H:%M} comes twice that night, when the clock goes back: write {first} for the first time, "
                        f"{second} for the second."
                    ) from fault
        return super().to_python(value)
