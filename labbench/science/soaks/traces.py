"""Temperature traces as a logger left them: put in order of time, with what is wrong in them said row by row.

Choices that have no published source (common practice, from memory) stand as constants below; a lab's own need may differ.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.int64]
Values = NDArray[np.float64]

AIR = "air_c"
# No laminated coupon is soaked beyond these; open and shorted sensors answer with numbers that lie there (common practice).
LOWEST_C, HIGHEST_C = -100.0, 300.0
# Rows that are missing are a gap from here on, in sampling intervals; jitter of the clock stays below.
GAP_INTERVALS = 1.5
# From this length on a gap ends a soak, as agreed for the command.
LONG_GAP_INTERVALS = 5
# A reading that differs from both neighbours by this much, to the same side, is a spike.
SPIKE_K = 5.0
# A reading that stays the same to the last digit for this long, this far from where it has to go, is frozen.
FROZEN_S = 600.0
FROZEN_K = 10.0
PIECE_ROWS = 32_768
# Files put together in the wrong order are few; a clock that jumps oftener is looked at no closer.
MOST_PIECES = 20


@dataclass(frozen=True, slots=True)
class TemperatureTrace:
    """Readings of a logger, in the order of its file.

    Attributes
    ----------
    time_us : ndarray, shape (n,)
        Microseconds since 1970-01-01 of the clock as written; of UTC where the times carry a zone.
    channels : tuple of str
        ``air_c`` and ``coupon_NAME_c``, in the order of the file.
    values_c : tuple of ndarray, each of shape (n,)
        degC; NaN where there is no reading.
    first_row : int
        Row of the first reading in its file, where row numbers follow each other.
    row_numbers : ndarray of shape (n,) or None
        Where they do not.
    utc_offset_minutes : int or None
        Offset in which times are written out; None for local times without zone.
    """

    time_us: Times
    channels: tuple[str, ...]
    values_c: tuple[Values, ...]
    first_row: int = 2
    row_numbers: Times | None = None
    utc_offset_minutes: int | None = None

    @property
    def rows(self) -> int:
        """How many readings of all channels there are."""
        return len(self.time_us)

    def row(self, index: int) -> int:
        """Row in the file of the reading at `index`."""
        return self.first_row + index if self.row_numbers is None else int(self.row_numbers[index])

    def stamp(self, index: int) -> str:
        """Time of the reading at `index`, ISO 8601, local without zone or with its offset."""
        return iso_time(int(self.time_us[index]), self.utc_offset_minutes)

    def taken(self, order: NDArray[np.intp]) -> TemperatureTrace:
        """The readings at these places, in this order."""
        numbers = np.arange(self.rows) + self.first_row if self.row_numbers is None else self.row_numbers
        values = tuple(values[order] for values in self.values_c)
        return replace(self, time_us=self.time_us[order], values_c=values, row_numbers=numbers[order])


@dataclass(frozen=True, slots=True)
class Gap:
    """Rows `before` and `after` (places in the trace) with nothing between them for `seconds`."""

    before: int
    after: int
    seconds: float
    ends_soak: bool


@dataclass(frozen=True, slots=True)
class ReadyTrace:
    """A trace in order of time, without readings that can't be.

    Attributes
    ----------
    trace : TemperatureTrace
        In order; impossible readings are NaN, spikes still there.
    elapsed_s : ndarray, shape (n,)
        Never decreasing: a clock that was set back is taken to have ticked on.
    interval_s : float or None
        Sampling interval: the median of the positive differences. None for fewer than two different times.
    gaps : tuple of Gap
    breaks : ndarray
        Places before gaps that end a soak.
    smooth_c : tuple of ndarray
        The channels with spikes left out (NaN).
    is_air_lost : ndarray of shape (n,) or None
        Where the air's channel says nothing of the air; None if it is well throughout or not there.
    warnings : tuple of str
    """

    trace: TemperatureTrace
    elapsed_s: Values
    interval_s: float | None
    gaps: tuple[Gap, ...]
    breaks: NDArray[np.intp]
    smooth_c: tuple[Values, ...]
    is_air_lost: NDArray[np.bool_] | None
    warnings: tuple[str, ...]

    @property
    def coupons(self) -> tuple[int, ...]:
        """Places of the coupon channels."""
        return tuple(place for place, name in enumerate(self.trace.channels) if name != AIR)

    @property
    def air(self) -> int | None:
        """Place of the air's channel, or None."""
        return self.trace.channels.index(AIR) if AIR in self.trace.channels else None


