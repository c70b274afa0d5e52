"""The beginning of a logger file: what its columns may be, and how its first rows read, before the whole is read.

A mapping of columns is kept as JSON and offered again for files whose beginning looks the same (`layout_fingerprint`).
"""

from __future__ import annotations

import codecs
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from labbench.formats.faults import FaultList, UnreadableFileError, shown
from labbench.formats.limits import DEFAULT
from labbench.formats.logger_columns import ChannelColumn, ColumnMapping, agreed_columns, propose_columns
from labbench.formats.logger_file import read_logger_file
from labbench.formats.logger_layout import WIDE_TEXTS, LoggerLayout, as_utf8, layout_of
from labbench.formats.tables import column_letters
from labbench.formats.uploads import refuse_foreign_content
from labbench.science.soaks.traces import AIR, iso_time

HEAD_BYTES = 524_288
PREVIEW_ROWS = 8
MOST_COLUMNS = 200
MOST_CHANNELS = 64


@dataclass(frozen=True, slots=True)
class LoggerHead:
    """The beginning of a file, in UTF-8 and up to a whole line; its layout, and what its columns may be.

    `trouble` says why nothing could be proposed; `proposal` is None then.
    """

    text: bytes
    layout: LoggerLayout
    proposal: ColumnMapping | None
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class PreviewRow:
    """One row as understood: its row in the file, its time, and a value in degC (None: no reading) per channel."""

    row: int
    time: str
    values_c: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Preview:
    """The first rows as understood under a mapping, or every fault among them."""

    channels: tuple[str, ...]
    rows: tuple[PreviewRow, ...]
    fault_lines: tuple[str, ...]
    notes: tuple[str, ...]


def read_logger_head(data: bytes) -> LoggerHead:
    """What the first `HEAD_BYTES` of a file show.

    Raises
    ------
    UnreadableFileError
        If they are no logger file: no text, no header, another kind of file.
    """
    if not data.strip():
        raise UnreadableFileError("the file is empty")
    refuse_foreign_content(data)
    text = _whole_lines(data)
    layout = layout_of(text)
    if len(layout.header) > MOST_COLUMNS:
        raise UnreadableFileError(f"the file has {len(layout.header)} columns, {MOST_COLUMNS} are the most")
    for place, cell in enumerate((*layout.header, *layout.units)):
        if not cell.isprintable():
            letters = column_letters(place % len(layout.header))
            raise UnreadableFileError(
                f"column {letters} has a character in its header that can't be printed: {shown(cell)}",
                layout.header_row,
            )
    faults = FaultList(DEFAULT.faults)
    agreed = agreed_columns(layout, faults)
    if faults.found:
        raise UnreadableFileError("; ".join(str(fault) for fault in faults.first()))
    try:
        proposal, trouble = agreed or propose_columns(layout), ""
    except UnreadableFileError as refused:
        proposal, trouble = None, str(refused)
    return LoggerHead(text, layout, proposal, trouble)


def _whole_lines(data: bytes) -> bytes:
    """The beginning in UTF-8, without the line that was cut."""
    is_cut = len(data) >= HEAD_BYTES
    for mark, encoding in WIDE_TEXTS:
        if data.startswith(mark):
            decoder = codecs.getincrementaldecoder(encoding)(errors="strict")
            try:
                data = decoder.decode(data, final=not is_cut).encode()
            except UnicodeError as damage:
                raise UnreadableFileError(
                    f"the file's text is not {encoding.upper()} as its beginning says"
                ) from damage
            break
    text = as_utf8(data)
    return text[: text.rfind(b"\n") + 1] if is_cut and b"\n" in text else text


def layout_fingerprint(layout: LoggerLayout) -> str:
    """SHA-256 of what tells one kind of logger file from another: separator, decimal mark, names and units of the columns."""
    told = [layout.separator, layout.decimal_comma, list(layout.header), list(layout.units)]
    return hashlib.sha256(json.dumps(told, ensure_ascii=False).encode()).hexdigest()


def preview_of(head: LoggerHead, mapping: ColumnMapping) -> Preview:
    """The first rows under a mapping."""
    reading = read_logger_file(head.text, mapping=mapping)
    trace = reading.trace
    if trace is None:
        return Preview((), (), tuple(reading.fault_lines[:20]), reading.notes)
    rows = tuple(
        PreviewRow(
            trace.row(at),
            iso_time(int(trace.time_us[at]), trace.utc_offset_minutes).replace("T", " "),
            tuple(None if values[at] != values[at] else float(values[at]) for values in trace.values_c),
        )
        for at in range(min(PREVIEW_ROWS, trace.rows))
    )
    return Preview(trace.channels, rows, (), reading.notes)


def channel_name(text: str) -> str:
    """The channel of a coupon named by a person: `coupon_NAME_c`."""
    return f"coupon_{text}_c"


def coupon_of(channel: str) -> str:
    """The name in a coupon's channel; "" for the air."""
    return "" if channel == AIR else channel.removeprefix("coupon_").removesuffix("_c")


def mapping_document(mapping: ColumnMapping) -> dict[str, Any]:
    """A mapping as plain JSON."""
    return {
        "time": list(mapping.time),
        "channels": [
            {"position": c.position, "header": c.header, "channel": c.channel, "unit": c.unit} for c in mapping.channels
        ],
        "is_agreed": mapping.is_agreed,
    }


def mapping_from(document: Mapping[str, Any], header: Sequence[str]) -> ColumnMapping:
    """A mapping from its JSON; `header` names the columns that it leaves out."""
    channels = tuple(ChannelColumn(c["position"], c["header"], c["channel"], c["unit"]) for c in document["channels"])
    time = tuple(document["time"])
    used = {*time, *(channel.position for channel in channels)}
    left_out = tuple(shown(name) or column_letters(place) for place, name in enumerate(header) if place not in used)
    return ColumnMapping(time, channels, left_out, bool(document.get("is_agreed")))


def mapping_faults(mapping: ColumnMapping) -> list[str]:
    """What is wrong with a mapping that a person gave."""
    faults = []
    if len(mapping.time) not in {1, 2}:
        faults.append("Choose the column of times, or one of dates and one of clock times.")
    if not mapping.channels:
        faults.append("Choose at least one column that is a temperature.")
    if len(mapping.channels) > MOST_CHANNELS:
        faults.append(f"{len(mapping.channels)} channels, {MOST_CHANNELS} are the most.")
    names = [channel.channel for channel in mapping.channels]
    for name in dict.fromkeys(name for name in names if names.count(name) > 1):
        what = "the air" if name == AIR else f"coupon “{coupon_of(name)}”"
        faults.append(f"Two columns are {what}: name each channel once.")
    faults += [f"{question[0].upper()}{question[1:]}." for question in mapping.open_questions]
    return faults
