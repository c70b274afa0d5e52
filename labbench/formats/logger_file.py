"""A temperature logger's CSV file: bytes to a trace, or every fault with its row.

A sound file of millions of rows is read at once, by the fastest reader there is. Only where that one refuses is the file read a second
time, as text, to say which rows are at fault.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labbench.formats.faults import Fault, FaultList, UnreadableFileError, shown
from labbench.formats.limits import DEFAULT, MEBIBYTE, Limits
from labbench.formats.logger_columns import ChannelColumn, ColumnMapping, agreed_columns, propose_columns
from labbench.formats.logger_layout import LoggerLayout, as_utf8, layout_of
from labbench.formats.logger_numbers import PLAIN_NO_READING, read_numbers
from labbench.formats.logger_times import ISO, iso_offset, read_times
from labbench.formats.number_texts import number_text
from labbench.formats.tables import counted, listed
from labbench.formats.uploads import Readable, refuse_foreign_content
from labbench.science.soaks.traces import TemperatureTrace

# Eight channels once a second for a month and a half.
MOST_BYTES = 512 * MEBIBYTE


@dataclass(frozen=True, slots=True)
class LoggerReading:
    """A trace, or None with every fault; notes say what was done to read the file.

    `mapping` says which column was read as what; it is there also where the trace is not, as far as the header tells.
    """

    trace: TemperatureTrace | None
    mapping: ColumnMapping | None
    faults: tuple[Fault, ...]
    faults_left_out: int = 0
    notes: tuple[str, ...] = ()

    @property
    def fault_lines(self) -> list[str]:
        """One line per fault, and a last one that counts those left out."""
        lines = [str(fault) for fault in self.faults]
        return [*lines, f"and {number_text(self.faults_left_out)} more"] if self.faults_left_out else lines


@dataclass(slots=True)
class _Reading:
    """What is known while a file is read."""

    layout: LoggerLayout
    mapping: ColumnMapping
    body: memoryview
    faults: FaultList
    notes: list[str] = field(default_factory=list)

    def name(self, position: int) -> str:
        """A column's name as faults say it."""
        return shown(self.layout.header[position]) or f"column {position + 1}"


def read_logger_file(
    data: bytes | Readable, *, mapping: ColumnMapping | None = None, limits: Limits = DEFAULT
) -> LoggerReading:
    """Read a logger file; never raises for what is in it.

    Parameters
    ----------
    data : bytes or binary file
        CSV with comma, semicolon or tab; UTF-8, UTF-16 with mark, or a text with ASCII digits.
    mapping : ColumnMapping, optional
        What the columns are. Without one the agreed names are read; a file with other names is read by the proposal of
        `propose_columns` if that leaves no question, and the notes say how.
    limits : Limits
        Only the number of listed faults counts.
    """
    faults = FaultList(limits.faults)
    trace: TemperatureTrace | None = None
    notes: list[str] = []
    try:
        text = as_utf8(_bytes(data))
        layout = layout_of(text)
        mapping = mapping or agreed_columns(layout, faults) or _certain_proposal(layout, faults, notes)
        if not faults.found:
            _say_layout(layout, mapping, notes)
            reading = _Reading(layout, mapping, memoryview(text)[layout.offset :], faults, notes)
            trace = _trace(reading)
    except UnreadableFileError as refused:
        faults.add(refused.row, None, str(refused))
    return LoggerReading(
        None if faults.found else trace, mapping, faults.first(), faults.left_out, tuple(dict.fromkeys(notes))
    )


def _bytes(data: bytes | Readable) -> bytes:
    read = data if isinstance(data, bytes) else data.read(MOST_BYTES + 1)
    if len(read) > MOST_BYTES:
        raise UnreadableFileError(f"the file is larger than {MOST_BYTES // MEBIBYTE} MB: split it by load")
    # Stripping copies: a file of millions of rows is not blank at its start.
    if not read[:4096].strip() and not read.strip():
        raise UnreadableFileError("the file is empty")
    refuse_foreign_content(read[:4096])
    return read


