"""Forms of the chambers' pages."""

from __future__ import annotations

import re
from contextlib import suppress
from datetime import datetime
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone
from django.utils.dateparse import parse_datetime

from labbench.bench.models import Booking, Load
from labbench.lab.models import Chamber, StaffedWindow
from labbench.lab.models.hours import clock_text
from labbench.pages.local_times import WallClockField

# The dashes of a date are no offset.
AFTER_CLOCK = re.compile(r":\d\d\S*-\d")


def is_zoned(value: Any) -> bool:
    """Whether a text is a time with its offset."""
    return isinstance(value, str) and (value.endswith("Z") or "+" in value or AFTER_CLOCK.search(value) is not None)


class ZonedField(WallClockField):
    """A point in time to come: typed by the lab's clock, or with its offset as the drawing sends it."""

    def prepare_value(self, value: Any) -> Any:
        # A time that the drawing sent is shown again as it would be typed.
        if is_zoned(value) and not isinstance(self.widget, forms.HiddenInput):
            # A year at the end of all years has no time by another clock: it stays as it came.
            with suppress(ValueError, OverflowError):
                return super().prepare_value(parse_datetime(value) or value)
        return super().prepare_value(value)

    def to_python(self, value: Any) -> datetime | None:
        if is_zoned(value):
            try:
                at = parse_datetime(value)
            except ValueError:
                at = None
            if at is None or timezone.is_naive(at):
                raise ValidationError(f"“{value[:40]}” is not a time.")
        else:
            at = super().to_python(value)
        if at is not None and not 1990 <= at.year <= 2190:
            raise ValidationError("This time can’t be right: years from 1990 to 2190.")
        return at


