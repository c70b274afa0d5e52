"""Numbers, units, chances and times as the pages write them: the only place that rounds.

Signs and spacing follow the SI Brochure (9th edition, 2019), section 5.4: a space between number and unit, also before
the percent sign, and digits in groups of three. A value that is not there is never an empty cell.
"""

import math
from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from numbers import Real
from typing import Any, TypeGuard

from django import template
from django.forms import BoundField
from django.utils import timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString

register = template.Library()

SIGNIFICANT_DIGITS = 3
NARROW = "\u202f"  # narrow no-break space: between digit groups, and between number and unit
SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
# Readings whose last digit stands for the instrument, not for the size of the number.
FIXED_DECIMALS = {"°C": 1, "K": 1}
# Longest first: `dose_mj_cm2` must not be read as something in cm².
UNIT_OF_SUFFIX = {
    "_k_per_min": "K/min",
    "_mw_cm2": "mW/cm²",
    "_mj_cm2": "mJ/cm²",
    "_n_per_mm": "N/mm",
    "_mpa_s": "MPa/s",
    "_mpa_per_s": "MPa/s",
    "_mm_per_min": "mm/min",
    "_percent": "%",
    "_minutes": "min",
    "_mpas": "mPa·s",
    "_mpa": "MPa",
    "_gpa": "GPa",
    "_kpa": "kPa",
    "_kn": "kN",
    "_nm": "nm",
    "_mm": "mm",
    "_min": "min",
    "_days": "d",
    "_ml": "ml",
    "_s": "s",
    "_h": "h",
    "_c": "°C",
    "_k": "K",
    "_n": "N",
}


def absent(words: str) -> SafeString:
    """A dash for the eye, words for a screen reader and for the pointer."""
    return format_html(
        '<span class="absent" title="{0}"><span aria-hidden="true">—</span><span class="sr-only">{0}</span></span>',
        words,
    )


def is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, Real | Decimal) and not isinstance(value, bool) and math.isfinite(value)


def grouped(number: float, decimals: int) -> str:
    """The number with so many decimals, a true minus sign and narrow spaces between groups of three digits."""
    text = f"{abs(number):,.{decimals}f}".replace(",", NARROW)
    # What rounds to nought has no sign.
    return f"−{text}" if number < 0 and text.strip("0.") else text


def number_text(value: float, *, decimals: int | None = None) -> str:
    """Whole numbers as they are, others to three significant digits, the very large and small with a power of ten."""
    if decimals is not None:
        return grouped(value, decimals)
    if isinstance(value, int) or (float(value).is_integer() and abs(value) < 1e7):
        return grouped(value, 0)
    exponent = math.floor(math.log10(abs(value)))
    if not -4 < exponent < 7:
        mantissa, power = f"{value:.{SIGNIFICANT_DIGITS - 1}e}".split("e")
        raised = str(int(power)).translate(SUPERSCRIPTS)
        return f"{grouped(float(mantissa), SIGNIFICANT_DIGITS - 1)}{NARROW}×{NARROW}10{raised}"
    # Rounding can carry into the next power of ten: 9.996 is 10.0, not 10.00.
    exponent = int(f"{value:.{SIGNIFICANT_DIGITS - 1}e}".split("e")[1])
    return grouped(value, max(0, SIGNIFICANT_DIGITS - 1 - exponent))


def with_unit(text: str, unit: str) -> str:
    return f"{text}{NARROW}{unit}" if unit else text


@register.filter
def quantity(value: Any, unit: str = "") -> str:
    """`{{ cure.dose_mj_cm2|quantity:"mJ/cm²" }}`: the number and its unit, or a dash for what was not measured."""
    if not is_number(value):
        return absent("not measured")
    return with_unit(number_text(value, decimals=FIXED_DECIMALS.get(unit)), unit)


@register.filter
def interval(limits: Any, unit: str = "") -> str:
    """`{{ strength|interval:"MPa" }}` for anything with `low` and `high`; an open end is named as such."""
    low, high = limits_of(limits)
    decimals = FIXED_DECIMALS.get(unit)
    if not is_number(low) and not is_number(high):
        return absent("not computed")
    if not is_number(high):
        return with_unit(f"≥{NARROW}{number_text(low, decimals=decimals)}", unit)
    if not is_number(low):
        return with_unit(f"≤{NARROW}{number_text(high, decimals=decimals)}", unit)
    return with_unit(f"{number_text(low, decimals=decimals)} to {number_text(high, decimals=decimals)}", unit)


