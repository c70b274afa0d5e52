"""How a logger file is written: encoding, separator, decimal mark, where its header ends. Found out from its beginning."""

from __future__ import annotations

import codecs
import csv
import re
from dataclasses import dataclass

from labbench.formats.faults import UnreadableFileError
from labbench.formats.logger_times import is_time_text

SEPARATORS = (",", ";", "\t")
SEPARATOR_LINE = re.compile(r'"?sep=([,;\t])"?\s*')
CHANNEL = re.compile(r"air_c|coupon_\S(?:.*\S)?_c")
DECIMAL_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")
DEGREES = re.compile(
    r"[(\[]?\s*(?:(?:°|º|\ufffd|deg(?:rees?)?\.?)\s*[cf]|[cf]|celsius|fahrenheit)\s*[)\]]?", re.IGNORECASE
)
HEAD_BYTES = 262_144
MOST_HEADER_LINES = 200
SAMPLE_LINES = 200
WIDE_TEXTS = (
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


@dataclass(frozen=True, slots=True)
class LoggerLayout:
    """Where the readings of a logger file are.

    Attributes
    ----------
    separator : str
    decimal_comma : bool
    header : tuple of str
        Cells of the row that names the columns.
    units : tuple of str
        Cells of the row below it, where that holds units; else empty.
    header_row : int
        Row of the header, from 1.
    first_row : int
        Row of the first reading.
    offset : int
        Bytes before it.
    sample : tuple of tuple of str
        Cells of the first readings.
    """

    separator: str
    decimal_comma: bool
    header: tuple[str, ...]
    units: tuple[str, ...]
    header_row: int
    first_row: int
    offset: int
    sample: tuple[tuple[str, ...], ...]


def as_utf8(data: bytes) -> bytes:
    """The bytes in UTF-8 or another text whose digits are ASCII, with line ends that are known.

    Raises
    ------
    UnreadableFileError
        If the bytes are no text.
    """
    for mark, encoding in WIDE_TEXTS:
        if data.startswith(mark):
            try:
                data = data.decode(encoding).encode()
            except UnicodeError as damage:
                name = encoding.upper()
                raise UnreadableFileError(
                    f"the file's text is not {name} throughout, as its beginning says"
                ) from damage
            break
    head = data[:4096]
    if head.count(0) > len(head) // 50:
        raise UnreadableFileError("the file is no text: export the logger's readings as CSV in UTF-8")
    if b"\r" in head and b"\n" not in head:
        data = data.replace(b"\r", b"\n")
    return data


def layout_of(data: bytes) -> LoggerLayout:
    """The layout of a logger file.

    A header with the agreed names (``time``, ``air_c``, ``coupon_NAME_c``) is taken wherever it stands among the first 200
    lines. Without one, the header is the last line of names above the first line that holds a time and a number.

    Raises
    ------
    UnreadableFileError
        If there is no such line.
    """
    lines = data[:HEAD_BYTES].split(b"\n")
    if len(data) > HEAD_BYTES:
        lines.pop()  # cut in two
    texts = [_text(line) for line in lines]
    start = 0
    separators: tuple[str, ...] = SEPARATORS
    if texts and (declared := SEPARATOR_LINE.fullmatch(texts[0])):
        start, separators = 1, (declared[1],)
    found = _agreed_header(texts, start, separators) or _header_above_readings(texts, start, separators)
    if found is None:
        raise UnreadableFileError(
            "no header is found: one of the first lines must name the columns (time, air_c, coupon_NAME_c), "
            "and the lines below it must hold a time and readings"
        )
    separator, header_line, data_line = found
    units = _cells(texts[header_line + 1], separator) if data_line > header_line + 1 else ()
    sample = [_cells(text, separator) for text in texts[data_line : data_line + SAMPLE_LINES] if text.strip()]
    return LoggerLayout(
        separator=separator,
        # Between separating commas only a value in quotes can hold one.
        decimal_comma=_has_decimal_commas(sample),
        header=_as_wide_as(_cells(texts[header_line], separator), sample),
        units=units,
        header_row=header_line + 1,
        first_row=data_line + 1,
        offset=sum(len(line) + 1 for line in lines[:data_line]),
        sample=tuple(sample),
    )


def _text(line: bytes) -> str:
    line = line.removeprefix(codecs.BOM_UTF8).rstrip(b"\r")
    try:
        return line.decode()
    except UnicodeDecodeError:
        return line.decode("cp1252", errors="replace")


def _cells(text: str, separator: str) -> tuple[str, ...]:
    try:
        return tuple(cell.strip() for cell in next(csv.reader([text], delimiter=separator), []))
    except csv.Error:
        return tuple(cell.strip() for cell in text.split(separator))


def _agreed_header(texts: list[str], start: int, separators: tuple[str, ...]) -> tuple[str, int, int] | None:
    for line in range(start, min(len(texts), MOST_HEADER_LINES)):
        for separator in separators:
            names = [cell.casefold() for cell in _cells(texts[line], separator)]
            if "time" in names and any(CHANNEL.fullmatch(name) for name in names):
                has_units = line + 1 < len(texts) and _holds_units(_cells(texts[line + 1], separator))
                return separator, line, line + 2 if has_units else line + 1
    return None


def _holds_units(cells: tuple[str, ...]) -> bool:
    """Whether a line below the names holds their units: words without a digit, a temperature's among them."""
    return any(DEGREES.fullmatch(cell) for cell in cells) and not any(char.isdigit() for cell in cells for char in cell)


def _header_above_readings(texts: list[str], start: int, separators: tuple[str, ...]) -> tuple[str, int, int] | None:
    for separator in sorted(separators, key=lambda mark: -sum(text.count(mark) for text in texts[:MOST_HEADER_LINES])):
        for line in range(start + 1, min(len(texts), MOST_HEADER_LINES)):
            cells = _cells(texts[line], separator)
            if len(cells) < 2 or not _holds_readings(cells):
                continue
            header = _last_names_above(texts, line, separator, len(cells))
            if header is not None:
                return separator, header, line
            break
    return None


def _holds_readings(cells: tuple[str, ...]) -> bool:
    has_time = any(is_time_text(cell) for cell in cells)
    return has_time and any(NUMBER.fullmatch(cell) for cell in cells)


def _last_names_above(texts: list[str], line: int, separator: str, width: int) -> int | None:
    """The header: of the lines of names right above the readings the first, as units and notes stand below the names."""
    candidate = None
    for above in range(line - 1, max(-1, line - 4), -1):
        cells = _cells(texts[above], separator)
        if not texts[above].strip():
            continue
        if not width - 1 <= len(cells) <= width + 1 or len(cells) < 2:
            break
        if sum(1 for cell in cells if cell) < max(2, len(cells) // 2) or any(NUMBER.fullmatch(cell) for cell in cells):
            break
        candidate = above
    return candidate


def _has_decimal_commas(sample: list[tuple[str, ...]]) -> bool:
    return any(DECIMAL_COMMA.fullmatch(cell) for cells in sample for cell in cells)


def _as_wide_as(header: tuple[str, ...], sample: list[tuple[str, ...]]) -> tuple[str, ...]:
    """The header, with blank names added where every reading ends in a separator more."""
    if sample and all(len(cells) == len(header) + 1 and not cells[-1] for cells in sample):
        return (*header, "")
    return header