def iso_time(time_us: int, utc_offset_minutes: int | None) -> str:
    """A time of a trace in ISO 8601, without fraction of a second where there is none."""
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=time_us)
    if utc_offset_minutes is None:
        return moment.replace(tzinfo=None).isoformat()
    return moment.astimezone(timezone(timedelta(minutes=utc_offset_minutes))).isoformat()


def make_ready(trace: TemperatureTrace) -> ReadyTrace:
    """The trace in order of time, with gaps, spikes, dead and frozen channels found.

    Raises
    ------
    ValueError
        If there is no reading or no channel.
    """
    if not trace.rows or not trace.channels:
        raise ValueError("a trace needs at least one reading of one channel")
    trace, elapsed_s, warnings = _in_order(trace)
    steps_s = np.diff(elapsed_s)
    interval_s = sampling_interval(steps_s)
    gaps = _gaps(elapsed_s, steps_s, interval_s)
    warnings += _summer_time(trace, gaps, interval_s)
    trace = _possible_readings(trace, warnings)
    smooth_c = tuple(_without_spikes(trace, place, warnings) for place in range(len(trace.channels)))
    ready = ReadyTrace(
        trace=trace,
        elapsed_s=elapsed_s,
        interval_s=interval_s,
        gaps=gaps,
        breaks=np.array([gap.before for gap in gaps if gap.ends_soak], dtype=np.intp),
        smooth_c=smooth_c,
        is_air_lost=None,
        warnings=(),
    )
    is_air_lost = _frozen(ready, warnings)
    return replace(ready, is_air_lost=is_air_lost, warnings=tuple(warnings))


def sampling_interval(steps_s: Values) -> float | None:
    """Median of the positive differences between times, in s: gaps, doubled stamps and jumps do not move it."""
    if len(steps_s) and 0 < steps_s.min() == steps_s.max():
        return float(steps_s[0])  # the usual file, without the work of a median
    if len(steps_s) and steps_s.min() <= 0:
        steps_s = steps_s[steps_s > 0]
    return float(np.median(steps_s)) if len(steps_s) else None


def _gaps(elapsed_s: Values, steps_s: Values, interval_s: float | None) -> tuple[Gap, ...]:
    if interval_s is None:
        return ()
    # Times are whole microseconds: half of one guards a difference of exactly five intervals against rounding.
    ends_from = LONG_GAP_INTERVALS * interval_s - 5e-7
    return tuple(
        Gap(before, before + 1, float(steps_s[before]), bool(steps_s[before] >= ends_from))
        for before in np.flatnonzero(steps_s > GAP_INTERVALS * interval_s).tolist()
    )


def _summer_time(trace: TemperatureTrace, gaps: tuple[Gap, ...], interval_s: float | None) -> list[str]:
    """Gaps in local times that are as long as the hour that summer time leaves out."""
    if trace.utc_offset_minutes is not None or interval_s is None:
        return []
    return [
        f"row {trace.row(gap.after)}: an hour of the clock is missing, as when summer time begins; if it was not lost, "
        "write the times with their offset from UTC"
        for gap in gaps
        if abs(gap.seconds - 3600 - interval_s) < interval_s / 2
    ]


def _in_order(trace: TemperatureTrace) -> tuple[TemperatureTrace, Values, list[str]]:
    """The trace in order of time, seconds since its start, and what had to be done."""
    warnings: list[str] = []
    steps = np.diff(trace.time_us)
    if len(steps) and steps.min() > 0:
        return trace, _seconds(trace.time_us), warnings
    if np.count_nonzero(steps < 0) > np.count_nonzero(steps > 0):
        trace = trace.taken(np.arange(trace.rows)[::-1])
        warnings.append("the file begins with its newest row: read from its end")
    trace = _without_repeated_stretches(trace, warnings)
    trace = _displaced_rows_sorted(trace, warnings)
    trace = _without_repeated_rows(trace, warnings)
    return trace, _seconds(_ticking_on(trace, warnings)), warnings


def _seconds(time_us: Times) -> Values:
    elapsed_s: Values = (time_us - time_us[0]) / 1e6
    return elapsed_s


def _late_stretches(time_us: Times) -> list[tuple[int, int]]:
    """First and last row of the stretches whose times lie before one that was already reached."""
    is_late = time_us < np.maximum.accumulate(time_us)
    starts = np.flatnonzero(is_late & ~np.r_[False, is_late[:-1]])
    ends = np.flatnonzero(is_late & ~np.r_[is_late[1:], False])
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


