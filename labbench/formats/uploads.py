"""The raw bytes of a file: read up to a bound, and recognised by what they hold, never by the file's name."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Protocol

from labbench.formats.faults import UnreadableFileError
from labbench.formats.limits import MEBIBYTE, Limits
from labbench.formats.number_texts import number_text

# First bytes -> what the file is: ISO 32000-1, 7.5.2 (PDF), RFC 1952 (gzip), the PNG specification, 5.2; others from
# memory.
FOREIGN_BEGINNINGS = (
    (b"%PDF", "is a PDF document: export the table behind it as CSV or XLSX"),
    (
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
        "is an old binary workbook (.xls) or one with a password: save it as .xlsx without a password, or as CSV",
    ),
    (b"\x1f\x8b", "is compressed (gzip): unpack it first"),
    (b"7z\xbc\xaf\x27\x1c", "is an archive: unpack it first"),
    (b"Rar!", "is an archive: unpack it first"),
    (b"\x89PNG", "is a picture, not a table"),
    (b"\xff\xd8\xff", "is a picture, not a table"),
    (b"SQLite format 3\x00", "is a database, not a table"),
    (b"{\\rtf", "is a text document, not a table: save the table as CSV or XLSX"),
)
ZIP_BEGINNINGS = (b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")


class Readable(Protocol):
    """Anything that bytes can be read from, piece by piece."""

    def read(self, size: int, /) -> bytes: ...


@dataclass(frozen=True, slots=True)
class Upload:
    """A file in memory, with the SHA-256 of its bytes in hexadecimal."""

    data: bytes
    sha256: str

    @property
    def is_zip(self) -> bool:
        """Whether the bytes begin as a zip archive does, as every XLSX workbook is one."""
        return self.data.startswith(ZIP_BEGINNINGS)


def read_upload(source: bytes | Readable, limits: Limits) -> Upload:
    """The bytes of `source`.

    Raises
    ------
    UnreadableFileError
        If there are none or more than `limits.file_bytes`; no more than one piece beyond the bound is ever held.
    """
    if isinstance(source, (bytes, bytearray, memoryview)):
        data = bytes(source) if len(source) <= limits.file_bytes else b""
        if len(source) > limits.file_bytes:
            raise _too_large(limits)
    else:
        pieces, size = [], 0
        while piece := source.read(MEBIBYTE):
            size += len(piece)
            if size > limits.file_bytes:
                raise _too_large(limits)
            pieces.append(piece)
        data = b"".join(pieces)
    if not data:
        raise UnreadableFileError("the file is empty")
    return Upload(data, hashlib.sha256(data).hexdigest())


def refuse_foreign_content(data: bytes) -> None:
    """Raise UnreadableFileError, in words, for a file that is known to be something else than a table."""
    for beginning, message in FOREIGN_BEGINNINGS:
        if data.startswith(beginning):
            raise UnreadableFileError(f"the file {message}")
    start = data[:512].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if start.startswith((b"<!doctype", b"<html", b"<?xml", b"<svg", b"<table")):
        raise UnreadableFileError("the file is a web page or XML document, not a table: save the table as CSV or XLSX")


def _too_large(limits: Limits) -> UnreadableFileError:
    size = limits.file_bytes
    readable = f"{size // MEBIBYTE} MB" if size >= MEBIBYTE else f"{number_text(size)} bytes"
    return UnreadableFileError(f"the file is larger than {readable}: split it or remove what isn't part of the sheet")