def _certain_proposal(layout: LoggerLayout, faults: FaultList, notes: list[str]) -> ColumnMapping:
    mapping = propose_columns(layout)
    for question in mapping.open_questions:
        faults.add(layout.header_row, None, question)
    notes.append(
        "the header has other names than time, air_c, coupon_NAME_c; read as: "
        + listed([f"{channel.header} as {channel.channel}" for channel in mapping.channels])
    )
    return mapping


def _say_layout(layout: LoggerLayout, mapping: ColumnMapping, notes: list[str]) -> None:
    if mapping.left_out:
        notes.append(f"columns left out: {listed(mapping.left_out)}")
    if layout.decimal_comma:
        notes.append("decimal commas read as decimal points")
    if fahrenheit := [channel.channel for channel in mapping.channels if channel.unit == "degF"]:
        notes.append(f"converted from degF: {listed(fahrenheit)}")


def _trace(reading: _Reading) -> TemperatureTrace:
    if not bytes(reading.body[:MEBIBYTE]).strip() and len(reading.body) < MEBIBYTE:
        raise UnreadableFileError("the file has a header, but no readings")
    return _read_plainly(reading) or _read_carefully(reading)


def _read_plainly(reading: _Reading) -> TemperatureTrace | None:
    """The trace of a file without any fault; None if there is one, or if rows have to be counted."""
    import pyarrow as pa  # slow import

    layout, mapping = reading.layout, reading.mapping
    first = layout.sample[0][mapping.time[0]] if layout.sample and len(mapping.time) == 1 else ""
    if not ISO.fullmatch(first):
        return None
    offset = iso_offset(first)
    types = {str(mapping.time[0]): pa.timestamp("us", tz=None if offset is None else "UTC")}
    types |= {str(channel.position): pa.float64() for channel in mapping.channels}
    try:
        table = _arrow_table(reading, types, None)
    except (pa.ArrowInvalid, UnicodeDecodeError):
        return None
    time = table.column(str(mapping.time[0]))
    if not len(time) or time.null_count or (offset is not None and _last_offset(reading) != offset):
        return None
    if _line_count(reading.body) != len(time):
        return None
    return TemperatureTrace(
        time_us=_joined(time.cast(pa.int64()), np.dtype(np.int64)),
        channels=tuple(channel.channel for channel in mapping.channels),
        values_c=tuple(_in_degc(channel, _floats(table, channel)) for channel in mapping.channels),
        first_row=layout.first_row,
        utc_offset_minutes=offset,
    )


def _floats(table: Any, channel: ChannelColumn) -> NDArray[np.float64]:
    return _joined(table.column(str(channel.position)), np.dtype(np.float64))


def _joined(column: Any, kind: np.dtype[Any]) -> NDArray[Any]:
    """A column of eight-byte numbers as one array, NaN where there is none.

    Its own way of doing so makes pyarrow load pandas, which takes as long as reading half a million rows.
    """
    values = np.empty(len(column), dtype=kind)
    at = 0
    for chunk in column.chunks:
        if not len(chunk):
            continue
        part = values[at : at + len(chunk)]
        bits, numbers = chunk.buffers()
        part[:] = np.frombuffer(numbers, dtype=kind, count=len(chunk), offset=chunk.offset * kind.itemsize)
        if chunk.null_count:
            is_known = np.unpackbits(np.frombuffer(bits, dtype=np.uint8), bitorder="little")
            part[is_known[chunk.offset : chunk.offset + len(chunk)] == 0] = np.nan
        at += len(chunk)
    return values


def _in_degc(channel: ChannelColumn, values: NDArray[np.float64]) -> NDArray[np.float64]:
    return (values - 32) * 5 / 9 if channel.unit == "degF" else values


def _line_count(body: memoryview) -> int:
    text = body.obj
    assert isinstance(text, bytes)  # the whole file, of which the body is the end
    start = len(text) - len(body)
    return text.count(b"\n", start) + (0 if text.endswith(b"\n") else 1)


