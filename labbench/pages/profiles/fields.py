"""Form fields for temperatures in either scale, differences, and soaks in minutes or hours."""

from __future__ import annotations

import re
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from labbench.formats.cell_numbers import NumberFault, read_number
from labbench.formats.cell_text import cleaned
from labbench.pages.templatetags.quantities import quantity

TEMPERATURE = re.compile(r"(?P<number>.*?)(?:°|deg)?(?P<unit>[cf])?", re.IGNORECASE)
DIFFERENCE = re.compile(r"(?P<number>.*?)(?:(?P<k>k)|(?:°|deg)?(?P<unit>[cf]))?", re.IGNORECASE)
DURATION = re.compile(
    r"(?:(?P<days>\d+)d)?(?:(?P<hours>\d+(?:[.,]\d+)?)h)?(?:(?P<minutes>\d+)(?:m|min)?)?", re.IGNORECASE
)
COLDEST_C, HOTTEST_C = -100.0, 300.0
MOST_SIGNS = 24
LONGEST_MINUTES = 60 * 24 * 60


def number_of(text: str) -> float:
    """The number that a text without its unit means."""
    number = read_number(text, decimal_commas="," in text)
    if isinstance(number, NumberFault):
        raise ValidationError(f"“{text}” is not a number; write it like 12.5 or 12,5.")
    return number


class OpenText(forms.Field):
    """A short text that stands for a number."""

    widget = forms.TextInput
    unit = ""

    def __init__(self, **extra: Any) -> None:
        extra.setdefault("required", False)
        super().__init__(**extra)
        self.widget.attrs |= {"autocomplete": "off", "maxlength": MOST_SIGNS}

    def prepare_value(self, value: Any) -> Any:
        return repr(round(value, 2)).removesuffix(".0") if isinstance(value, int | float) else value

    def to_python(self, value: Any) -> Any:
        text = cleaned(str(value or "")).replace(" ", "")
        if len(text) > MOST_SIGNS:
            raise ValidationError(f"This is longer than {MOST_SIGNS} signs; write it like 90 or 12.5.")
        return self.read(text) if text else None

    def read(self, text: str) -> Any:
        raise NotImplementedError


class TemperatureField(OpenText):
    """degC, or degF where F stands behind the number; kept in degC to the hundredth."""

    def __init__(self, **extra: Any) -> None:
        extra.setdefault("help_text", "°C; or °F with an F behind it: −10 F")
        super().__init__(**extra)

    def read(self, text: str) -> float:
        found = TEMPERATURE.fullmatch(text)
        assert found is not None  # the pattern takes any text
        value = number_of(found["number"])
        if (found["unit"] or "c").lower() == "f":
            value = (value - 32) / 1.8
        value = round(value, 2) + 0.0
        if not COLDEST_C <= value <= HOTTEST_C:
            raise ValidationError(
                f"{quantity(value, '°C')} can’t be right: it has to be at least {quantity(COLDEST_C, '°C')} and at most "
                f"{quantity(HOTTEST_C, '°C')}."
            )
        return value


class DifferenceField(OpenText):
    """K; or degF where F stands behind the number: a difference, so 9 F are 5 K."""

    def __init__(self, **extra: Any) -> None:
        extra.setdefault("help_text", "K to either side; or with an F behind it: 9 F")
        super().__init__(**extra)

    def read(self, text: str) -> float:
        found = DIFFERENCE.fullmatch(text)
        assert found is not None
        value = number_of(found["number"])
        if (found["unit"] or "c").lower() == "f":
            value /= 1.8
        value = round(value, 2)
        if not 0 < value <= 100:
            raise ValidationError(
                f"{quantity(value, 'K')} can’t be right: it has to be more than 0 and at most {quantity(100, 'K')}."
            )
        return value


class DurationField(OpenText):
    """Whole minutes; or hours and days where h and d stand behind the numbers."""

    def __init__(self, *, least: int = 0, **extra: Any) -> None:
        extra.setdefault("help_text", "min; or 8 h, 2 h 30 min")
        super().__init__(**extra)
        self.least = least

    def read(self, text: str) -> int:
        found = DURATION.fullmatch(text)
        if found is None:
            raise ValidationError(f"“{text}” is no time; write it like 90, 8 h or 2 h 30 min.")
        hours = float((found["hours"] or "0").replace(",", "."))
        minutes = int(found["days"] or 0) * 1440 + hours * 60 + int(found["minutes"] or 0)
        if abs(minutes - round(minutes)) > 1e-9:
            raise ValidationError(f"“{text}” is not a whole number of minutes.")
        if not self.least <= minutes <= LONGEST_MINUTES:
            raise ValidationError(
                f"{quantity(minutes, 'min')} can’t be right: it has to be at least {quantity(self.least, 'min')} and at most 60 days."
            )
        return round(minutes)
