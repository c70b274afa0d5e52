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

from openpyxl.utils.escape import unescape

from labbench.formats.faults import UnreadableFileError
from labbench.formats.limits import MEBIBYTE, Limits
from labbench.formats.number_texts import number_text
from labbench.formats.tables import MarkedText, MergedRange

DAMAGED = "the workbook is damaged: open it in a spreadsheet and save it again, or save it as CSV"
ENTITIES = "the workbook declares XML entities, which no spreadsheet does: it is refused"
LARGEST_TOKEN = 8 * MEBIBYTE
ESCAPED = re.compile("_x[0-9A-Fa-f]{4}_")
# Longer cells are refused later anyway; cutting them here keeps a hostile string from filling the memory.
KEPT_CHARACTERS = 4_000
# Pieces of one cell's text, each of at most 8 KB; and values whose text is remembered.
MOST_PARTS = 16
MOST_KNOWN = 300_000


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
    characters_left = limits.file_bytes

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
        nonlocal is_text, is_phonetic, characters_left
        tag = local_name(tag)
        if tag == "t":
            is_text = False
        elif tag == "rPh":
            is_phonetic = False
        elif tag == "si":
            text = _unescaped("".join(parts)[:KEPT_CHARACTERS])
            characters_left -= len(text)
            if len(strings) >= limits.cells or characters_left < 0:
                raise UnreadableFileError("the workbook holds far more text than a sheet of coupons: it is refused")
            strings.append(text)

    def characters(text: str) -> None:
        if is_text and len(parts) < MOST_PARTS:
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
    worksheet = _Worksheet(meanings, limits, add_row)
    parser = expat.ParserCreate()
    parser.StartElementHandler = worksheet.start
    parser.EndElementHandler = worksheet.end
    parser.CharacterDataHandler = worksheet.characters
    try:
        feed(parser, pieces)
    except (ValueError, IndexError, OverflowError) as broken:
        raise UnreadableFileError(DAMAGED, worksheet.row_number or None) from broken
    return worksheet.findings


