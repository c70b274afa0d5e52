"""Which column of a logger file is what: agreed names are taken as they are, others get a proposal to look at."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from labbench.formats.faults import FaultList, UnreadableFileError, shown
from labbench.formats.logger_layout import CHANNEL, NUMBER, LoggerLayout
from labbench.formats.logger_times import CLOCK_ONLY, DATE_ONLY, is_time_text
from labbench.formats.tables import column_letters, listed

Unit = Literal["degC", "degF"]

# A unit at the end of a name or alone: `T1 (°C)`, `Air [degF]`, `Probe F`, `air_c`.
UNIT = re.compile(
    r"(?:^|[\s_(\[,/.-])(?:°|º|\ufffd|deg(?:rees?)?\.?\s*|grad\s*)?(?P<letter>c|f|celsius|fahrenheit)\s*[)\]]?\s*$"
)
BARE_UNIT = re.compile(r"[\s(\[,/]*(?:°|º|\ufffd|deg(?:rees?)?\.?\s*)(?P<letter>c|f)[)\]]?\s*$")
# Words for the air of a chamber, and for what is no temperature.
AIR_WORDS = re.compile(r"air|ambient|chamber|oven|freezer|room|luft|aire")
OTHER_WORDS = re.compile(
    r"%|humid|\brh\b|dew|batt|volt|\bmv\b|\bv\b|signal|rssi|status|alarm|event|mark|index|count|record|number|\bno\b|\bnr\b|\bid\b|serial|note"
)


@dataclass(frozen=True, slots=True)
class ChannelColumn:
    """A column that holds a channel; `unit` is None where the file does not say."""

    position: int
    header: str
    channel: str
    unit: Unit | None


@dataclass(frozen=True, slots=True)
class ColumnMapping:
    """What the columns of a file are.

    Attributes
    ----------
    time : tuple of int
        Position of the column of times, or of date and clock.
    channels : tuple of ChannelColumn
    left_out : tuple of str
        Headers of columns that are not read.
    is_agreed : bool
        Whether the header has the agreed names, so that nothing had to be supposed.
    """

    time: tuple[int, ...]
    channels: tuple[ChannelColumn, ...]
    left_out: tuple[str, ...]
    is_agreed: bool

    @property
    def open_questions(self) -> tuple[str, ...]:
        """What a person has to say before the file can be read."""
        return tuple(
            f'column "{channel.header}": the header does not say whether it is in degC or degF'
            for channel in self.channels
            if channel.unit is None
        )


def agreed_columns(layout: LoggerLayout, faults: FaultList) -> ColumnMapping | None:
    """The mapping of a file with the agreed names; None for any other file. Names given twice are faults."""
    names = [cell.casefold() for cell in layout.header]
    if "time" not in names or not any(CHANNEL.fullmatch(name) for name in names):
        return None
    time = _agreed_time(layout, names)
    channels, left_out, seen = [], [], set()
    for position, (name, header) in enumerate(zip(names, layout.header, strict=True)):
        is_channel = bool(CHANNEL.fullmatch(name))
        if (is_channel or name == "time") and name in seen:
            faults.add(layout.header_row, name, f"occurs twice: again in column {column_letters(position)}")
        elif is_channel:
            channel = name if name == "air_c" else f"coupon_{header[7:-2]}_c"
            channels.append(ChannelColumn(position, header, channel, "degC"))
            if _unit_cell(layout, position) and _unit(layout, position) == "degF":
                faults.add(layout.header_row + 1, name, "is in degF by the row of units, in degC by its name")
        elif position not in time and name != "time":
            left_out.append(shown(header) or column_letters(position))
        seen.add(name)
    return ColumnMapping(time, tuple(channels), tuple(left_out), True)


def _agreed_time(layout: LoggerLayout, names: list[str]) -> tuple[int, ...]:
    """The column `time`; with the column of dates before it where it holds clock times alone."""
    at = names.index("time")
    first = layout.sample[0] if layout.sample else ()
    if at < len(first) and CLOCK_ONLY.fullmatch(first[at]):
        dates = [position for position, cell in enumerate(first) if DATE_ONLY.fullmatch(cell)]
        return (dates[0], at) if dates else (at,)
    return (at,)


def propose_columns(layout: LoggerLayout) -> ColumnMapping:
    """What the columns of a file with other names may be: a proposal, to be looked at.

    Times are found by what the cells hold, channels by numbers; units by the header or the row of units. The first
    column named like the air of a chamber is the air, all other temperatures are coupons. Columns named like humidity, battery or
    a running number are left out.

    Raises
    ------
    UnreadableFileError
        If no column holds times, or none a temperature.
    """
    time = _time_columns(layout)
    channels: list[ChannelColumn] = []
    left_out = []
    taken: set[str] = set()
    for position, header in enumerate(layout.header):
        if position in time:
            continue
        words = " ".join([header, _unit_cell(layout, position)]).casefold()
        if not _holds_numbers(layout, position) or OTHER_WORDS.search(words):
            left_out.append(shown(header) or column_letters(position))
            continue
        channel = _channel_name(header, position, taken)
        taken.add(channel)
        channels.append(ChannelColumn(position, shown(header), channel, _unit(layout, position)))
    if not channels:
        raise UnreadableFileError(f"no column holds temperatures; the header reads: {listed(layout.header)}")
    return ColumnMapping(time, tuple(channels), tuple(left_out), False)


def _time_columns(layout: LoggerLayout) -> tuple[int, ...]:
    first = layout.sample[0] if layout.sample else ()
    whole = [
        position
        for position, cell in enumerate(first)
        if is_time_text(cell) and not DATE_ONLY.fullmatch(cell) and not CLOCK_ONLY.fullmatch(cell)
    ]
    if whole:
        return (whole[0],)
    dates = [position for position, cell in enumerate(first) if DATE_ONLY.fullmatch(cell)]
    clocks = [position for position, cell in enumerate(first) if CLOCK_ONLY.fullmatch(cell)]
    if dates and clocks:
        return dates[0], clocks[0]
    raise UnreadableFileError(f"no column holds a date with a time; the header reads: {listed(layout.header)}")


def _unit_cell(layout: LoggerLayout, position: int) -> str:
    return layout.units[position] if position < len(layout.units) else ""


def _unit(layout: LoggerLayout, position: int) -> Unit | None:
    for text in (_unit_cell(layout, position), layout.header[position]):
        found = UNIT.search(text.casefold()) or BARE_UNIT.search(text.casefold())
        if found is not None:
            return "degC" if found["letter"].startswith("c") else "degF"
    return None


def _holds_numbers(layout: LoggerLayout, position: int) -> bool:
    cells = [cells[position] for cells in layout.sample if position < len(cells) and cells[position]]
    return not cells or sum(1 for cell in cells if NUMBER.fullmatch(cell)) * 2 >= len(cells)


def _channel_name(header: str, position: int, taken: set[str]) -> str:
    text = header.casefold()
    if AIR_WORDS.search(text) and "air_c" not in taken:
        return "air_c"
    for unit in (UNIT, BARE_UNIT):
        found = unit.search(text)
        if found is not None:
            header, text = header[: found.start()], text[: found.start()]
    stem = re.sub(r"\W+", "_", header).strip("_")
    stem = re.sub(r"^coupon_?", "", stem, flags=re.IGNORECASE) or column_letters(position)
    name, copy = f"coupon_{stem}_c", 2
    while name in taken:
        name, copy = f"coupon_{stem}_{copy}_c", copy + 1
    return name
