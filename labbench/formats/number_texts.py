"""Numbers, units and chances as people read them, on pages and in reports: the only place that rounds.

Signs and spacing follow the SI Brochure (9th edition, 2019), section 5.4: a space between number and unit, also before
the percent sign, and digits in groups of three.
"""

from __future__ import annotations

import math
from decimal import Decimal
from numbers import Real
from typing import TypeGuard

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

# Kept and exported in the unit of the name, told to people in one they think in: name -> unit, and how many of the kept unit it is.
TOLD_IN = {"lot_age_h": ("d", 24.0)}


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
    if isinstance(value, int) or (float(value).is_integer() and abs(value) <= 1e7):
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


def interval_text(low: object, high: object, unit: str = "") -> str:
    """Two limits; an open end is named as such; "" where there is neither."""
    decimals = FIXED_DECIMALS.get(unit)
    if is_number(low) and is_number(high):
        return with_unit(f"{number_text(low, decimals=decimals)} to {number_text(high, decimals=decimals)}", unit)
    if is_number(low):
        return with_unit(f"≥{NARROW}{number_text(low, decimals=decimals)}", unit)
    if is_number(high):
        return with_unit(f"≤{NARROW}{number_text(high, decimals=decimals)}", unit)
    return ""


def percent_text(share: float) -> str:
    """A fraction of one as percent; never 0 or 100 % for what is not quite so."""
    return f"{percent_number(share)}{NARROW}%"


def interval_percent_text(low: object, high: object) -> str:
    """Both limits of an interval of fractions of one; "" where one is missing."""
    if not (is_number(low) and is_number(high)):
        return ""
    return f"{percent_number(low)} to {percent_number(high)}{NARROW}%"


def p_value_text(p: float) -> str:
    """ "p = 0.032": two digits where it matters, never "p = 0"."""
    if p < 0.0001:
        return "p < 0.0001"
    if p >= 0.995:
        return "p > 0.99"
    # Rounding can carry: 0.09999 is 0.10, as 0.1 is.
    decimals = 1 - math.floor(math.log10(float(f"{p:.1e}")))
    if decimals <= 2:
        return f"p = {p:.2f}"
    return f"p = {p:.{decimals}f}"


def unit_of_name(name: str) -> str:
    """The unit that the name of a quantity ends in, "" where it ends in none."""
    return next((unit for suffix, unit in UNIT_OF_SUFFIX.items() if name.endswith(suffix)), "")


def told(name: str, value: float) -> tuple[float, str]:
    """A value of a quantity with its unit as people are told it: `lot_age_h` 720 is 30 d."""
    unit, size = TOLD_IN.get(name, (unit_of_name(name), 1.0))
    return (value if size == 1 else value / size), unit


def percent_number(share: float) -> str:
    value = 100 * share
    if 0 < value < 0.1:
        return f"<{NARROW}0.1"
    if 99.9 < value < 100:
        return f">{NARROW}99.9"
    return grouped(value, 1 if 0 < value < 1 or 99 < value < 100 else 0)
