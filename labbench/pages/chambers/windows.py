"""Which part of the time the chambers are shown for, out of the address: a day to a fortnight, or all that is booked."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any
from urllib.parse import urlencode

from django import forms
from django.utils import timezone

from labbench.formats.date_texts import day_text
from labbench.lab.hours import at_clock
from labbench.studies.models import Study

DAYS = {"day": 1, "3days": 3, "week": 7, "fortnight": 14}
LABELS = {"day": "1 day", "3days": "3 days", "week": "1 week", "fortnight": "2 weeks", "all": "all that is booked"}
MOST_DAYS = 200


@dataclass(frozen=True, slots=True)
class Window:
    """A part of the time, whole days by the lab's clock, and whose bookings stand out in it."""

    zoom: str
    first: date
    days: int
    study: Study | None = None

    @property
    def start(self) -> datetime:
        return at_clock(self.first, 0)

    @property
    def end(self) -> datetime:
        return at_clock(self.first + timedelta(days=self.days), 0)

    @property
    def words(self) -> str:
        last = self.first + timedelta(days=self.days - 1)
        if self.days == 1:
            return f"{self.first:%A} {day_text(self.first)}"
        return f"{day_text(self.first)} to {day_text(last)}"

    @property
    def query(self) -> str:
        """The window as it stands in an address."""
        return self.query_of(self.zoom, self.first)

    def query_of(self, zoom: str, first: date) -> str:
        wanted = {"zoom": zoom, "on": first.isoformat()}
        if self.study is not None:
            wanted["study"] = str(self.study.pk)
        return urlencode(wanted)

    @property
    def earlier(self) -> str:
        return self.query_of(self.zoom, self.first - timedelta(days=self.days))

    @property
    def later(self) -> str:
        return self.query_of(self.zoom, self.first + timedelta(days=self.days))

    @property
    def today(self) -> str:
        return self.query_of(self.zoom, timezone.localdate())

    @property
    def zooms(self) -> list[tuple[str, str, bool]]:
        """Address, label and whether it is this one, of every zoom."""
        return [(self.query_of(zoom, self.first), label, zoom == self.zoom) for zoom, label in LABELS.items()]


class WindowForm(forms.Form):
    """What the address says; whatever can't be read there is as if it was not there."""

    zoom = forms.ChoiceField(choices=list(LABELS.items()), required=False, widget=forms.HiddenInput)
    on = forms.DateField(
        label="from day", required=False, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")
    )
    study = forms.ModelChoiceField(
        label="study that stands out",
        queryset=Study.objects.exclude(state=Study.State.CLOSED).order_by("code"),
        required=False,
        empty_label="all alike",
        blank=True,
    )


def window_of(given: Any, *, last_end: datetime | None, first_start: datetime | None) -> Window:
    """The window that an address asks for; all that is booked reaches from the first booking to the last."""
    form = WindowForm(given)
    form.is_valid()
    wanted = getattr(form, "cleaned_data", {})
    zoom = wanted.get("zoom") or "week"
    today = timezone.localdate()
    window = Window(zoom, wanted.get("on") or today, DAYS.get(zoom, 7), wanted.get("study"))
    if not date(1990, 1, 2) <= window.first <= date(2190, 1, 1):
        window = replace(window, first=today)
    if zoom == "all" and first_start is not None and last_end is not None:
        first = timezone.localtime(first_start).date()
        days = (timezone.localtime(last_end).date() - first).days + 1
        window = replace(window, first=first, days=min(max(days, 1), MOST_DAYS))
    return window
