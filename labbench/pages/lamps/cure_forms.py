"""What the cure calculator is asked; each form is sent by itself and answered at once."""

from __future__ import annotations

import re
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict
from django.utils import timezone

from labbench.formats.cell_numbers import NumberFault, read_number
from labbench.formats.date_texts import day_text
from labbench.lab.models import LampSurvey, Resin
from labbench.lab.queries import renewal_since
from labbench.pages.bench.fields import QuantityField

MOST_LINES = 60
MW, MJ = "mW/cm²", "mJ/cm²"


class NumbersField(forms.CharField):
    """Lines of numbers, `least` to `most` a line; gives a list of tuples."""

    def __init__(self, *, least: int, most: int, words: str, **extra: Any) -> None:
        self.least, self.most, self.words = least, most, words
        widget = forms.Textarea(attrs={"rows": 4, "spellcheck": "false"})
        super().__init__(widget=widget, max_length=4000, **extra)

    def to_python(self, value: Any) -> Any:
        rows = []
        lines = [line.strip() for line in str(value or "").splitlines()]
        for number, line in enumerate(lines, start=1):
            if line:
                rows.append(self.row(number, line))
        if len(rows) > MOST_LINES:
            raise ValidationError(f"At most {MOST_LINES} lines.")
        return rows

    def row(self, number: int, line: str) -> tuple[float, ...]:
        words = re.split(r"[\s;]+", line)
        if not self.least <= len(words) <= self.most:
            raise ValidationError(f"Line {number}, “{line}”: {self.words}.")
        found = [read_number(word, decimal_commas="," in word) for word in words]
        for word, value in zip(words, found, strict=True):
            if isinstance(value, NumberFault):
                raise ValidationError(f"Line {number}: “{word}” is not a number; write it like 12.5 or 12,5.")
        return tuple(value for value in found if not isinstance(value, NumberFault))

    def prepare_value(self, value: Any) -> Any:
        return value

    def validate(self, value: Any) -> None:
        if self.required and not value:
            raise ValidationError("Type at least one line.")


class AskedForm(forms.Form):
    """One question. Not asked yet, it asks with its first values where these are all that it needs."""

    prefix = "asked"

    def __init__(self, query: QueryDict, *, first: dict[str, Any] | None = None) -> None:
        given = {name: value for name, value in (first or {}).items() if value not in (None, "")}
        asked = any(name.startswith(f"{self.prefix}-") for name in query)
        super().__init__(query if asked else None, prefix=self.prefix, initial=given)
        if not asked and given and all(name in given for name, field in self.fields.items() if field.required):
            self.is_bound = True
            self.data = {f"{self.prefix}-{name}": value for name, value in given.items()}


class SurveyChoice(forms.ModelChoiceField):
    def label_from_instance(self, survey: Any) -> str:
        cover = "cover on" if survey.is_cover_on else "cover off"
        words = [
            survey.lamp.code,
            day_text(timezone.localtime(survey.surveyed_at)),
            cover,
            f"{survey.distance_mm:g} mm",
            f"meter {survey.radiometer.code}",
            "before a part was renewed" if survey.renewed_at else "",
        ]
        return ", ".join(filter(None, words))


class BeginForm(forms.Form):
    """Which survey and resin the calculator begins with."""

    survey = SurveyChoice(
        LampSurvey.objects.filter(withdrawn_at=None, lamp__retired_on=None)
        .select_related("lamp", "radiometer")
        .annotate(renewed_at=renewal_since())
        .order_by("lamp__code", "-surveyed_at"),
        label="lamp survey",
        required=False,
        empty_label="none: typed values",
    )
    resin = forms.ModelChoiceField(
        Resin.objects.filter(retired_on=None), required=False, empty_label="none: typed values"
    )


