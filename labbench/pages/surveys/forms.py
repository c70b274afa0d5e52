"""What is typed for a survey: how it is made, where its points lie, their readings, and why something is corrected."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from labbench.formats.cell_numbers import NumberFault, read_number
from labbench.formats.cell_text import cleaned
from labbench.formats.number_texts import number_text
from labbench.lab.models import CureArea, LampSurvey, ReadingUnit
from labbench.lab.surveys import MOST_REPEATS
from labbench.pages.bench import choices
from labbench.pages.bench.choices import NotedChoiceField
from labbench.pages.bench.fields import MomentField, QuantityField
from labbench.pages.bench.forms import BenchForm, note_field
from labbench.science.survey_layout import LARGEST_PLACE_MM, MOST_PLACES, Place, grid_places, ring_places

RINGS = (1, 2, 3)


class ConditionsForm(BenchForm):
    """How a survey is made: the same while it is read, taken from a file, and corrected."""

    more: tuple[str, ...] = ("started_at", "note")

    lamp = forms.Field()
    radiometer = forms.Field()
    reading_unit = forms.ChoiceField(
        label="readings in", choices=ReadingUnit.choices, initial=ReadingUnit.MW_CM2, widget=forms.RadioSelect
    )
    applies_factor = forms.TypedChoiceField(
        label="factor of the calibration",
        choices=[("yes", "apply it to each reading"), ("no", "the meter has applied it")],
        coerce=lambda text: text == "yes",
        initial="yes",
        widget=forms.RadioSelect,
        help_text="What was read, its unit and the factor are kept beside the irradiance.",
    )
    distance_mm = QuantityField(label="lamp to glass", unit="mm", low=0, high=2000, required=True)
    is_cover_on = forms.TypedChoiceField(
        label="cover",
        choices=[("off", "cover off"), ("on", "cover on")],
        coerce=lambda text: text == "on",
        initial="off",
        widget=forms.RadioSelect,
    )
    lamp_hours_h = QuantityField(label="lamp hours", unit="h", low=0, high=1_000_000, help_text="As its counter shows.")
    area_shape = forms.ChoiceField(
        label="cure area",
        choices=[*CureArea.choices, ("", "not known")],
        initial=CureArea.RECTANGLE,
        required=False,
        widget=forms.RadioSelect,
    )
    area_width_mm = QuantityField(label="width or diameter", unit="mm", low=0, high=LARGEST_PLACE_MM, above_low=True)
    area_height_mm = QuantityField(label="height", unit="mm", low=0, high=LARGEST_PLACE_MM, above_low=True)
    started_at = MomentField(label="read at")
    note = note_field()

    def __init__(self, *args: Any, now: datetime, record: LampSurvey | None = None, **extra: Any) -> None:
        super().__init__(*args, **extra)
        today = timezone.localdate(now)
        lamps = choices.lamps(now, record.lamp_id if record else None)
        self.fields["lamp"] = choices.as_buttons(
            NotedChoiceField(lamps, label="lamp", note=choices.lamp_note(now)), lamps.count()
        )
        meters = choices.meters(today, record.radiometer_id if record else None)
        self.fields["radiometer"] = choices.as_buttons(
            NotedChoiceField(meters, label="meter", note=choices.meter_note(today)), meters.count()
        )
        for name, words in (("area_width_mm", "rectangle circle"), ("area_height_mm", "rectangle")):
            self.fields[name].shown_for = words  # type: ignore[attr-defined]
            self.fields[name].is_needed_where_shown = True  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        shape = given.get("area_shape")
        if not shape:
            given["area_width_mm"] = given["area_height_mm"] = None
        elif given.get("area_width_mm") is None and "area_width_mm" not in self.errors:
            self.add_error("area_width_mm", "How wide is the cure area? Or say that it is not known.")
        if shape == CureArea.CIRCLE:
            given["area_height_mm"] = None
        elif shape and given.get("area_height_mm") is None and "area_height_mm" not in self.errors:
            self.add_error("area_height_mm", "How high is the cure area?")
        meter, unit = given.get("radiometer"), given.get("reading_unit")
        if meter is not None and unit == ReadingUnit.OWN and not given.get("applies_factor", True):
            self.add_error("applies_factor", "What is shown in the meter’s own unit becomes mW/cm² by the factor only.")
        return given


class SetupForm(ConditionsForm):
    """A survey to be read now: conditions, and where the points lie."""

    layout_kind = forms.ChoiceField(
        label="the points",
        choices=[("grid", "a grid"), ("rings", "rings"), ("free", "points of your own")],
        initial="grid",
        widget=forms.RadioSelect,
    )
    rows = forms.IntegerField(label="rows", min_value=1, max_value=100, initial=5, required=False)
    columns = forms.IntegerField(label="columns", min_value=1, max_value=100, initial=5, required=False)
    pitch_x_mm = QuantityField(label="from column to column", unit="mm", low=0, high=1000, above_low=True)
    pitch_y_mm = QuantityField(
        label="from row to row", unit="mm", low=0, high=1000, above_low=True, help_text="Leave empty: the same."
    )
    has_middle = forms.BooleanField(label="a point in the middle", required=False, initial=True)
    free_places = forms.CharField(
        label="x and y in mm, one point a line",
        required=False,
        widget=forms.Textarea(attrs={"rows": 5, "placeholder": "0 0\n20 0\n-20 0"}),
        help_text="The middle of the cure area is 0 0. More can be added while reading.",
    )

    def __init__(self, *args: Any, last_places: Sequence[Place] = (), last_words: str = "", **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.last_places = list(last_places)
        for number in RINGS:
            radius = QuantityField(label=f"ring {number}, radius", unit="mm", low=0, high=2000, above_low=True)
            count = forms.IntegerField(label=f"ring {number}, points", min_value=1, max_value=200, required=False)
            self.fields[f"ring_{number}_mm"], self.fields[f"ring_{number}_points"] = radius, count
            radius.shown_for = count.shown_for = "rings"  # type: ignore[attr-defined]
        if self.last_places:
            kinds = self.fields["layout_kind"]
            assert isinstance(kinds, forms.ChoiceField)
            kinds.choices = [
                ("same", last_words),
                ("grid", "a grid"),
                ("rings", "rings"),
                ("free", "points of your own"),
            ]
            kinds.initial = "same"
        for name in ("rows", "columns", "pitch_x_mm", "pitch_y_mm"):
            self.fields[name].shown_for = "grid"  # type: ignore[attr-defined]
        self.fields["has_middle"].shown_for = "rings"  # type: ignore[attr-defined]
        self.fields["free_places"].shown_for = "free"  # type: ignore[attr-defined]
        for name in ("rows", "columns", "pitch_x_mm", "free_places"):
            self.fields[name].is_needed_where_shown = True  # type: ignore[attr-defined]
        for name in ("rows", "columns", *(f"ring_{number}_points" for number in RINGS)):
            self.fields[name].widget.attrs |= {"inputmode": "numeric"}

    layout_names: tuple[str, ...] = (
        "layout_kind", "rows", "columns", "pitch_x_mm", "pitch_y_mm", "has_middle",
        "ring_1_mm", "ring_1_points", "ring_2_mm", "ring_2_points", "ring_3_mm", "ring_3_points", "free_places",
    )  # fmt: skip

    def condition_fields(self) -> Iterator[forms.BoundField]:
        return (self[name] for name in self.fields if name not in (*self.more, *self.layout_names))

    def layout_fields(self) -> Iterator[forms.BoundField]:
        return (self[name] for name in self.layout_names)

    def clean(self) -> dict[str, Any]:
        given = super().clean()
        try:
            given["places"], given["layout"] = self.laid_out(given)
        except ValueError as refused:
            kind = given.get("layout_kind")
            field = {"grid": "rows", "rings": "ring_1_mm", "free": "free_places"}.get(kind or "")
            self.add_error(field, f"{refused}."[0].upper() + f"{refused}."[1:])
        return given

    def laid_out(self, given: dict[str, Any]) -> tuple[list[Place], str]:
        """The places and what they are, in words; ValueError where something is missing."""
        kind = given.get("layout_kind")
        if kind == "same":
            return self.last_places, "as the survey before"
        if kind == "grid":
            rows, columns, pitch = given.get("rows"), given.get("columns"), given.get("pitch_x_mm")
            if rows is None or columns is None or pitch is None:
                raise ValueError("a grid needs its rows, its columns and how far apart they are")
            other = given.get("pitch_y_mm") or pitch
            words = f"grid {rows} × {columns}, {number_text(pitch)} mm"
            if other != pitch:
                words += f" by {number_text(other)} mm"
            return grid_places(rows, columns, pitch_x_mm=pitch, pitch_y_mm=other), words
        if kind == "rings":
            rings = []
            for number in RINGS:
                radius, count = given.get(f"ring_{number}_mm"), given.get(f"ring_{number}_points")
                if (radius is None) != (count is None):
                    raise ValueError(f"ring {number} needs its radius and its number of points")
                if radius is not None and count is not None:
                    rings.append((radius, count))
            if not rings:
                raise ValueError("say the radius of a ring and how many points lie on it")
            has_middle = bool(given.get("has_middle"))
            words = ", ".join(f"{count} at {number_text(radius)} mm" for radius, count in rings)
            return ring_places(rings, has_middle=has_middle), f"rings: {words}{' and the middle' if has_middle else ''}"
        if kind == "free":
            return typed_places(given.get("free_places") or ""), "points of its own"
        return [], ""


def parts_of(line: str) -> list[str]:
    """Numbers with blanks, semicolons or a comma and a blank between them."""
    return [part for raw in re.split(r"[;\s]+", cleaned(line)) if (part := raw.rstrip(","))]


def typed_places(text: str) -> list[Place]:
    """Lines of x and y; ValueError names the line."""
    places: list[Place] = []
    for number, line in enumerate(text.splitlines(), 1):
        parts = parts_of(line)
        if not parts:
            continue
        values = [read_number(part, decimal_commas="," in part) for part in parts]
        if len(values) != 2 or any(isinstance(value, NumberFault) for value in values):
            raise ValueError(
                f"line {number} must be two numbers, x and y in mm, with a space between; it reads “{line.strip()[:40]}”"
            )
        x, y = (value for value in values if not isinstance(value, NumberFault))
        if max(abs(x), abs(y)) > LARGEST_PLACE_MM:
            raise ValueError(f"line {number} is further than {number_text(LARGEST_PLACE_MM)} mm from the middle")
        if (x, y) in places:
            raise ValueError(f"line {number} names a point a second time; repeats are read at the same point")
        places.append((x, y))
    if not places:
        raise ValueError("write at least one point")
    if len(places) > MOST_PLACES:
        raise ValueError(f"{len(places)} points are more than the {MOST_PLACES} that a survey takes")
    return places


class FileForm(ConditionsForm):
    """A survey from a file."""

    file = forms.FileField(label="file with the points", help_text="CSV or XLSX with x_mm, y_mm and irradiance_mw_cm2.")

    def __init__(self, *args: Any, **extra: Any) -> None:
        super().__init__(*args, **extra)
        del self.fields["reading_unit"]
        factor = self.fields["applies_factor"]
        assert isinstance(factor, forms.TypedChoiceField)
        factor.initial = "no"
        factor.choices = [("no", "applied already: these are irradiances"), ("yes", "apply it to each reading")]
        factor.help_text = ""
        self.order_fields(["file"])


class DraftConditionsForm(ConditionsForm):
    """How a draft is read, changed while it is read."""

    more = ()


class ReadingForm(forms.Form):
    """One reading of a draft; without a value it is taken out."""

    place = forms.IntegerField(min_value=0, max_value=MOST_PLACES)
    reading = forms.IntegerField(min_value=1, max_value=MOST_REPEATS)
    value = QuantityField(label="reading", unit="", low=0, high=1e9)


class PlaceForm(forms.Form):
    """One more point."""

    x_mm = QuantityField(label="x", unit="mm", low=-LARGEST_PLACE_MM, high=LARGEST_PLACE_MM, required=True)
    y_mm = QuantityField(label="y", unit="mm", low=-LARGEST_PLACE_MM, high=LARGEST_PLACE_MM, required=True)


class ReadingsField(forms.CharField):
    """The readings of one point: none, one, or several with a space or semicolon between them."""

    def __init__(self, **extra: Any) -> None:
        super().__init__(required=False, max_length=24 * MOST_REPEATS, **extra)
        self.widget.attrs |= {"inputmode": "decimal", "autocomplete": "off"}

    def clean(self, value: Any) -> list[float]:
        values = []
        for part in parts_of(super().clean(value)):
            number = read_number(part, decimal_commas="," in part)
            if isinstance(number, NumberFault):
                raise ValidationError(
                    f"“{part[:24]}” is not a number; write it like 12.5 or 12,5, repeats with a space between."
                )
            if number < 0:
                raise ValidationError(f"{number_text(number)} is below 0; zero the meter in the dark and read again.")
            values.append(number)
        if len(values) > MOST_REPEATS:
            raise ValidationError(f"A point is read {MOST_REPEATS} times at most.")
        return values


class ReadingsForm(forms.Form):
    """The readings of all points as a table."""

    def __init__(self, *args: Any, places: Sequence[Place], readings: dict[int, list[float]], **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.places = places
        for number, (x, y) in enumerate(places):
            label = f"point {number + 1}, x {number_text(x)} mm, y {number_text(y)} mm"
            initial = " ".join(plain(value) for value in readings.get(number, []))
            self.fields[f"place_{number}"] = ReadingsField(label=label, initial=initial)

    def rows(self) -> Iterator[tuple[int, float, float, forms.BoundField]]:
        """Number, x, y and field of each point."""
        return ((number + 1, x, y, self[f"place_{number}"]) for number, (x, y) in enumerate(self.places))

    def values(self) -> dict[int, list[float]]:
        return {number: self.cleaned_data[f"place_{number}"] for number in range(len(self.places))}


def plain(value: float) -> str:
    """All digits of a number, as it is typed."""
    return repr(value).removesuffix(".0")


class CorrectionForm(ConditionsForm):
    """The conditions of a stored survey, and why they are corrected."""

    more = ()
    why = forms.CharField(
        label="why it is corrected",
        max_length=400,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Kept in the history.",
    )
    new_places = forms.CharField(
        label="readings at further points",
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Lines of x, y and reading, e.g. 40 0 11.2",
    )

    def __init__(self, *args: Any, **extra: Any) -> None:
        super().__init__(*args, **extra)
        del self.fields["lamp"]
        started = self.fields["started_at"]
        started.required, started.help_text = True, ""
        self.order_fields([*(name for name in self.fields if name not in {"new_places", "why"}), "new_places", "why"])

    def clean_new_places(self) -> list[tuple[float, float, float]]:
        found = []
        for number, line in enumerate(self.cleaned_data["new_places"].splitlines(), 1):
            parts = parts_of(line)
            values = [read_number(part, decimal_commas="," in part) for part in parts]
            numbers = [value for value in values if not isinstance(value, NumberFault)]
            if parts and (len(parts) != 3 or len(numbers) != 3):
                raise ValidationError(f"Line {number} must be three numbers: x, y and the reading.")
            if parts:
                found.append((numbers[0], numbers[1], numbers[2]))
        return found


class ReasonForm(forms.Form):
    """Why a survey is withdrawn or counts again."""

    reason = forms.CharField(max_length=400, widget=forms.Textarea(attrs={"rows": 2}))