def _without_repeated_stretches(trace: TemperatureTrace, warnings: list[str]) -> TemperatureTrace:
    """Stretches that stood in the file before, time and readings, left out: a download that begins before the last one ended.

    Only where the readings of the stretch change: the same steady reading in the hour that comes twice when summer time
    ends is no repetition.
    """
    late = [(start, end) for start, end in _late_stretches(trace.time_us) if end > start]
    if not late:
        return trace
    order = np.argsort(trace.time_us, kind="stable")
    before = order[np.searchsorted(trace.time_us[order], trace.time_us, side="left")]
    is_repeated = before < np.arange(trace.rows)
    for values in trace.values_c:
        is_repeated &= (values == values[before]) | (np.isnan(values) & np.isnan(values[before]))
    is_left_out = np.zeros(trace.rows, dtype=np.bool_)
    for start, end in late:
        changes = any(np.any(values[start:end] != values[start + 1 : end + 1]) for values in trace.values_c)
        if changes and is_repeated[start : end + 1].all():
            # The row after it may repeat the last one before it.
            is_left_out[start : end + 2] = is_repeated[start : end + 2]
    if not is_left_out.any():
        return trace
    warnings.append(
        f"row {trace.row(int(np.argmax(is_left_out)))}: repeats times and readings of rows above; "
        f"{_counted(is_left_out)} left out"
    )
    return trace.taken(np.flatnonzero(~is_left_out))


def _fills_a_hole(time_us: Times, start: int, end: int, tick: float) -> bool:
    """Whether the rows of a late stretch fit without overlap where the rows before it left out their time, or begin."""
    above, own = np.sort(time_us[:start]), time_us[start : end + 1]
    place = int(np.searchsorted(above, own.min()))
    if place == len(above) or own.max() >= above[place]:
        return False
    after = above[place] - own.max()
    before = own.min() - above[place - 1] if place else 0
    return bool(max(after, before) < LONG_GAP_INTERVALS * tick and (before or not place))


def _displaced_rows_sorted(trace: TemperatureTrace, warnings: list[str]) -> TemperatureTrace:
    """Rows that stand too late in the file moved to their time; a clock that was set back is left alone.

    After rows that only stand in the wrong place the times jump forward again to where they were, or the rows fit exactly
    where others lack (files put together in the wrong order); a clock that was set back ticks on in its own interval.
    """
    time_us = trace.time_us
    steps = np.diff(time_us)
    backward = np.flatnonzero(steps < 0)
    if not len(backward):
        return trace
    forward = steps[steps > 0]
    tick = float(np.median(forward)) if len(forward) else 0.0
    latest = np.maximum.accumulate(time_us)
    group = np.zeros(trace.rows, dtype=np.int64)
    displaced: list[int] = []
    stretches = _late_stretches(time_us)
    may_be_pieces = len(stretches) <= MOST_PIECES
    for start, end in stretches:
        # After the stretch the times step forward again, by more than a tick.
        returns = end + 1 < trace.rows and steps[end] > GAP_INTERVALS * tick
        swapped = end == start and end + 1 < trace.rows and latest[start] - time_us[start] < 2 * tick
        is_piece = may_be_pieces and _fills_a_hole(time_us, start, end, tick)
        if returns or swapped or is_piece or np.any(steps[start:end] < 0):
            displaced.append(start)
        else:
            group[start:] += 1
    if not displaced:
        return trace
    warnings.append(
        f"row {trace.row(displaced[0])}: its time is before that of the row above; "
        f"{_places(len(displaced))} were put in order of time"
    )
    return trace.taken(np.lexsort((time_us, group)))


def _places(count: int) -> str:
    return "rows at this place" if count == 1 else f"rows at {count:,} such places"


def _without_repeated_rows(trace: TemperatureTrace, warnings: list[str]) -> TemperatureTrace:
    """Rows that repeat the row before them, time and all, left out; the same time with other readings is kept and said."""
    is_same_time = np.r_[False, np.diff(trace.time_us) == 0]
    if not is_same_time.any():
        return trace
    is_repeated = is_same_time.copy()
    for values in trace.values_c:
        is_equal = (values[1:] == values[:-1]) | (np.isnan(values[1:]) & np.isnan(values[:-1]))
        is_repeated[1:] &= is_equal
    if is_repeated.any():
        first = int(np.argmax(is_repeated))
        warnings.append(f"row {trace.row(first)}: repeats the row before it; {_counted(is_repeated)} left out")
    is_doubled = is_same_time & ~is_repeated
    if is_doubled.any():
        first = int(np.argmax(is_doubled))
        warnings.append(
            f"row {trace.row(first)}: has the time of the row before it and other readings; {_counted(is_doubled)} kept"
        )
    return trace.taken(np.flatnonzero(~is_repeated)) if is_repeated.any() else trace


