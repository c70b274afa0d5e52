"""Times of a logger file: ISO 8601, and the day-month-year and month-day-year forms that loggers export.

The usual case, ISO 8601 throughout, is read by the CSV reader itself; what stands here reads the rest and says which row is
wrong. Times without zone are taken as they are.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

ISO = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[ T][0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]{1,6})?)?(Z|[+-][0-9]{2}(?::?[0-9]{2})?)?"
)
PARTS = (
    r"^(?P<a>[0-9]{1,4})(?:[-./](?P<b>[0-9]{1,2})[-./](?P<c>[0-9]{1,4}))[ T,]+"
    r"(?P<h>[0-9]{1,2}):(?P<m>[0-9]{2})(?::(?P<s>[0-9]{2})(?:[.,](?P<f>[0-9]{1,9}))?)?"
    r"[ ]*(?P<p>[AaPp][Mm])?[ ]*(?P<z>Z|z|[+-][0-9]{2}:?[0-9]{2}|[+-][0-9]{2})?$"
)
BASIC = r"^([0-9]{4})([0-9]{2})([0-9]{2})T([0-9]{2})([0-9]{2})([0-9]{2})?"
DATE_ONLY = re.compile(r"[0-9]{1,4}[-./][0-9]{1,2}[-./][0-9]{1,4}")
CLOCK_ONLY = re.compile(r"[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]{1,9})?)?\s*(?:[AaPp][Mm])?")
FIRST_YEAR, LAST_YEAR = 1970, 2200


@dataclass(frozen=True, slots=True)
class TimesReading:
    """Times of a column.

    Attributes
    ----------
    time_us : ndarray, shape (n,)
        Microseconds since 1970, of UTC where `has_zone`.
    is_unread : ndarray of bool, shape (n,)
        Where the text is no time.
    is_zone_odd : ndarray of bool, shape (n,)
        Where a zone is missing though most have one, or the other way round.
    has_zone : bool
    utc_offset_minutes : int or None
        Where all rows have the same one; 0 where they differ.
    note : str or None
        What had to be supposed.
    """

    time_us: NDArray[np.int64]
    is_unread: NDArray[np.bool_]
    is_zone_odd: NDArray[np.bool_]
    has_zone: bool
    utc_offset_minutes: int | None
    note: str | None = None


def is_time_text(text: str) -> bool:
    """Whether a cell holds a date with a time, or one of the two."""
    text = text.strip()
    return bool(re.fullmatch(PARTS[1:-1], text) or DATE_ONLY.fullmatch(text) or CLOCK_ONLY.fullmatch(text)) or bool(
        re.match(BASIC, text)
    )


def iso_offset(text: str) -> int | None:
    """Minutes ahead of UTC of a time in ISO 8601, or None where it has no zone or is none."""
    found = ISO.fullmatch(text.strip())
    return None if found is None or found[1] is None else _offset_minutes(found[1])


def _offset_minutes(zone: str) -> int:
    if zone in "Zz":
        return 0
    digits = zone[1:].replace(":", "")
    minutes = 60 * int(digits[:2]) + int(digits[2:] or 0)
    return -minutes if zone[0] == "-" else minutes


def read_times(texts: Any) -> TimesReading:
    """Times from a pyarrow string array or chunked array; nulls are unread."""
    import pyarrow as pa  # slow import
    import pyarrow.compute as pc  # slow import

    if isinstance(texts, pa.ChunkedArray):
        texts = texts.combine_chunks()
    trimmed = pc.utf8_trim_whitespace(texts)
    trimmed = pc.replace_substring_regex(trimmed, BASIC, r"\1-\2-\3T\4:\5:\6")
    trimmed = pc.replace_substring_regex(trimmed, r":($|Z|[+-])", r"\1")  # basic form without seconds
    parts = pc.extract_regex(trimmed, PARTS)
    is_unread = np.asarray(pc.is_null(parts), dtype=np.bool_).copy()
    number = {name: _numbers(pc.struct_field(parts, name)) for name in "abchms"}
    year, month, day, note = _dates(number, is_unread)
    hour = _hours(number["h"], pc.struct_field(parts, "p"), is_unread)
    is_unread |= (hour > 23) | (number["m"] > 59) | (number["s"] > 59)
    safe = np.where(is_unread, 0, 1)
    days = _days(np.where(is_unread, 1970, year), np.where(is_unread, 1, month), np.where(is_unread, 1, day))
    seconds = days * 86_400 + safe * (hour * 3600 + number["m"] * 60 + number["s"])
    time_us = seconds * 1_000_000 + safe * _fractions(pc.struct_field(parts, "f"))
    return _in_zone(time_us, pc.struct_field(parts, "z"), is_unread, note)


def _numbers(column: Any) -> NDArray[np.int64]:
    import pyarrow as pa  # slow import
    import pyarrow.compute as pc  # slow import

    filled = pc.if_else(pc.equal(pc.fill_null(column, ""), ""), "0", pc.fill_null(column, "0"))
    return np.asarray(pc.cast(filled, pa.int64()), dtype=np.int64)


def _fractions(column: Any) -> NDArray[np.int64]:
    import pyarrow.compute as pc  # slow import

    padded = pc.utf8_slice_codeunits(pc.utf8_rpad(pc.fill_null(column, ""), 6, "0"), 0, 6)
    return _numbers(padded)


def _hours(hour: NDArray[np.int64], half: Any, is_unread: NDArray[np.bool_]) -> NDArray[np.int64]:
    import pyarrow.compute as pc  # slow import

    lower = pc.utf8_lower(pc.fill_null(half, ""))
    is_pm, is_am = (np.asarray(pc.equal(lower, name), dtype=np.bool_) for name in ("pm", "am"))
    is_unread |= (is_pm | is_am) & ((hour < 1) | (hour > 12))
    hour = np.where((is_pm | is_am) & (hour == 12), 0, hour)
    return np.where(is_pm, hour + 12, hour)


def _dates(
    number: dict[str, NDArray[np.int64]], is_unread: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], str | None]:
    """Year, month, day; rows that are no date are marked as unread."""
    a, b, c = number["a"], number["b"], number["c"]
    is_iso = a > 31
    is_day_first, note = _is_day_first(a[~is_iso & ~is_unread], b[~is_iso & ~is_unread], c[~is_iso & ~is_unread])
    first, second = (a, b) if is_day_first else (b, a)
    year = np.where(is_iso, a, np.where(c < 100, c + 2000, c))
    month = np.where(is_iso, b, second)
    day = np.where(is_iso, c, first)
    is_unread |= (year < FIRST_YEAR) | (year > LAST_YEAR) | (month < 1) | (month > 12) | (day < 1)
    sound = ~is_unread
    longest = _days(year[sound] + month[sound] // 12, month[sound] % 12 + 1, np.ones_like(day[sound])) - _days(
        year[sound], month[sound], np.ones_like(day[sound])
    )
    is_unread[sound] = day[sound] > longest
    return year, month, day, note


def _is_day_first(a: NDArray[np.int64], b: NDArray[np.int64], c: NDArray[np.int64]) -> tuple[bool, str | None]:
    """Whether 03/04/2026 means 3 April: as far as numbers above 12 tell, else as the shorter span of dates tells."""
    if not len(a) or int(a.max()) > 12:
        return True, None
    if int(b.max()) > 12:
        return False, None
    day_first, month_first = (_span(c, month, day) for month, day in ((b, a), (a, b)))
    if day_first == month_first:
        return True, "dates are read as day, month, year; month, day, year would be as possible"
    return day_first < month_first, None


def _span(year: NDArray[np.int64], month: NDArray[np.int64], day: NDArray[np.int64]) -> int:
    is_sound = (month >= 1) & (month <= 12)
    if not is_sound.any():
        return 0
    days = _days(year[is_sound], month[is_sound], day[is_sound])
    return int(days.max() - days.min())


def _days(year: NDArray[np.int64], month: NDArray[np.int64], day: NDArray[np.int64]) -> NDArray[np.int64]:
    months = ((year - 1970) * 12 + month - 1).astype("datetime64[M]")
    return months.astype("datetime64[D]").astype(np.int64) + day - 1


def _in_zone(time_us: NDArray[np.int64], zones: Any, is_unread: NDArray[np.bool_], note: str | None) -> TimesReading:
    import pyarrow.compute as pc  # slow import

    known = pc.fill_null(zones, "")
    names = pc.unique(known).to_pylist()
    has = np.asarray(pc.not_equal(known, ""), dtype=np.bool_)
    has_zone = bool(2 * np.count_nonzero(has & ~is_unread) > np.count_nonzero(~is_unread))
    offsets = np.zeros(len(time_us), dtype=np.int64)
    seen = set()
    for name in names:
        if name:
            minutes = _offset_minutes(name)
            offsets[np.asarray(pc.equal(known, name), dtype=np.bool_)] = minutes
            seen.add(minutes)
    if not has_zone:
        return TimesReading(time_us, is_unread, has & ~is_unread, False, None, note)
    return TimesReading(
        time_us - offsets * 60_000_000,
        is_unread,
        ~has & ~is_unread,
        True,
        seen.pop() if len(seen) == 1 else 0,
        note,
    )
