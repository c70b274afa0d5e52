"""Readings of a logger file that the plain reader refused: numbers as loggers write them, and what they write without one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

# What loggers write where a sensor gives no number (common practice, from memory). Compared in lower case.
NO_READING = (
    "", "-", "--", "---", "----", "*", "**", "***", "?", "nan", "na", "n/a", "#n/a", "null", "none", "inf", "-inf", "ol", "over",
    "over range", "overrange", "under", "under range", "underrange", "open", "open circuit", "short", "err", "error", "fault",
    "fail", "no sensor", "no data", "lost", "low", "high", "lo", "hi",
)  # fmt: skip
# Those among them that the plain reader is told as well, as it compares letter by letter.
PLAIN_NO_READING = (
    "", "-", "--", "---", "NaN", "nan", "NAN", "NA", "N/A", "n/a", "null", "NULL", "OL", "ERR", "Err", "err",
    "ERROR", "Error", "error", "OPEN", "Open", "open", "OVER", "UNDER",
)  # fmt: skip
NUMBER = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?$"
# Minus signs of typesetting, degree signs and units that some exports put behind every number.
CLEANING = (("[\u2212\u2012\u2013]", "-"), ("[ \u00a0]*(°|º|deg)?[ ]*[CcFf]$", ""))


@dataclass(frozen=True, slots=True)
class NumbersReading:
    """Values, NaN where there is none, and where a text is neither a number nor a known word for none. Shape (n,) each."""

    values: NDArray[np.float64]
    is_unread: NDArray[np.bool_]


def read_numbers(texts: Any, *, decimal_comma: bool) -> NumbersReading:
    """Numbers from a pyarrow string array or chunked array."""
    import pyarrow as pa  # slow import
    import pyarrow.compute as pc  # slow import

    if isinstance(texts, pa.ChunkedArray):
        texts = texts.combine_chunks()
    trimmed = pc.utf8_trim_whitespace(pc.fill_null(texts, ""))
    for pattern, replacement in CLEANING:
        trimmed = pc.replace_substring_regex(trimmed, pattern, replacement)
    if decimal_comma:
        trimmed = pc.replace_substring_regex(trimmed, r"^([^,.]*),([^,.]*)$", r"\1.\2")
    is_number = pc.match_substring_regex(trimmed, NUMBER)
    is_none = pc.is_in(pc.utf8_lower(trimmed), value_set=pa.array(NO_READING))
    unsigned = pc.replace_substring_regex(trimmed, r"^\+", "")
    values = pc.cast(pc.if_else(is_number, unsigned, None), pa.float64())
    return NumbersReading(
        np.asarray(pc.fill_null(values, float("nan")), dtype=np.float64),
        ~np.asarray(pc.or_(is_number, is_none), dtype=np.bool_),
    )
