"""The XML inside an XLSX workbook, read as a stream: cells of a worksheet, shared strings, merged ranges.

The format is ECMA-376 part 1 (ISO/IEC 29500-1), SpreadsheetML, section 18.3 (worksheets) and 18.4 (shared strings).
openpyxl's streaming reader gives no merged ranges and, for formulas, either the formula or the stored result; telling
a formula without a result from a blank cell would take two passes. It also knows no bounds, so the stream is read here.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from xml.parsers import expat

from openpyxl.utils.escape import unescape  # type: ignore[import-untyped]

from labbench.formats.faults import UnreadableFileError
from labbench.formats.limits import MEBIBYTE, Limits
from labbench.formats.tables import MarkedText

DAMAGED = "the workbook is damaged: open it in a spreadsheet and save it again, or save it as CSV"
ENTITIES = "the workbook declares XML entities, which no spreadsheet does: it is refused"
LARGEST_TOKEN = 8 * MEBIBYTE
ESCAPED = re.compile("_x[0-9A-Fa-f]{4}_")
# Longer cells are refused later anyway; cutting them here keeps a hostile string from filling the memory.
KEPT_CHARACTERS = 4_000


@dataclass(frozen=True, slots=True)
class MergedRange:
    """Cells merged into one: row numbers and column positions (from 0), both ends included."""

    reference: str
    top: int
    bottom: int
    left: int
    right: int


@dataclass(slots=True)
class WorksheetFindings:
    """What stands in a worksheet beside its cells."""

    formulas: int = 0
    hidden_rows: int = 0
    merged: list[MergedRange] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class CellMeanings:
    """What the rest of the workbook says about cells.

    Attributes
    ----------
    strings : list of str
        The shared strings.
    dates, percents : frozenset of str
        Style numbers, as written in the XML, that show a number as a date or as a percentage.
    date_text : callable
        A date cell's number as ISO text.
    """

    strings: list[str]
    dates: frozenset[str]
    percents: frozenset[str]
    date_text: Callable[[float], str]


def feed(parser: expat.XMLParserType, pieces: Iterator[bytes]) -> None:
    """Parse a stream; no document type, so no entity, is let in.

    Raises
    ------
    UnreadableFileError
        If the XML is broken, declares a document type, or holds a single token of absurd length (which would be
        scanned again with every piece).
    """

    def refuse_document_type(*_: object) -> None:
        raise UnreadableFileError(ENTITIES)

    parser.StartDoctypeDeclHandler = refuse_document_type
    parser.buffer_text = True
    fed = 0
    try:
        for piece in pieces:
            parser.Parse(piece, False)
            fed += len(piece)
            if fed - parser.CurrentByteIndex > LARGEST_TOKEN:
                raise UnreadableFileError(DAMAGED)
        parser.Parse(b"", True)
    except expat.ExpatError as broken:
        raise UnreadableFileError(DAMAGED) from broken


def read_shared_strings(pieces: Iterator[bytes], limits: Limits) -> list[str]:
    """The workbook's shared strings, in their order; phonetic readings are left out."""
    strings: list[str] = []
    parts: list[str] = []
    is_text = is_phonetic = False

    def start(tag: str, _: dict[str, str]) -> None:
        nonlocal is_text, is_phonetic
        tag = local_name(tag)
        if tag == "si":
            parts.clear()
        elif tag == "t":
            is_text = not is_phonetic
        elif tag == "rPh":
            is_phonetic = True

    def end(tag: str) -> None:
        nonlocal is_text, is_phonetic
        tag = local_name(tag)
        if tag == "t":
            is_text = False
        elif tag == "rPh":
            is_phonetic = False
        elif tag == "si":
            if len(strings) >= limits.cells:
                raise UnreadableFileError(f"the workbook holds more than {limits.cells:,} different texts")
            strings.append(_unescaped("".join(parts)[:KEPT_CHARACTERS]))

    def characters(text: str) -> None:
        if is_text:
            parts.append(text)

    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler, parser.CharacterDataHandler = start, end, characters
    feed(parser, pieces)
    return strings