class BookingForm(forms.Form):
    """One booking moved to another time or chamber."""

    chamber = forms.ModelChoiceField(queryset=Chamber.objects.none(), empty_label=None, required=False)
    start = ZonedField(required=False, label="goes in")
    end = ZonedField(required=False, label="comes out")
    follow = forms.BooleanField(
        required=False,
        label="carry the rest of the load along",
        help_text="The soak before it ends where this one begins; those after it are booked again, each as early as it finds a place.",
    )
    reason = forms.CharField(
        required=False,
        max_length=500,
        label="reason",
        help_text="Needed where a wish of the lab is broken on purpose, such as a move while nobody is there.",
    )
    seen_start = ZonedField(required=False)
    seen_end = ZonedField(required=False)

    def __init__(self, *args: Any, booking: Booking, chambers: list[Chamber], **extra: Any) -> None:
        initial = {
            "chamber": booking.chamber_id,
            "start": booking.planned_start,
            "end": booking.planned_end,
            "follow": True,
            "seen_start": booking.planned_start.isoformat(),
            "seen_end": booking.planned_end.isoformat(),
        }
        super().__init__(*args, **{**extra, "initial": initial})
        for name in ("seen_start", "seen_end"):
            self.fields[name].widget = forms.HiddenInput()
        field = self.fields["chamber"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = Chamber.objects.filter(pk__in=[one.pk for one in chambers])
        field.choices = [(one.pk, f"{one.code} ({one.get_kind_display()})") for one in chambers]  # type: ignore[assignment]
        if booking.started_at is not None:
            del self.fields["chamber"], self.fields["start"]


class PlanForm(forms.Form):
    """What a plan is asked for."""

    seconds = forms.TypedChoiceField(
        coerce=int,
        choices=[(10, "10 seconds"), (30, "half a minute"), (120, "2 minutes"), (600, "10 minutes")],
        initial=10,
        label="look for a better plan for",
    )
    keep = forms.BooleanField(
        required=False,
        initial=True,
        label="move as few present bookings as possible",
        help_text="Otherwise every booking that has not begun is planned afresh.",
    )
    loads = forms.ModelMultipleChoiceField(
        queryset=Load.objects.none(),
        required=False,
        label="only these loads",
        help_text="Leave empty: every load that still travels.",
    )
    reason = forms.CharField(required=False, max_length=500, label="why", help_text="Kept with the plan.")

    def __init__(self, *args: Any, loads: Any, **extra: Any) -> None:
        super().__init__(*args, **extra)
        field = self.fields["loads"]
        assert isinstance(field, forms.ModelMultipleChoiceField)
        field.queryset = loads
        field.label_from_instance = lambda obj: f"{obj.study.code} {obj.name}"  # type: ignore[method-assign]


class LoadTimesForm(forms.ModelForm):
    """When a load is ready, when it is due, how much it matters."""

    class Meta:
        model = Load
        fields = ("ready_at", "due_at", "priority")
        field_classes = {"ready_at": ZonedField, "due_at": ZonedField}
        labels = {"ready_at": "ready from", "due_at": "due by", "priority": "priority"}
        help_texts = {"priority": "1 to 9: a load of priority 2 counts twice in lateness and total time."}

    def __init__(self, *args: Any, **extra: Any) -> None:
        super().__init__(*args, **extra)
        field = self.fields["priority"]
        self.fields["priority"] = forms.IntegerField(
            min_value=1, max_value=9, label=field.label, help_text=field.help_text
        )

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        ready_at, due_at = given.get("ready_at"), given.get("due_at")
        if ready_at and due_at and due_at <= ready_at:
            self.add_error("due_at", "Due before it is ready.")
        return given


class ReasonForm(forms.Form):
    reason = forms.CharField(max_length=500, label="reason")


class BookLoadForm(forms.Form):
    """Book all soaks of a load by hand."""

    start = ZonedField(required=False, label="from", help_text="Leave empty: as early as it finds a place.")
    reason = forms.CharField(
        required=False, max_length=500, label="reason", help_text="Needed where a wish of the lab is broken on purpose."
    )


class ClockField(forms.Field):
    """A time of day as 07:30, in minutes after midnight; 24:00 is the end of the day."""

    widget = forms.TextInput

    def __init__(self, **extra: Any) -> None:
        super().__init__(**extra)
        self.widget.attrs |= {"maxlength": 5, "inputmode": "numeric", "autocomplete": "off", "placeholder": "07:30"}

    def prepare_value(self, value: Any) -> Any:
        return clock_text(value) if isinstance(value, int) else value

    def to_python(self, value: Any) -> Any:
        text = str(value or "").strip()[:20].replace(".", ":")
        if not text:
            return None
        hours, _, minutes = text.partition(":")
        if not (hours.isascii() and hours.isdigit()) or (minutes and not (minutes.isascii() and minutes.isdigit())):
            raise ValidationError(f"“{text}” is not a time of day; write it like 07:30.")
        total = int(hours) * 60 + int(minutes or 0)
        if int(minutes or 0) > 59 or total > 24 * 60:
            raise ValidationError(f"“{text}” is not a time of day; write it like 07:30, at most 24:00.")
        return total


class WeekForm(forms.Form):
    """Staffed hours of each weekday: up to two windows."""

    def __init__(self, *args: Any, windows: list[StaffedWindow], **extra: Any) -> None:
        of_day: dict[int, list[StaffedWindow]] = {}
        for window in windows:
            of_day.setdefault(window.weekday, []).append(window)
        initial: dict[str, Any] = {}
        names = []
        for weekday in StaffedWindow.Weekday.values:
            for place in range(max(2, len(of_day.get(weekday, [])))):
                names += [f"from_{weekday}_{place}", f"to_{weekday}_{place}"]
            for number, window in enumerate(of_day.get(weekday, [])):
                initial[f"from_{weekday}_{number}"] = window.from_minutes
                initial[f"to_{weekday}_{number}"] = window.to_minutes
        super().__init__(*args, **{**extra, "initial": initial})
        for name in names:
            end, day_number, place_number = name.split("_")
            day = StaffedWindow.Weekday(int(day_number)).label
            label = f"{day} {'again ' if place_number != '0' else ''}{end}"
            self.fields[name] = ClockField(required=False, label=label)

    def rows(self) -> list[tuple[str, list[forms.BoundField]]]:
        """Each weekday with its fields."""
        return [
            (label, [self[name] for name in self.fields if name.split("_")[1] == str(weekday)])
            for weekday, label in StaffedWindow.Weekday.choices
        ]

    def windows(self, weekday: int) -> list[tuple[int, int]]:
        given = self.cleaned_data
        pairs = [
            (given.get(name), given.get(name.replace("from", "to")))
            for name in self.fields
            if name.startswith(f"from_{weekday}_")
        ]
        return [(start, end) for start, end in pairs if start is not None and end is not None]

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        for name in self.fields:
            if not name.startswith("from_") or name in self.errors:
                continue
            start, end, other = given.get(name), given.get(name.replace("from", "to")), name.replace("from", "to")
            if other in self.errors:
                continue
            if (start is None) != (end is None):
                self.add_error(name if start is None else other, "Write both, or leave both empty.")
            elif start is not None and end is not None and start >= end:
                self.add_error(other, "It ends before it begins; hours over midnight are those of two days.")
        return given


class HolidayForm(forms.Form):
    """Days without staff."""

    first_on = forms.DateField(label="first day", widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))
    last_on = forms.DateField(
        label="last day", required=False, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text="Leave empty: one day.",
    )  # fmt: skip
    name = forms.CharField(max_length=80)

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        first, last = given.get("first_on"), given.get("last_on")
        if first is not None and last is not None and last < first:
            self.add_error("last_on", "The last day is before the first.")
        return given | {"last_on": last or first}


class ExtraHoursForm(forms.Form):
    """Hours of one day beside those of its weekday."""

    day = forms.DateField(widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))
    from_minutes = ClockField(label="from")
    to_minutes = ClockField(label="to")
    note = forms.CharField(max_length=80, required=False)

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        start, end = given.get("from_minutes"), given.get("to_minutes")
        if start is not None and end is not None and start >= end:
            self.add_error("to_minutes", "It ends before it begins.")
        return given
