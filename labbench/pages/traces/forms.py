"""A logger's file that is handed in, what its columns are, and its clock."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django import forms
from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile

from labbench.bench.models import Load
from labbench.bench.traces import MOST_CLOCK_MINUTES
from labbench.formats.cell_text import cleaned, text_fault
from labbench.formats.faults import shown
from labbench.formats.logger_columns import ChannelColumn, ColumnMapping
from labbench.formats.logger_head import channel_name, coupon_of
from labbench.formats.logger_layout import LoggerLayout
from labbench.formats.tables import column_letters
from labbench.lab.models import Chamber
from labbench.pages.bench.fields import QuantityField
from labbench.science.soaks.traces import AIR

LONGEST_NAME = 60
LONG_TIME = re.compile(r"(?P<sign>[-−])?(?:(?P<days>\d{1,5})d)?(?:(?P<hours>\d{1,6})h)?(?:(?P<minutes>\d{1,8})min)?")
CLOCK_HELP = "Minutes, or like 30 d 2 h: added to its times; negative where it was ahead."
SHOWN_CELLS = 3
NOT_READ, TIME, DATE, CLOCK, IS_AIR, COUPON = "not_read", "time", "date", "clock", "air", "coupon"
USES = [
    (NOT_READ, "not read"),
    (TIME, "time (date and clock)"),
    (DATE, "date alone"),
    (CLOCK, "clock alone"),
    (IS_AIR, "air in the chamber"),
    (COUPON, "glass of a coupon"),
]
UNITS = [("", "choose"), ("degC", "°C"), ("degF", "°F")]


class ClockField(QuantityField):
    """Minutes, or days, hours and minutes as in −30 d 2 h 5 min: by how much a clock was behind."""

    def __init__(self, **extra: Any) -> None:
        super().__init__(
            label="logger’s clock behind the lab’s",
            unit="min",
            low=-MOST_CLOCK_MINUTES,
            high=MOST_CLOCK_MINUTES,
            **extra,
        )

    def to_python(self, value: Any) -> float | None:
        found = LONG_TIME.fullmatch(cleaned(str(value or "")).replace(" ", ""))
        if found is None or not (found["days"] or found["hours"]):
            return super().to_python(value)
        minutes = 1440 * int(found["days"] or 0) + 60 * int(found["hours"] or 0) + int(found["minutes"] or 0)
        return super().to_python(f"-{minutes}" if found["sign"] else str(minutes))


class TraceFileForm(forms.Form):
    """The file of one load's logger."""

    trace = forms.FileField(
        label="logger file",
        allow_empty_file=True,
        widget=forms.FileInput(attrs={"accept": ".csv,.txt,.tsv,.log,.dat"}),
        error_messages={"required": "Choose a file, or drop one into the field."},
    )

    def __init__(self, *args: Any, **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.fields[
            "trace"
        ].help_text = f"CSV as the logger writes it, in °C or °F, up to {settings.MAX_TRACE_BYTES // 2**20} MB. It is kept unchanged."

    def clean_trace(self) -> UploadedFile:
        file: UploadedFile = self.cleaned_data["trace"]
        if not file.size:
            raise ValidationError(f"{file.name} is empty: it has 0 bytes.")
        if file.size > settings.MAX_TRACE_BYTES:
            raise ValidationError(
                f"{file.name} has {file.size / 2**20:,.0f} MB; at most {settings.MAX_TRACE_BYTES // 2**20} MB are read."
            )
        return file


class LoadTraceForm(TraceFileForm):
    """The file of a logger that travelled with the load, or stayed in one of its chambers."""

    chamber = forms.ModelChoiceField(
        Chamber.objects.none(),
        label="the logger",
        required=False,
        empty_label="travelled with the load",
        help_text="A logger that stayed in one chamber shows only the steps there; when the load was in it is taken from the moves.",
    )

    def __init__(self, *args: Any, load: Load, **extra: Any) -> None:
        super().__init__(*args, **extra)
        field = self.fields["chamber"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = Chamber.objects.filter(bookings__load=load).distinct()
        field.label_from_instance = lambda obj: f"stayed in {obj}"  # type: ignore[method-assign]


class ChamberTraceForm(TraceFileForm):
    """The file of a logger that stayed in a chamber, for the loads that were in it."""

    loads = forms.ModelMultipleChoiceField(
        Load.objects.none(),
        label="loads that were in the chamber",
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "Choose at least one load."},
    )

    def __init__(self, *args: Any, loads: Any, **extra: Any) -> None:
        super().__init__(*args, **extra)
        field = self.fields["loads"]
        assert isinstance(field, forms.ModelMultipleChoiceField)
        field.queryset = loads
        field.label_from_instance = lambda obj: f"{obj.study.code}, {obj.name}"  # type: ignore[method-assign]


@dataclass(frozen=True, slots=True)
class ColumnRow:
    """A column of the file with the fields that say what it is."""

    letters: str
    header: str
    unit_cell: str
    cells: tuple[str, ...]
    use: forms.BoundField
    name: forms.BoundField
    unit: forms.BoundField


class ColumnsForm(forms.Form):
    """What each column is, and by how much the logger's clock was off."""

    clock_behind_minutes = ClockField(help_text=f"{CLOCK_HELP} Empty: its clock was right.")

    def __init__(self, *args: Any, layout: LoggerLayout, mapping: ColumnMapping, **extra: Any) -> None:
        extra["initial"] = {**values_of(mapping), **(extra.get("initial") or {})}
        super().__init__(*args, **extra)
        self.layout = layout
        for place, header in enumerate(layout.header):
            name = header_of(header, place)
            self.fields[f"use_{place}"] = forms.ChoiceField(label=f"{name}: what it is", choices=USES, initial=NOT_READ)
            self.fields[f"name_{place}"] = forms.CharField(
                label=f"{name}: name of the coupon",
                required=False,
                max_length=LONGEST_NAME,
                widget=forms.TextInput(attrs={"list": "coupons-of-load", "autocomplete": "off"}),
            )
            self.fields[f"unit_{place}"] = forms.ChoiceField(label=f"{name}: unit", choices=UNITS, required=False)

    def rows(self) -> Iterator[ColumnRow]:
        layout = self.layout
        for place, header in enumerate(layout.header):
            cells = tuple(row[place] for row in layout.sample[:SHOWN_CELLS] if place < len(row))
            yield ColumnRow(
                column_letters(place),
                header,
                layout.units[place] if place < len(layout.units) else "",
                tuple(shown(cell, 24) for cell in cells),
                self[f"use_{place}"],
                self[f"name_{place}"],
                self[f"unit_{place}"],
            )

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        if given.get("clock_behind_minutes") is None and "clock_behind_minutes" not in self.errors:
            given["clock_behind_minutes"] = 0.0
        uses = {place: given.get(f"use_{place}") for place in range(len(self.layout.header))}
        channels = []
        for place, use in uses.items():
            if use not in {IS_AIR, COUPON}:
                continue
            header = header_of(self.layout.header[place], place)
            unit = given.get(f"unit_{place}") or None
            if unit is None:
                self.add_error(f"unit_{place}", f"Is column {header} in °C or in °F?")
            channel = AIR if use == IS_AIR else self._coupon_channel(place, given.get(f"name_{place}") or "")
            if channel is not None:
                channels.append(ChannelColumn(place, header, channel, unit))
        given["mapping"] = ColumnMapping(self._time(uses), tuple(channels), (), False)
        return given

    def _coupon_channel(self, place: int, typed: str) -> str | None:
        name = cleaned(typed)
        if not name:
            self.add_error(f"name_{place}", "Name the coupon or the place of the sensor.")
            return None
        if (fault := text_fault(name, LONGEST_NAME)) is not None:
            self.add_error(f"name_{place}", fault)
            return None
        return channel_name(name)

    def _time(self, uses: dict[int, str | None]) -> tuple[int, ...]:
        times, dates, clocks = ([place for place, use in uses.items() if use == kind] for kind in (TIME, DATE, CLOCK))
        if len(times) == 1 and not dates and not clocks:
            return (times[0],)
        if not times and len(dates) == 1 and len(clocks) == 1:
            return (dates[0], clocks[0])
        self.add_error(None, "Choose one column of times, or one of dates and one of clock times.")
        return ()


def header_of(header: str, place: int) -> str:
    """A column's name as people read it."""
    return shown(header) or f"column {column_letters(place)}"


def values_of(mapping: ColumnMapping) -> dict[str, str]:
    """The form's values for a mapping."""
    times = [TIME] if len(mapping.time) == 1 else [DATE, CLOCK]
    values = {f"use_{place}": use for place, use in zip(mapping.time, times, strict=False)}
    for channel in mapping.channels:
        values[f"use_{channel.position}"] = IS_AIR if channel.channel == AIR else COUPON
        values[f"name_{channel.position}"] = coupon_of(channel.channel)
        values[f"unit_{channel.position}"] = channel.unit or ""
    return values


class ClockForm(forms.Form):
    """The logger's clock corrected, and why."""

    clock_behind_minutes = ClockField(required=True, help_text=CLOCK_HELP)
    reason = forms.CharField(max_length=400, widget=forms.Textarea(attrs={"rows": 2}), help_text="How it is known.")


class WindowForm(forms.Form):
    """The part of a trace that a plot shows: seconds since its first reading, and how many columns of pixels there are."""

    from_s = forms.FloatField(required=False)
    to_s = forms.FloatField(required=False)
    points = forms.IntegerField(min_value=10, max_value=4000)

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        low, high = given.get("from_s"), given.get("to_s")
        if low is not None and high is not None and not low < high:
            raise ValidationError("from_s must be less than to_s")
        return given


def coupon_codes(load: Load) -> Sequence[str]:
    """Codes to choose from where a channel is named."""
    return list(load.places.order_by("place").values_list("coupon__code", flat=True)[:200])
