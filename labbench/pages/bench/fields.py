"""Form fields for gloves and number pads: quantities with a decimal comma or point, moments, photos."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import uuid4

from django import forms
from django.conf import settings
from django.core.exceptions import ValidationError
from django.utils import timezone
from PIL import Image, UnidentifiedImageError

from labbench.formats.cell_numbers import NumberFault, read_number
from labbench.formats.cell_text import cleaned
from labbench.pages.local_times import WallClockField
from labbench.pages.templatetags.quantities import quantity

# What a camera of a tablet writes; the format decides the name's ending and so the type it is served as.
PHOTO_ENDINGS = {"JPEG": ".jpg", "MPO": ".jpg", "PNG": ".png", "WEBP": ".webp"}
MOST_PIXELS = 120_000_000
CLOCKS_DIFFER_S = 300


class QuantityField(forms.Field):
    """A number with its unit shown in the field; the label names it in messages."""

    widget = forms.TextInput

    def __init__(self, *, unit: str, low: float, high: float, above_low: bool = False, **extra: Any) -> None:
        extra.setdefault("required", False)
        super().__init__(**extra)
        self.unit, self.low, self.high, self.above_low = unit, low, high, above_low
        self.widget.attrs |= {"inputmode": "decimal", "autocomplete": "off", "maxlength": 24}

    def prepare_value(self, value: Any) -> Any:
        # All its digits: what is shown and sent back unchanged must be the same number.
        return repr(value).removesuffix(".0") if isinstance(value, int | float) else value

    def to_python(self, value: Any) -> float | None:
        text = cleaned(str(value or "")).removesuffix(self.unit).replace(" ", "")
        if not text:
            return None
        number = read_number(text, decimal_commas="," in text)
        if isinstance(number, NumberFault):
            raise ValidationError(f"“{text}” is not a number; write it like 12.5 or 12,5.")
        if not self.low <= number <= self.high or (self.above_low and number == self.low):
            least = f"{'more than' if self.above_low else 'at least'} {quantity(self.low, self.unit)}"
            raise ValidationError(
                f"{quantity(number, self.unit)} can’t be right: it has to be {least} and at most {quantity(self.high, self.unit)}."
            )
        return number


class MomentField(WallClockField):
    """When it happened; left empty it is now, so that a form which lay open does not store an old time."""

    def __init__(self, **extra: Any) -> None:
        extra.setdefault("required", False)
        extra.setdefault("help_text", "Leave empty: now.")
        super().__init__(**extra)

    def clean(self, value: Any) -> datetime:
        at, now = super().clean(value), timezone.now()
        if at is None:
            return now
        if at.year > 2190 or (at - now).total_seconds() > CLOCKS_DIFFER_S:
            raise ValidationError("This time is still to come; record what has happened.")
        if at.year < 1990:
            raise ValidationError("This time is before 1990.")
        return at


class PhotoField(forms.ImageField):
    """A photo from the camera or a file; checked by its bytes, not by its name, and renamed."""

    def __init__(self, **extra: Any) -> None:
        extra.setdefault("required", False)
        widget = forms.FileInput(attrs={"accept": "image/jpeg,image/png,image/webp", "capture": "environment"})
        super().__init__(widget=widget, **extra)
        self.validators = []  # the name's ending is not what counts

    def to_python(self, data: Any) -> Any:
        if data in self.empty_values:
            return None
        most = settings.MAX_PHOTO_BYTES
        if data.size > most:
            raise ValidationError(f"The photo has {data.size / 2**20:.0f} MB; at most {most / 2**20:.0f} MB are kept.")
        try:
            with Image.open(data) as image:
                kind, pixels = image.format, image.width * image.height
                if kind not in PHOTO_ENDINGS:
                    raise ValidationError(f"A photo is kept as JPEG, PNG or WebP, not as {kind}.")
                if pixels > MOST_PIXELS:
                    raise ValidationError("The photo has too many pixels to be kept.")
                image.verify()
        except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
            raise ValidationError("The photo has too many pixels to be kept.") from error
        except (UnidentifiedImageError, OSError, SyntaxError, ValueError) as error:
            if isinstance(error, ValidationError):
                raise
            raise ValidationError("This file is not a photo that can be read (JPEG, PNG or WebP).") from error
        data.seek(0)
        data.name = f"{uuid4().hex}{PHOTO_ENDINGS[kind]}"
        return data
