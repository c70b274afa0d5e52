"""Names of factors as a reader sees them."""

from __future__ import annotations

from labbench.formats.number_texts import unit_of_name
from labbench.science.sheet import UNIT_SUFFIXES


def factor_label(name: str) -> str:
    """`resin_lot` as "resin lot", `cure_time_s` as "cure time"; the unit goes with the levels."""
    suffix = max((s for s in UNIT_SUFFIXES if name.endswith(s)), key=len, default="")
    return (name.removesuffix(suffix) or name).replace("_", " ")


def factor_heading(name: str) -> str:
    """`cure_time_s` as "cure time (s)", for a place whose levels stand without their unit."""
    label, unit = factor_label(name), unit_of_name(name)
    return f"{label} ({unit})" if unit and label != name else label