def _last_offset(reading: _Reading) -> int | None:
    """Offset of the last time: in a file whose first has the same, the ones between are taken to have it too."""
    tail = bytes(reading.body[-4096:]).rstrip().rpartition(b"\n")[2].decode(errors="replace")
    cells = tail.split(reading.layout.separator)
    position = reading.mapping.time[0]
    return iso_offset(cells[position].strip('" ')) if position < len(cells) else None


def _arrow_table(reading: _Reading, types: dict[str, Any], odd_rows: list[tuple[int | None, int]] | None) -> Any:
    """The wanted columns; rows with another number of cells go to `odd_rows`, or are refused without it."""
    import pyarrow as pa  # slow import
    from pyarrow import csv  # slow import

    def kept_aside(row: Any) -> str:
        assert odd_rows is not None
        odd_rows.append((row.number, row.actual_columns))
        return "skip"

    layout = reading.layout
    return csv.read_csv(
        pa.py_buffer(reading.body),
        read_options=csv.ReadOptions(
            column_names=[str(position) for position in range(len(layout.header))], use_threads=odd_rows is None
        ),
        parse_options=csv.ParseOptions(
            delimiter=layout.separator, invalid_row_handler=None if odd_rows is None else kept_aside
        ),
        convert_options=csv.ConvertOptions(
            column_types=types,
            include_columns=list(types),
            null_values=list(PLAIN_NO_READING) if odd_rows is None else [""],
            strings_can_be_null=True,
            decimal_point="," if layout.decimal_comma else ".",
            check_utf8=odd_rows is not None,
        ),
    )


def _read_carefully(reading: _Reading) -> TemperatureTrace:
    """The trace of any file, row by row as text, with every fault."""
    import pyarrow as pa  # slow import

    mapping = reading.mapping
    positions = [*mapping.time, *(channel.position for channel in mapping.channels)]
    odd_rows: list[tuple[int | None, int]] = []
    reading.body = memoryview(_sound_text(bytes(reading.body)))
    try:
        table = _arrow_table(reading, {str(position): pa.string() for position in positions}, odd_rows)
    except pa.ArrowInvalid as refused:
        raise UnreadableFileError(f"the file is no sound CSV: {shown(str(refused), 120)}") from refused
    rows = _row_numbers(reading, len(table), odd_rows)
    table, rows = _without_idle_rows(reading, table, rows)
    if not len(table):
        raise UnreadableFileError("the file has a header, but no readings")
    texts = table.column(str(mapping.time[0]))
    if len(mapping.time) == 2:
        import pyarrow.compute as pc  # slow import

        texts = pc.binary_join_element_wise(texts, table.column(str(mapping.time[1])), " ")
    time_us, offset = _times(reading, texts, rows)
    values = tuple(
        _channel(reading, channel, table.column(str(channel.position)), rows) for channel in mapping.channels
    )
    names = tuple(channel.channel for channel in mapping.channels)
    return TemperatureTrace(time_us, names, values, reading.layout.first_row, rows, offset)


def _sound_text(body: bytes) -> bytes:
    """The bytes in UTF-8; what is not is taken to be Windows-1252."""
    try:
        body.decode()
    except UnicodeDecodeError:
        return body.decode("cp1252", errors="replace").encode()
    return body