@register.filter
def percent(share: Any) -> str:
    """`{{ level.failure_share|percent }}`: a fraction of one as percent; never 0 or 100 % for what is not quite so."""
    if not is_number(share):
        return absent("not computed")
    return f"{percent_number(share)}{NARROW}%"


@register.filter
def interval_percent(limits: Any) -> str:
    """`{{ level.wilson|interval_percent }}`: both limits of an interval of fractions of one, as percent."""
    low, high = limits_of(limits)
    if not (is_number(low) and is_number(high)):
        return absent("not computed")
    return f"{percent_number(low)} to {percent_number(high)}{NARROW}%"


@register.filter
def p_value(p: Any) -> str:
    """`{{ association.p_value|p_value }}`: "p = 0.032", two digits where it matters, never "p = 0"."""
    if not is_number(p):
        return absent("not computed")
    if p < 0.0001:
        return "p < 0.0001"
    if 0.995 <= p < 1:
        return "p > 0.99"
    if p >= 0.1:
        return f"p = {p:.2f}"
    decimals = 1 - math.floor(math.log10(p))
    return f"p = {p:.{decimals}f}"


@register.filter(expects_localtime=True)
def day(at: date | datetime | None) -> SafeString:
    """A date as 25 Nov 2026: no country reads it with day and month changed over."""
    if not at:
        return absent("no date")
    return format_html('<time datetime="{}">{}</time>', at.isoformat(), day_text(at))


@register.filter(expects_localtime=True)
def moment(at: datetime | None) -> SafeString:
    """A point in time as 25 Nov 2026, 14:05, in the lab's own time."""
    if not at:
        return absent("no time")
    shown = f"{day_text(at)}, {at:%H:%M}"
    return format_html('<time datetime="{}">{}</time>', at.isoformat(timespec="minutes"), shown)


@register.filter(expects_localtime=True)
def clock(at: datetime | None) -> SafeString:
    """The time of day alone where the day is today's, else with its day: for windows and due times on the bench."""
    if not at:
        return absent("no time")
    today = timezone.localdate() if timezone.is_aware(at) else date.today()
    shown = f"{at:%H:%M}" if at.date() == today else f"{at:%a} {at.day} {at:%b}, {at:%H:%M}"
    return format_html('<time datetime="{}">{}</time>', at.isoformat(timespec="minutes"), shown)


@register.filter
def duration(minutes: Any) -> str:
    """Minutes as people say them: 45 min, 8 h, 2 h 30 min, 3 d 4 h."""
    if not is_number(minutes):
        return absent("not known")
    whole = round(abs(minutes))
    days, rest = divmod(whole, 24 * 60)
    hours, rest = divmod(rest, 60)
    named = [(days, "d"), (hours, "h"), (rest, "min")] if days == 0 else [(days, "d"), (hours + (rest >= 30), "h")]
    if days and hours + (rest >= 30) == 24:
        named = [(days + 1, "d")]
    words = " ".join(with_unit(str(count), unit) for count, unit in named if count) or with_unit("0", "min")
    return f"−{words}" if minutes < 0 and whole else words


@register.filter
def unit_of(name: str) -> str:
    """The unit that the name of a quantity ends in, "" where it ends in none."""
    return next((unit for suffix, unit in UNIT_OF_SUFFIX.items() if name.endswith(suffix)), "")


@register.filter
def unit_of_field(field: BoundField) -> str:
    """The unit shown inside a form field: `unit` set on the field, else by the name of a field that takes a number."""
    stated = getattr(field.field, "unit", None)
    if stated is not None:
        return stated
    return unit_of(field.name) if getattr(field.field.widget, "input_type", "") == "number" else ""


@register.filter
def without_unit(label: str, unit: str) -> str:
    """A label without the unit in brackets at its end, where the field shows the unit itself."""
    return str(label).removesuffix(f"({unit})").rstrip() if unit else label


def limits_of(limits: Any) -> tuple[Any, Any]:
    if isinstance(limits, Mapping):
        return limits.get("low"), limits.get("high")
    return getattr(limits, "low", None), getattr(limits, "high", None)


def percent_number(share: float) -> str:
    value = 100 * share
    if 0 < value < 0.1:
        return f"<{NARROW}0.1"
    if 99.9 < value < 100:
        return f">{NARROW}99.9"
    return grouped(value, 1 if 0 < value < 1 or 99 < value < 100 else 0)


def day_text(at: date) -> str:
    # Not %-d, which some systems do not know.
    return f"{at.day} {at:%b %Y}"