def _counted(flags: NDArray[np.bool_]) -> str:
    count = int(np.count_nonzero(flags))
    return "1 such row" if count == 1 else f"{count:,} such rows"


def _ticking_on(trace: TemperatureTrace, warnings: list[str]) -> Times:
    """Times that never go back: after a clock was set back it ticks on by one interval."""
    steps = np.diff(trace.time_us)
    backward = np.flatnonzero(steps < 0)
    if not len(backward):
        return trace.time_us
    forward = steps[steps > 0]
    tick = int(np.median(forward)) if len(forward) else 0
    corrected = steps.copy()
    corrected[backward] = tick
    for place in backward.tolist()[:20]:
        warnings.append(
            f"row {trace.row(place + 1)}: the clock goes back by {-steps[place] / 1e6:g} s; times are given as written, "
            "durations as if it had ticked on"
        )
    if len(backward) > 20:
        warnings.append(f"the clock goes back {len(backward) - 20:,} more times")
    ticked: Times = np.r_[trace.time_us[:1], trace.time_us[0] + np.cumsum(corrected)]
    return ticked


def _possible_readings(trace: TemperatureTrace, warnings: list[str]) -> TemperatureTrace:
    """Readings beyond what a coupon's soak can have taken out (NaN); channels without any reading said."""
    cleaned = []
    for name, values in zip(trace.channels, trace.values_c, strict=True):
        low, high = extremes(values)
        if low < LOWEST_C or high > HIGHEST_C:
            is_impossible = (values < LOWEST_C) | (values > HIGHEST_C)
            first = int(np.argmax(is_impossible))
            warnings.append(
                f"row {trace.row(first)}, column {name}: {values[first]:g} degC is no temperature of a soak; "
                f"{_readings(is_impossible)} taken as missing"
            )
            values = np.where(is_impossible, np.nan, values)
        missing = np.isnan(values) if np.isnan(values.sum()) else None
        if missing is not None:
            _say_missing(trace, name, missing, warnings)
        cleaned.append(values)
    return replace(trace, values_c=tuple(cleaned))


def _readings(flags: NDArray[np.bool_]) -> str:
    count = int(np.count_nonzero(flags))
    return "1 such reading" if count == 1 else f"{count:,} such readings"


def _say_missing(trace: TemperatureTrace, name: str, missing: NDArray[np.bool_], warnings: list[str]) -> None:
    if missing.all():
        warnings.append(f"column {name}: has no reading at all, so it proves nothing")
        return
    last = trace.rows - 1 - int(np.argmin(missing[::-1]))
    count = int(np.count_nonzero(missing))
    text = (
        f"row {trace.row(int(np.argmax(missing)))}, column {name}: no reading; {count:,} of {trace.rows:,} are missing"
    )
    if trace.rows - 1 - last >= LONG_GAP_INTERVALS:
        text += f", all after row {trace.row(last)}: the channel is dead from there on"
    warnings.append(text)