def _row_numbers(reading: _Reading, count: int, odd_rows: list[tuple[int | None, int]]) -> NDArray[np.int64]:
    """Rows of the file for the rows of the table; odd ones become faults, a last one that was cut off a note."""
    text = np.frombuffer(reading.body, dtype=np.uint8)
    ends = np.flatnonzero(text == 10)
    if len(text) and text[-1] != 10:
        ends = np.r_[ends, len(text)]
    starts = np.r_[0, ends[:-1] + 1]
    lengths = ends - starts
    is_return = np.zeros(len(ends), dtype=np.bool_)
    is_return[lengths == 1] = text[starts[lengths == 1]] == 13
    is_blank = (lengths == 0) | is_return
    lines = np.flatnonzero(~is_blank) + reading.layout.first_row
    is_odd = np.zeros(len(lines), dtype=np.bool_)
    width = len(reading.layout.header)
    for number, cells in odd_rows:
        place = (number or 1) - 1
        if not 0 <= place < len(lines):
            continue
        is_odd[place] = True
        row = int(lines[place])
        if place == len(lines) - 1 and cells < width and bytes(reading.body[-1:]) != b"\n":
            reading.notes.append(f"row {row}: the last row is cut off; left out")
        else:
            reading.faults.add(row, None, f"has {counted(cells, 'cell')}, but the header has {width}")
    sound = lines[~is_odd]
    if len(sound) != count:
        raise UnreadableFileError("a quoted value goes on over a line end: write the file without line ends in cells")
    if np.any(is_blank[: -1 if len(is_blank) > 1 else None]):
        reading.notes.append(f"{counted(int(np.count_nonzero(is_blank)), 'blank row')} left out")
    return sound


def _without_idle_rows(reading: _Reading, table: Any, rows: NDArray[np.int64]) -> tuple[Any, NDArray[np.int64]]:
    """Rows of separators alone, as spreadsheets append them, and headers of files put one behind the other left out."""
    import pyarrow.compute as pc  # slow import

    is_blank, is_header = np.ones(len(rows), dtype=np.bool_), np.ones(len(rows), dtype=np.bool_)
    for name in table.column_names:
        texts = pc.utf8_trim_whitespace(pc.fill_null(table.column(name), ""))
        is_blank &= np.asarray(pc.equal(texts, ""), dtype=np.bool_)
        is_header &= np.asarray(pc.equal(texts, reading.layout.header[int(name)]), dtype=np.bool_)
    is_header &= ~is_blank
    if is_blank.any():
        reading.notes.append(f"{counted(int(is_blank.sum()), 'row')} without time and readings left out")
    if is_header.any():
        first = int(rows[int(np.argmax(is_header))])
        reading.notes.append(f"row {first}: repeats the header; {counted(int(is_header.sum()), 'such row')} left out")
    is_kept = ~(is_blank | is_header)
    return (table, rows) if is_kept.all() else (table.filter(is_kept), rows[is_kept])


def _times(reading: _Reading, texts: Any, rows: NDArray[np.int64]) -> tuple[NDArray[np.int64], int | None]:
    times = read_times(texts)
    column = " + ".join(reading.name(position) for position in reading.mapping.time)
    for flags, rule in (
        (times.is_unread, "is no time: write it as ISO 8601, e.g. 2026-12-07T08:00:00"),
        (
            times.is_zone_odd,
            "has no zone, though the other times have one"
            if times.has_zone
            else "has a zone, though the others have none",
        ),
    ):
        places = np.flatnonzero(flags).tolist()
        reading.faults.add_each(
            [int(rows[place]) for place in places],
            column,
            _message(texts, places, rule, "is blank: every row needs a time"),
        )
    if times.note:
        reading.notes.append(times.note)
    return times.time_us, times.utc_offset_minutes


def _channel(reading: _Reading, channel: ChannelColumn, texts: Any, rows: NDArray[np.int64]) -> NDArray[np.float64]:
    numbers = read_numbers(texts, decimal_comma=reading.layout.decimal_comma)
    places = np.flatnonzero(numbers.is_unread).tolist()
    reading.faults.add_each(
        [int(rows[place]) for place in places],
        reading.name(channel.position),
        _message(texts, places, "is not a number", "is blank"),
    )
    return _in_degc(channel, numbers.values)


def _message(texts: Any, places: list[int], rule: str, blank: str) -> Any:
    def message(at: int) -> str:
        text = texts[places[at]].as_py()
        return f'"{shown(text)}" {rule}' if text and text.strip() else blank

    return message