class _Worksheet:
    """What has been read of a worksheet so far; its methods are called for every element, so they are kept flat."""

    __slots__ = (
        "add_row",
        "cells",
        "findings",
        "has_formula",
        "is_phonetic",
        "is_text",
        "kind",
        "known",
        "limits",
        "meanings",
        "parts",
        "position",
        "positions",
        "row_number",
        "style",
        "values",
    )

    def __init__(self, meanings: CellMeanings, limits: Limits, add_row: Callable[[int, list[str]], None]) -> None:
        self.meanings = meanings
        self.limits = limits
        self.add_row = add_row
        self.findings = WorksheetFindings()
        # Column letters -> position; and (style, kind, raw value) -> text, because values repeat down the rows.
        self.positions: dict[str, int] = {}
        self.known: dict[tuple[str | None, str, str], str] = {}
        # The row and the cell that are being read.
        self.row_number = 0
        self.values = 0
        self.cells: list[str] = []
        self.position = -1
        self.kind = "n"
        self.style: str | None = None
        self.has_formula = False
        self.is_text = False
        self.is_phonetic = False
        self.parts: list[str] = []

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        if ":" in tag:
            tag = local_name(tag)
        if tag == "c":
            self.start_cell(attributes)
        elif tag == "v":
            self.is_text = True
        elif tag == "t":
            self.is_text = not self.is_phonetic
        elif tag == "f":
            self.has_formula = True
            self.findings.formulas += 1
        elif tag == "row":
            number = attributes.get("r")
            self.row_number = self.row_number + 1 if number is None else int(number)
            self.position = -1
            self.cells = []
            self.findings.hidden_rows += attributes.get("hidden") in ("1", "true")
        elif tag == "rPh":
            self.is_phonetic = True
        elif tag == "mergeCell" and len(self.findings.merged) < self.limits.faults:
            self.findings.merged += merged_ranges(attributes.get("ref", ""))

    def end(self, tag: str) -> None:
        if ":" in tag:
            tag = local_name(tag)
        if tag == "v" or tag == "t":
            self.is_text = False
        elif tag == "c":
            self.end_cell()
        elif tag == "row":
            if self.cells:
                self.add_row(self.row_number, self.cells)
                self.cells = []
        elif tag == "rPh":
            self.is_phonetic = False

    def characters(self, text: str) -> None:
        if self.is_text and len(self.parts) < MOST_PARTS:
            self.parts.append(text)

    def start_cell(self, attributes: dict[str, str]) -> None:
        reference = attributes.get("r")
        if reference is None:
            self.position += 1
        else:
            letters = reference.rstrip("0123456789")
            position = self.positions.get(letters)
            if position is None:
                position = self.positions[letters] = column_position(letters)
            self.position = position
        self.kind = attributes.get("t", "n")
        self.style = attributes.get("s")
        self.has_formula = False
        self.parts.clear()

    def end_cell(self) -> None:
        if self.parts:
            raw = "".join(self.parts)
            key = (self.style, self.kind, raw)
            value = self.known.get(key)
            if value is None:
                if len(self.known) >= MOST_KNOWN:
                    self.known.clear()
                value = self.known[key] = self.cell_text(raw)
        elif self.has_formula and self.kind != "str":
            # Of a formula whose result is an empty text, the cell's kind says so.
            value = MarkedText("formula", "no result")
        else:
            return
        if not value:
            return
        self.values += 1
        if self.values > self.limits.cells:
            raise UnreadableFileError(
                f"the sheet has more than {number_text(self.limits.cells)} values: split it", self.row_number
            )
        missing = self.position - len(self.cells)
        if missing == 0 and self.position < self.limits.columns:
            self.cells.append(value)
        elif self.position >= self.limits.columns:
            raise UnreadableFileError(f"the sheet has values beyond column {self.limits.columns}", self.row_number)
        elif missing > 0:
            self.cells += [""] * missing
            self.cells.append(value)
        else:
            self.cells[self.position] = value

    def cell_text(self, raw: str) -> str:
        """A cell's value as text, by the kind that its attribute ``t`` names (ECMA-376 part 1, 18.18.11)."""
        match self.kind:
            case "s":
                return self.meanings.strings[_natural(raw)]
            case "n":
                return self.number_text(raw)
            case "b":
                return "TRUE" if raw.strip() in ("1", "true") else "FALSE"
            case "e":
                return MarkedText(raw[:20], "error")
            case "d":
                return MarkedText(raw[:40].removesuffix("T00:00:00"), "date")
            case _:
                return _unescaped(raw[:KEPT_CHARACTERS])

    def number_text(self, raw: str) -> str:
        if not raw.strip():
            return ""
        number = float(raw)
        if self.style in self.meanings.dates:
            return MarkedText(self.meanings.date_text(number), "date")
        # The shortest text that reads back as this number: `45.299999999999997` is 45.3.
        text = str(int(number)) if abs(number) < 1e15 and number == int(number) else repr(number)
        return MarkedText(text, "percent") if self.style in self.meanings.percents else text


def column_position(letters: str) -> int:
    """Position from 0 of a column named A, B, ..., XFD; ValueError for anything else."""
    if not 1 <= len(letters) <= 3 or not letters.isascii() or not letters.isalpha():
        raise ValueError(f"{letters[:10]!r} is no column")
    position = 0
    for letter in letters.upper():
        position = position * 26 + ord(letter) - ord("A") + 1
    return position - 1


def merged_ranges(reference: str) -> list[MergedRange]:
    """The range that a reference like ``B2:C5`` names; none for a single cell or anything else."""
    ends = re.fullmatch(r"([A-Z]{1,3})([0-9]{1,7}):([A-Z]{1,3})([0-9]{1,7})", reference)
    if ends is None:
        return []
    left, right = column_position(ends[1]), column_position(ends[3])
    return [MergedRange(reference, int(ends[2]), int(ends[4]), left, right)]


def local_name(tag: str) -> str:
    """An element's name without its namespace prefix."""
    return tag.rpartition(":")[2]


def _natural(raw: str) -> int:
    """A number from 0 up; ValueError for anything else."""
    number = int(raw)
    if number < 0:
        raise ValueError(f"{number} is below 0")
    return number


def _unescaped(text: str) -> str:
    """Text with the format's ``_x000D_`` for characters that XML can't hold turned back into them."""
    return str(unescape(text)) if "_x" in text and ESCAPED.search(text) else text
