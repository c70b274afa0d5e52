"""Numbers, units, chances and times as the pages write them; labbench.formats.number_texts rounds.

A value that is not there is never an empty cell.
"""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from django import template
from django.forms import BoundField
from django.utils import timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString

from labbench.formats.date_texts import clock_text, day_text, moment_text
from labbench.formats.factor_names import factor_heading
from labbench.formats.number_texts import (
    FIXED_DECIMALS,
    interval_percent_text,
    interval_text,
    is_number,
    number_text,
    p_value_text,
    percent_text,
    unit_of_name,
    with_unit,
)

register = template.Library()
# `{{ factor.name|factor_heading }}`: resin_lot as "resin lot", cure_time_s as "cure time (s)".
register.filter("factor_heading", factor_heading)


def absent(words: str) -> SafeString:
    """A dash for the eye, words for a screen reader and for the pointer."""
    return format_html(
        '<span class="absent" title="{0}"><span aria-hidden="true">—</span><span class="sr-only">{0}</span></span>',
        words,
    )


@register.filter
def quantity(value: Any, unit: str = "") -> str:
    """`{{ cure.dose_mj_cm2|quantity:"mJ/cm²" }}`: the number and its unit, or a dash for what was not measured."""
    if not is_number(value):
        return absent("not measured")
    return with_unit(number_text(value, decimals=FIXED_DECIMALS.get(unit)), unit)


@register.filter
def interval(limits: Any, unit: str = "") -> str:
    """`{{ strength|interval:"MPa" }}` for anything with `low` and `high`; an open end is named as such."""
    return interval_text(*limits_of(limits), unit) or absent("not computed")


@register.filter
def percent(share: Any) -> str:
    """`{{ level.failure_share|percent }}`: a fraction of one as percent; never 0 or 100 % for what is not quite so."""
    return percent_text(share) if is_number(share) else absent("not computed")


@register.filter
def interval_percent(limits: Any) -> str:
    """`{{ level.wilson|interval_percent }}`: both limits of an interval of fractions of one, as percent."""
    return interval_percent_text(*limits_of(limits)) or absent("not computed")


@register.filter
def p_value(p: Any) -> str:
    """`{{ association.p_value|p_value }}`: "p = 0.032", two digits where it matters, never "p = 0"."""
    return p_value_text(p) if is_number(p) else absent("not computed")


def by_the_labs_clock(at: datetime) -> datetime:
    """The same point in time in the lab's zone: templates turn it before they call a filter, Python does not."""
    return timezone.localtime(at) if timezone.is_aware(at) else at


@register.filter(expects_localtime=True)
def day(at: date | datetime | None) -> SafeString:
    """A date as 25 Nov 2026: no country reads it with day and month changed over."""
    if not at:
        return absent("no date")
    if isinstance(at, datetime):
        at = by_the_labs_clock(at)
    return format_html('<time datetime="{}">{}</time>', at.isoformat(), day_text(at))


@register.filter(expects_localtime=True)
def moment(at: datetime | None) -> SafeString:
    """A point in time as 25 Nov 2026, 14:05, in the lab's own time."""
    if not at:
        return absent("no time")
    at = by_the_labs_clock(at)
    shown = moment_text(at)
    return format_html('<time datetime="{}">{}</time>', at.isoformat(timespec="minutes"), shown)


@register.filter(expects_localtime=True)
def clock(at: datetime | None) -> SafeString:
    """The time of day alone where the day is today's, else with its day: for windows and due times on the bench."""
    if not at:
        return absent("no time")
    at = by_the_labs_clock(at)
    today = timezone.localdate() if timezone.is_aware(at) else date.today()
    shown = clock_text(at) if at.date() == today else f"{at:%a} {at.day} {at:%b}, {clock_text(at)}"
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
    return unit_of_name(name)


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