class DoseForm(AskedForm):
    """Time for a dose at the coldest point."""

    prefix = "dose"
    dose_mj_cm2 = QuantityField(label="dose wanted", unit=MJ, low=0, high=1e6, above_low=True, required=True)
    coldest_mw_cm2 = QuantityField(label="coldest point", unit=MW, low=0, high=10_000, above_low=True, required=True)
    mean_mw_cm2 = QuantityField(label="mean", unit=MW, low=0, high=10_000, above_low=True)
    hottest_mw_cm2 = QuantityField(label="hottest point", unit=MW, low=0, high=10_000, above_low=True)
    pass_percent = QuantityField(
        label="cover and tint let pass", unit="%", low=0, high=100, above_low=True,
        help_text="Of what the survey read. Leave empty: nothing lies between.",
    )  # fmt: skip

    def clean(self) -> dict[str, Any]:
        given: dict[str, Any] = super().clean() or self.cleaned_data
        cold, mean, hot = (given.get(f"{name}_mw_cm2") for name in ("coldest", "mean", "hottest"))
        if cold is not None and mean is not None and mean < cold:
            self.add_error("mean_mw_cm2", "The mean can’t be less than the coldest point.")
        if hot is not None and (cold or 0) > hot:
            self.add_error("hottest_mw_cm2", "The hottest point can’t get less than the coldest.")
        elif hot is not None and (mean or 0) > hot:
            self.add_error("hottest_mw_cm2", "The hottest point can’t get less than the mean.")
        return given


class EffectForm(AskedForm):
    """The same effect at another irradiance."""

    prefix = "effect"
    time_s = QuantityField(
        label="time that is known to do", unit="s", low=0, high=86_400, above_low=True, required=True
    )
    irradiance_mw_cm2 = QuantityField(label="at", unit=MW, low=0, high=10_000, above_low=True, required=True)
    other_mw_cm2 = QuantityField(label="now at", unit=MW, low=0, high=10_000, above_low=True, required=True)
    exponent = QuantityField(
        label="exponent p", unit="", low=0, high=2, above_low=True, help_text="Leave empty: 1, which is reciprocity."
    )


class ExponentForm(AskedForm):
    """Exponent from trials of equal effect."""

    prefix = "exponent"
    pairs = NumbersField(
        least=2, most=2, words="irradiance and time, two numbers", label="irradiance (mW/cm²) and time (s), a trial a line",
        help_text="Trials that cured equally well, at two irradiances or more.",
    )  # fmt: skip


class LayersForm(AskedForm):
    """What layers let pass."""

    prefix = "layers"
    layers = NumbersField(
        least=1, most=3, words="one share, or a share with the thickness it was measured at and the thickness used",
        label="share that passes, a layer a line",
        help_text="A fraction of one. Known at another thickness: share, that thickness, the thickness used (mm), e.g. 0.80 5 2.",
    )  # fmt: skip


class DepthForm(AskedForm):
    """Depth of cure by the working curve."""

    prefix = "depth"
    exposure_mj_cm2 = QuantityField(
        label="dose at the surface", unit=MJ, low=0, high=1e6, above_low=True, required=True
    )
    dp_mm = QuantityField(label="Dp", unit="mm", low=0, high=1000, above_low=True, required=True)
    ec_mj_cm2 = QuantityField(label="Ec", unit=MJ, low=0, high=1e6, above_low=True, required=True)
    depth_mm = QuantityField(label="depth wanted", unit="mm", low=0, high=1000, above_low=True)
    source = forms.CharField(label="where Dp and Ec come from", max_length=200, help_text="Trial, data sheet or paper.")


class CurveForm(AskedForm):
    """Working curve from trials."""

    prefix = "curve"
    pairs = NumbersField(
        least=2, most=2, words="dose and depth, two numbers", label="dose (mJ/cm²) and cured depth (mm), a trial a line"
    )


class PeopleForm(AskedForm):
    """How soon the published limit is reached."""

    prefix = "people"
    irradiance_mw_cm2 = QuantityField(
        label="irradiance at the eye", unit=MW, low=0, high=10_000, above_low=True, required=True
    )