def _without_spikes(trace: TemperatureTrace, place: int, warnings: list[str]) -> Values:
    """The channel with single readings that leave and come back taken out.

    A reading is a spike if it differs from both neighbours to the same side by more than `SPIKE_K`, or by more than ten times
    the usual difference between neighbours where noise is larger.
    """
    values = trace.values_c[place]
    if len(values) < 3:
        return values
    some = np.abs(np.diff(values[: 2 * (len(values) // 2)].reshape(-1, 2)[:: max(1, len(values) // 20_000)]))
    some = some[~np.isnan(some)]
    least_k = max(SPIKE_K, 10 * float(np.median(some))) if len(some) else SPIKE_K
    spikes = _spikes(values, least_k)
    if not len(spikes):
        return values
    smooth = values.copy()
    smooth[spikes] = np.nan
    first = int(spikes[0])
    warnings.append(
        f"row {trace.row(first)}, column {trace.channels[place]}: {values[first]:g} degC is a spike of one reading; "
        f"{len(spikes):,} in this column"
    )
    return smooth


def _spikes(values: Values, least_k: float) -> NDArray[np.intp]:
    """Places of the spikes; in pieces that stay in the processor's cache, of which few hold a step that is large enough."""
    found = [np.zeros(0, dtype=np.intp)]
    for first in range(0, len(values) - 2, PIECE_ROWS):
        steps = np.diff(values[first : first + PIECE_ROWS + 2])
        # A hole (NaN) hides what else is in the piece: then look closely.
        if max(steps.max(), -steps.min()) <= least_k:
            continue
        leaves = np.flatnonzero(np.abs(steps[:-1]) > least_k)
        comes_back = (np.abs(steps[leaves + 1]) > least_k) & (steps[leaves] * steps[leaves + 1] < 0)
        found.append(leaves[comes_back] + first + 1)
    return np.concatenate(found)


def extremes(values: Values) -> tuple[float, float]:
    """Lowest and highest of the values that are there; NaN where none is."""
    low, high = float(values.min()), float(values.max())
    if np.isnan(low):  # slower, so only where there are holes
        return float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
    return low, high


def _frozen(ready: ReadyTrace, warnings: list[str]) -> NDArray[np.bool_] | None:
    """Say which channels stay the same while the others show that they can't; give back where the air's is lost."""
    lost: NDArray[np.bool_] | None = None
    for place, name in enumerate(ready.trace.channels):
        for start, end in _constant_stretches(ready, place):
            reference = _others(ready, place, start, end)
            if reference is None:
                continue
            apart_k = np.abs(reference - ready.trace.values_c[place][start])
            is_frozen, begin = _is_frozen(apart_k, ready.elapsed_s[start:end], is_air=name == AIR)
            if not is_frozen:
                continue
            minutes = float(ready.elapsed_s[end - 1] - ready.elapsed_s[start]) / 60
            warnings.append(
                f"row {ready.trace.row(start)}, column {name}: reads {ready.trace.values_c[place][start]:g} degC for "
                f"{minutes:.0f} minutes while the other channels move: it may be frozen"
            )
            if name == AIR:
                lost = np.zeros(ready.trace.rows, dtype=np.bool_) if lost is None else lost
                lost[start + begin : end] = True
    return lost


def _is_frozen(apart_k: Values, elapsed_s: Values, *, is_air: bool) -> tuple[bool, int]:
    """Whether a constant channel can't be right, and from where on.

    Glass moves towards the air: a coupon's reading that stays though the others are `FROZEN_K` away for `FROZEN_S` is
    wrong. Air may be constant while the glass comes closer, never while the glass goes away from it by `FROZEN_K`.
    """
    if is_air:
        nearest_k = np.fmin.accumulate(apart_k)
        is_away = apart_k > nearest_k + FROZEN_K
        if not is_away.any():
            return False, 0
        since = int(np.argmax(is_away))
        is_near = apart_k[:since] <= nearest_k[since] + 1
        return True, since - int(np.argmax(is_near[::-1]))
    steps_s = np.diff(elapsed_s, append=elapsed_s[-1])
    return bool(steps_s[apart_k > FROZEN_K].sum() >= FROZEN_S), 0


def _others(ready: ReadyTrace, place: int, start: int, end: int) -> Values | None:
    """Median of the other coupon channels over a stretch; the air where there is no other coupon."""
    others = [other for other in ready.coupons if other != place]
    if not others and ready.air is not None and ready.air != place:
        others = [ready.air]
    if not others:
        return None
    return median_of([ready.smooth_c[other][start:end] for other in others])


def median_of(channels: Iterable[Values]) -> Values:
    """Median over channels, of those that have a reading; NaN where none has."""
    together = np.sort(np.stack(list(channels)), axis=0)  # NaN last
    count = together.shape[0] - np.isnan(together).sum(axis=0)
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, together.shape[0] - 1)
    column = np.arange(together.shape[1])
    median: Values = (together[low, column] + together[high, column]) / 2
    return np.where(count > 0, median, np.nan)


def _constant_stretches(ready: ReadyTrace, place: int) -> list[tuple[int, int]]:
    """Stretches [start, end) of at least `FROZEN_S` in which a channel reads the same to the last digit."""
    if ready.interval_s is None:
        return []
    values = ready.trace.values_c[place]
    length = max(20, int(np.ceil(FROZEN_S / ready.interval_s)))
    # Few rows are looked at first: eight in a row, evenly apart, must be the same.
    stride = max(1, length // 10)
    is_same = values[stride::stride] == values[:-stride:stride]
    padded = np.r_[False, is_same, False]
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    stretches: list[tuple[int, int]] = []
    for begin, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if stop - begin < 7:
            continue
        low, high = max(0, begin * stride - stride), min(len(values), (stop + 1) * stride + stride)
        differs = np.flatnonzero(np.diff(values[low:high]) != 0) + 1
        bounds = np.r_[0, differs, high - low]
        lengths = np.diff(bounds)
        longest = int(np.argmax(lengths))
        if lengths[longest] >= length:
            stretches.append((low + int(bounds[longest]), low + int(bounds[longest + 1])))
    return stretches
