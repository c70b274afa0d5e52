"""XLSX bytes to a table of text: the first visible worksheet, with everything checked that a spreadsheet can hide."""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from posixpath import dirname, join, normpath
from xml.etree.ElementTree import Element, ParseError

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import fromstring
from openpyxl.styles.numbers import BUILTIN_FORMATS, is_date_format
from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900, from_excel

from labbench.formats.faults import FaultList, UnreadableFileError, shown
from labbench.formats.limits import MEBIBYTE, Limits
from labbench.formats.number_texts import number_text
from labbench.formats.tables import Table, counted
from labbench.formats.worksheet_xml import (
    DAMAGED,
    ENTITIES,
    CellMeanings,
    local_name,
    read_shared_strings,
    read_worksheet,
)

PIECE = MEBIBYTE // 4
# Parts that describe the workbook are small; only worksheets and shared strings are read as streams.
LARGEST_DESCRIPTION = 4 * MEBIBYTE
NOT_A_WORKBOOK = "the file is a zip archive, but not an XLSX workbook: save the table as CSV or XLSX"


def read_spreadsheet(data: bytes, *, limits: Limits, faults: FaultList) -> Table:
    """The table in the first visible worksheet of an XLSX workbook.

    Formulas count as their stored results. Dates, error values, percentages and formulas without a result come as
    `MarkedText`.

    Raises
    ------
    UnreadableFileError
        If the bytes are no workbook, or it goes beyond its limits, packed or unpacked.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return _read_archive(_Package(archive, limits), limits, faults)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, OSError, ParseError) as broken:
        raise UnreadableFileError(DAMAGED) from broken
    except DefusedXmlException as refused:
        raise UnreadableFileError(ENTITIES) from refused
    except (KeyError, ValueError, IndexError, OverflowError) as broken:
        raise UnreadableFileError(DAMAGED) from broken


def _read_archive(package: _Package, limits: Limits, faults: FaultList) -> Table:
    workbook = package.workbook()
    table = Table(limits, faults)
    if workbook.other_sheets:
        table.notes.append(
            f"read from the first visible sheet, {shown(workbook.sheet_name)}; "
            f"{counted(workbook.other_sheets, 'other sheet')} left alone"
        )
    strings = read_shared_strings(package.pieces(workbook.strings), limits) if workbook.strings else []
    dates, percents = package.styles(workbook.styles)
    meanings = CellMeanings(strings, dates, percents, _date_text(workbook.has_1904_dates))
    findings = read_worksheet(package.pieces(workbook.sheet), meanings, limits, table.add)
    if findings.formulas:
        table.notes.append(f"{counted(findings.formulas, 'formula')}: the stored results were used")
    if findings.hidden_rows:
        table.notes.append(f"{counted(findings.hidden_rows, 'hidden row')} read like the others")
    table.merged = findings.merged
    return table


@dataclass(frozen=True, slots=True)
class _Workbook:
    sheet_name: str
    sheet: str
    other_sheets: int
    strings: str | None
    styles: str | None
    has_1904_dates: bool


class _Package:
    """The zip archive behind a workbook, checked before anything is unpacked and bounded while it is."""

    def __init__(self, archive: zipfile.ZipFile, limits: Limits) -> None:
        members = archive.infolist()
        if len(members) > limits.members:
            raise UnreadableFileError(
                f"the workbook holds more than {number_text(limits.members)} files: it is refused"
            )
        too_large = f"the workbook unpacks to more than {limits.unpacked_bytes // MEBIBYTE} MB: it is refused"
        if sum(member.file_size for member in members) > limits.unpacked_bytes:
            raise UnreadableFileError(too_large)
        for member in members:
            if member.file_size > MEBIBYTE and member.file_size > limits.packing_ratio * member.compress_size:
                raise UnreadableFileError("the workbook is packed far tighter than any sheet of data: it is refused")
            if member.flag_bits & 1:
                raise UnreadableFileError("the workbook has a password: save it without one")
        self._archive = archive
        self._names = {member.filename.lstrip("/").lower(): member for member in members}
        self._left = limits.unpacked_bytes
        self._too_large = too_large

    def pieces(self, name: str) -> Iterator[bytes]:
        """A member's bytes, unpacked piece by piece; what its directory entry claims is not relied upon."""
        member = self._names[name.lower()]
        if member.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise UnreadableFileError(DAMAGED)
        with self._archive.open(member) as stream:
            while piece := stream.read(PIECE):
                self._left -= len(piece)
                if self._left < 0:
                    raise UnreadableFileError(self._too_large)
                yield piece

    def description(self, name: str) -> Element:
        """A small member's XML, parsed with entities refused."""
        collected = bytearray()
        for piece in self.pieces(name):
            collected += piece
            if len(collected) > LARGEST_DESCRIPTION:
                raise UnreadableFileError(DAMAGED)
        root: Element = fromstring(bytes(collected), forbid_dtd=True)
        return root

    def related(self, name: str) -> dict[str, tuple[str, str]]:
        """Relation id -> (kind, member name), as stated for a member."""
        stated = join(dirname(name), "_rels", name.rpartition("/")[2] + ".rels").lstrip("/")
        if stated.lower() not in self._names:
            return {}
        relations = {}
        for relation in self.description(stated):
            target, kind = relation.get("Target", ""), relation.get("Type", "").rpartition("/")[2]
            path = target.lstrip("/") if target.startswith("/") else normpath(join(dirname(name), target))
            relations[relation.get("Id", "")] = (kind, path)
        return relations

    def workbook(self) -> _Workbook:
        """Where the parts of the workbook are."""
        main = next((path for kind, path in self.related("").values() if kind == "officeDocument"), None)
        if main is None or main.lower() not in self._names or not main.lower().endswith(".xml"):
            raise UnreadableFileError(NOT_A_WORKBOOK)
        root = self.description(main)
        if local_tag(root) != "workbook":
            raise UnreadableFileError(NOT_A_WORKBOOK)
        related = self.related(main)
        sheets = []
        for sheet in root.iter():
            if local_tag(sheet) == "sheet" and sheet.get("state", "visible") == "visible":
                identifier = next((value for key, value in sheet.items() if key.endswith("}id")), "")
                kind, path = related.get(identifier, ("", ""))
                if kind == "worksheet" and path.lower() in self._names:
                    sheets.append((sheet.get("name", ""), path))
        if not sheets:
            raise UnreadableFileError("the workbook has no visible worksheet")
        properties = next((element for element in root.iter() if local_tag(element) == "workbookPr"), None)
        paths = {kind: path for kind, path in related.values() if path.lower() in self._names}
        return _Workbook(
            *sheets[0],
            other_sheets=sum(local_tag(element) == "sheet" for element in root.iter()) - 1,
            strings=paths.get("sharedStrings"),
            styles=paths.get("styles"),
            has_1904_dates=properties is not None and properties.get("date1904") in ("1", "true"),
        )

    def styles(self, name: str | None) -> tuple[frozenset[str], frozenset[str]]:
        """Style numbers that show dates, and those that show percentages."""
        if name is None:
            return frozenset(), frozenset()
        root = self.description(name)
        formats = dict(BUILTIN_FORMATS)
        for element in root.iter():
            if local_tag(element) == "numFmt" and element.get("numFmtId", "").isdecimal():
                formats[int(element.get("numFmtId", ""))] = element.get("formatCode", "")
        cell_formats = next((element for element in root if local_tag(element) == "cellXfs"), None)
        dates, percents = set(), set()
        for style, cell_format in enumerate(cell_formats if cell_formats is not None else ()):
            code = formats.get(int(cell_format.get("numFmtId") or "0"), "General")
            if is_date_format(code):
                dates.add(str(style))
            elif "%" in code:
                percents.add(str(style))
        return frozenset(dates), frozenset(percents)


def local_tag(element: Element) -> str:
    """An element's name without its namespace."""
    return local_name(element.tag.rpartition("}")[2])


def _date_text(has_1904_dates: bool) -> Callable[[float], str]:
    """What turns a date cell's number into ISO text, by the workbook's calendar."""
    epoch = CALENDAR_MAC_1904 if has_1904_dates else CALENDAR_WINDOWS_1900

    def text(number: float) -> str:
        try:
            moment = from_excel(number, epoch)
        except (ValueError, OverflowError):
            return repr(number)
        if isinstance(moment, datetime) and moment.time() == time(0):
            return moment.date().isoformat()
        if isinstance(moment, timedelta):
            return str(moment)
        return str(moment.isoformat())

    return text