def read_worksheet(
    pieces: Iterator[bytes], meanings: CellMeanings, limits: Limits, add_row: Callable[[int, list[str]], None]
) -> WorksheetFindings:
    """Hand each row of a worksheet that has a value to `add_row`, and give what stands beside the cells.

    Raises
    ------
    UnreadableFileError
        If the XML is broken or a value stands beyond the last column allowed.
    """
    findings = WorksheetFindings()
    strings, dates, percents = meanings.strings, meanings.dates, meanings.percents
    positions: dict[str, int] = {}
    numbers: dict[tuple[str | None, str], str] = {}
    cells: list[str] = []
    parts: list[str] = []
    row_number = 0
    position = -1
    kind = "n"
    style: str | None = None
    is_text = is_phonetic = has_formula = False

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal row_number, position, kind, style, is_text, is_phonetic, has_formula
        if ":" in tag:
            tag = local_name(tag)
        if tag == "c":
            reference = attributes.get("r")
            if reference is None:
                position += 1
            else:
                letters = reference.rstrip("0123456789")
                found = positions.get(letters)
                if found is None:
                    found = positions[letters] = column_position(letters)
                position = found
            kind = attributes.get("t", "n")
            style = attributes.get("s")
            has_formula = False
            parts.clear()
        elif tag == "v":
            is_text = True
        elif tag == "t":
            is_text = not is_phonetic
        elif tag == "f":
            has_formula = True
            findings.formulas += 1
        elif tag == "row":
            number = attributes.get("r")
            row_number = row_number + 1 if number is None else int(number)
            position = -1
            cells.clear()
            if attributes.get("hidden") in ("1", "true"):
                findings.hidden_rows += 1
        elif tag == "rPh":
            is_phonetic = True
        elif tag == "mergeCell" and len(findings.merged) < limits.faults:
            findings.merged.append(merged_range(attributes.get("ref", "")))

    def end(tag: str) -> None:
        nonlocal is_text, is_phonetic
        if ":" in tag:
            tag = local_name(tag)
        if tag == "v" or tag == "t":
            is_text = False
        elif tag == "c":
            raw = "".join(parts)
            if raw:
                value = cell_value(raw)
            elif has_formula and kind != "str":
                # Of a formula whose result is an empty text, the cell's kind says so.
                value = MarkedText("formula", "no result")
            else:
                return
            if not value:
                return
            if position >= limits.columns:
                raise UnreadableFileError(f"the sheet has values beyond column {limits.columns}", row_number)
            missing = position - len(cells)
            if missing > 0:
                cells.extend([""] * missing)
            if missing < 0:
                cells[position] = value
            else:
                cells.append(value)
        elif tag == "row":
            if cells:
                add_row(row_number, cells.copy())
        elif tag == "rPh":
            is_phonetic = False

    def cell_value(raw: str) -> str:
        if kind == "s":
            return strings[int(raw)]
        if kind == "n":
            known = numbers.get((style, raw))
            if known is None:
                known = numbers[style, raw] = number_text(raw)
            return known
        if kind == "b":
            return "TRUE" if raw.strip() in ("1", "true") else "FALSE"
        if kind == "e":
            return MarkedText(raw[:20], "error")
        if kind == "d":
            return MarkedText(raw[:40].removesuffix("T00:00:00"), "date")
        return _unescaped(raw[:KEPT_CHARACTERS])

    def number_text(raw: str) -> str:
        if not raw.strip():
            return ""
        number = float(raw)
        if style in dates:
            return MarkedText(meanings.date_text(number), "date")
        # The shortest text that reads back as this number: `45.299999999999997` is 45.3.
        text = str(int(number)) if abs(number) < 1e15 and number == int(number) else repr(number)
        return MarkedText(text, "percent") if style in percents else text

    def characters(text: str) -> None:
        if is_text:
            parts.append(text)

    parser = expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler, parser.CharacterDataHandler = start, end, characters
    try:
        feed(parser, pieces)
    except (ValueError, IndexError, OverflowError) as broken:
        raise UnreadableFileError(DAMAGED, row_number or None) from broken
    return findings


def column_position(letters: str) -> int:
    """Position from 0 of a column named A, B, ..., XFD; ValueError for anything else."""
    if not 1 <= len(letters) <= 3 or not letters.isascii() or not letters.isalpha():
        raise ValueError(f"{letters[:10]!r} is no column")
    position = 0
    for letter in letters.upper():
        position = position * 26 + ord(letter) - ord("A") + 1
    return position - 1


def merged_range(reference: str) -> MergedRange:
    """The range that a reference like ``B2:C5`` names; ValueError for anything else."""
    ends = re.fullmatch(r"([A-Z]{1,3})([0-9]{1,7}):([A-Z]{1,3})([0-9]{1,7})", reference)
    if ends is None:
        raise ValueError(f"{reference[:20]!r} is no range")
    return MergedRange(reference, int(ends[2]), int(ends[4]), column_position(ends[1]), column_position(ends[3]))


def local_name(tag: str) -> str:
    """An element's name without its namespace prefix."""
    return tag.rpartition(":")[2]


def _unescaped(text: str) -> str:
    """Text with the format's ``_x000D_`` for characters that XML can't hold turned back into them."""
    return str(unescape(text)) if "_x" in text and ESCAPED.search(text) else text
