"""Temperatures and differences with degF beside them: labs of one trade read in both."""

from __future__ import annotations

from typing import Any

from django import template
from django.utils.html import format_html

from labbench.formats.number_texts import is_number, number_text, with_unit
from labbench.pages.templatetags.quantities import absent

register = template.Library()


@register.filter
def celsius(value: Any) -> str:
    """`{{ step.target_c|celsius }}`: −17.8 °C (0 °F)."""
    if not is_number(value):
        return absent("not stated")
    return both(value, 1.8 * value + 32)


@register.filter
def kelvin(value: Any) -> str:
    """`{{ step.tolerance_k|kelvin }}`: 3.0 K (5.4 °F); a difference, so nothing is added."""
    if not is_number(value):
        return absent("not stated")
    return format_html(
        '<span class="nowrap">{}</span> <span class="nowrap soft">({})</span>',
        with_unit(number_text(value, decimals=1), "K"),
        with_unit(number_text(1.8 * value, decimals=1), "°F"),
    )


def both(celsius: float, fahrenheit: float) -> str:
    # Whole degrees of one scale are seldom whole ones of the other: 76.67 °C is the 170 °F that somebody typed.
    whole = abs(fahrenheit - round(fahrenheit)) < 0.06
    return format_html(
        '<span class="nowrap">{}</span> <span class="nowrap soft">({})</span>',
        with_unit(number_text(celsius, decimals=1), "°C"),
        with_unit(number_text(fahrenheit, decimals=0 if whole else 1), "°F"),
    )
