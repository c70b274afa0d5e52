"""The construction of a laminated glass as people write it, `float 3 / PVB 0.76 / float 3`: the thicknesses of its three layers."""

from __future__ import annotations

import re
from dataclasses import dataclass

LAYERS = re.compile(r"\s*[/|+\n]\s*")
THICKNESS = re.compile(r"(?<![\w.,])(\d{1,3}(?:[.,]\d{1,3})?)\s*(?:mm)?(?![\w.,])")
THINNEST_MM, THICKEST_MM = 0.1, 30.0


@dataclass(frozen=True, slots=True)
class Construction:
    """Thicknesses of a laminate in mm, from outside to inside."""

    outer_mm: float
    interlayer_mm: float
    inner_mm: float


def read_construction(text: str) -> Construction | None:
    """The thicknesses of glass, interlayer and glass; None where the text does not say them surely.

    Three parts between slashes (or |, +), each with one number; a decimal comma is one.
    """
    parts = [part for part in LAYERS.split(text.strip()) if part]
    if len(parts) != 3:
        return None
    found = [THICKNESS.findall(part) for part in parts]
    if any(len(numbers) != 1 for numbers in found):
        return None
    thicknesses = [float(numbers[0].replace(",", ".")) for numbers in found]
    if not all(THINNEST_MM <= one <= THICKEST_MM for one in thicknesses):
        return None
    return Construction(*thicknesses)
