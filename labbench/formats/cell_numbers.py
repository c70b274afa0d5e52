"""Numbers as people write them into sheets: decimal points, decimal commas, and what could mean two numbers."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from labbench.formats.cell_text import PLAIN_NUMBER
from labbench.formats.faults import shown

MINUS_SIGNS = str.maketrans({"\u2212": "-", "\u2012": "-", "\u2013": "-"})
COMMA_NUMBER = re.compile(r"[+-]?[0-9]*,[0-9]+(?:[eE][+-]?[0-9]{1,3})?")
# `45,3`, `0,125`, `1234,567`: no thousands separator stands there, so these commas are decimal commas.
CLEARLY_DECIMAL_COMMA = re.compile(r"[+-]?(?:0?,[0-9]+|[0-9]+,(?:[0-9]{1,2}|[0-9]{4,})|[0-9]{4,},[0-9]+)")
CLEARLY_DECIMAL_POINT = re.compile(r"[+-]?(?:0?\.[0-9]+|[0-9]+\.(?:[0-9]{1,2}|[0-9]{4,})|[0-9]{4,}\.[0-9]+)")
ONE_GROUP_COMMA = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
ONE_GROUP_POINT = re.compile(r"[+-]?[1-9][0-9]{0,2}\.[0-9]{3}")
GROUPED = re.compile(r"[+-]?[0-9]{1,3}(?:[ ,.'\u2019][0-9]{3})+(?:[.,][0-9]+)?")
NOT_FINITE = re.compile(r"[+-]?(?:inf(?:inity)?|nan|∞)", re.IGNORECASE)
LARGEST = 1e12


@dataclass(frozen=True, slots=True)
class NumberFault:
    """Why a text is not taken as a number.

    Attributes
    ----------
    message : str
    is_meant_as_number : bool
        Whether whoever wrote it must have meant a number (`1,200`, `inf`), not a name (`B`).
    """

    message: str
    is_meant_as_number: bool


def uses_decimal_commas(texts: Iterable[str]) -> bool:
    """Whether at least one of the texts is a number whose comma can only be a decimal comma."""
    return any("," in text and CLEARLY_DECIMAL_COMMA.fullmatch(text) is not None for text in texts)


def uses_decimal_points(texts: Iterable[str]) -> bool:
    """Whether at least one of the texts is a number whose point can only be a decimal point."""
    return any("." in text and CLEARLY_DECIMAL_POINT.fullmatch(text) is not None for text in texts)


def read_number(text: str, *, decimal_commas: bool, points_are_certain: bool = True) -> float | NumberFault:
    """The number a cleaned text means, or why it means none.

    Parameters
    ----------
    text : str
        Not blank.
    decimal_commas : bool
        Whether the sheet's numbers have decimal commas. If not, `45,125` is refused: it could be 45.125 or 45125.
    points_are_certain : bool
        Whether a point can only be a decimal point. If not, `1.200` is refused: it could be 1200.
    """
    text = text.translate(MINUS_SIGNS)
    if PLAIN_NUMBER.fullmatch(text):
        if not points_are_certain and ONE_GROUP_POINT.fullmatch(text):
            return _ambiguous(text, ".")
        return _bounded(text, float(text))
    if COMMA_NUMBER.fullmatch(text):
        if not decimal_commas and ONE_GROUP_COMMA.fullmatch(text):
            return _ambiguous(text, ",")
        return _bounded(text, float(text.replace(",", ".")))
    if GROUPED.fullmatch(text):
        return NumberFault(f"{shown(text)} has a thousands separator: write the number without it", True)
    if NOT_FINITE.fullmatch(text):
        return NumberFault(f"{text} is not a finite number: leave the cell blank if there is none", True)
    return NumberFault(f'"{shown(text)}" is not a number', False)


def _bounded(text: str, number: float) -> float | NumberFault:
    if abs(number) > LARGEST:
        return NumberFault(f"{shown(text)} is absurdly large", True)
    # Adding zero turns -0.0 into 0.0: the two are one level.
    return number + 0.0


def _ambiguous(text: str, separator: str) -> NumberFault:
    whole, decimal = text.replace(separator, ""), text.replace(separator, ".")
    return NumberFault(f"{text} could mean {whole} or {decimal}: write it without a thousands separator", True)
