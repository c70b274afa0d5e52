"""When channels are inside a band, and what happens in a stretch of a trace: extremes, rates, spread."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labbench.science.soaks.profile import ProfileStep
from labbench.science.soaks.traces import LONG_GAP_INTERVALS, ReadyTrace, Values, extremes

# Rates are taken over this time, as those between neighbouring readings are mostly noise.
RATE_WINDOW_S = 60.0


@dataclass(frozen=True, slots=True)
class InsideRuns:
    """Stretches of rows with every channel inside: `first` and `last` (included), ascending, shape (runs,) each."""

    first: NDArray[np.intp]
    last: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Extremes:
    """Over some channels and rows; None where there is no reading (rate: no two readings a minute apart)."""

    min_c: float | None
    max_c: float | None
    max_rate_k_per_min: float | None


@dataclass(frozen=True, slots=True)
class Envelope:
    """Coldest and warmest of the deciding channels, row by row; NaN where one of them has no reading. Shape (n,)."""

    channels: tuple[int, ...]
    coldest_c: Values
    warmest_c: Values


def envelope_of(ready: ReadyTrace, channels: Sequence[int]) -> Envelope:
    """The envelope of channels, given by their places."""
    values = [ready.trace.values_c[place] for place in channels]
    if len(values) == 1:
        return Envelope(tuple(channels), values[0], values[0])
    coldest, warmest = np.minimum(values[0], values[1]), np.maximum(values[0], values[1])
    for more in values[2:]:
        np.minimum(coldest, more, out=coldest)
        np.maximum(warmest, more, out=warmest)
    return Envelope(tuple(channels), coldest, warmest)


def inside_runs(
    ready: ReadyTrace, envelope: Envelope, step: ProfileStep, first: int = 0, last: int | None = None
) -> InsideRuns:
    """Stretches in which all channels of the envelope are inside the band of a step.

    A stretch goes on over a single reading of a channel that is outside, and over readings that are missing, as long as the
    channel is inside before and after and less than five sampling intervals lie between. A gap of five intervals or more
    ends it: nothing is known of that time.

    Parameters
    ----------
    ready : ReadyTrace
    envelope : Envelope
    step : ProfileStep
        The edges of its band belong to it.
    first, last : int
        Rows to look at, `last` included; the whole trace if not given.
    """
    stop = ready.trace.rows if last is None else last + 1
    coldest, warmest = envelope.coldest_c[first:stop], envelope.warmest_c[first:stop]
    is_inside = coldest >= step.low_c
    is_inside &= warmest <= step.high_c
    begins, ends = _true_runs(is_inside)
    begins, ends = begins + first, ends + first
    begins, ends = _mended(ready, envelope.channels, step, begins, ends)
    return InsideRuns(*_broken_at_gaps(ready, begins, ends))


def _true_runs(flags: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    if not len(flags):
        return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)
    edges = np.flatnonzero(flags[1:] != flags[:-1])
    begins = edges[flags[edges + 1]] + 1
    ends = edges[flags[edges]]
    if flags[0]:
        begins = np.r_[0, begins]
    if flags[-1]:
        ends = np.r_[ends, len(flags) - 1]
    return begins, ends


def _mended(
    ready: ReadyTrace,
    channels: tuple[int, ...],
    step: ProfileStep,
    begins: NDArray[np.intp],
    ends: NDArray[np.intp],
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Runs joined over what does not end a soak."""
    if len(begins) < 2 or ready.interval_s is None:
        return begins, ends
    outside_rows = begins[1:] - ends[:-1] - 1
    outside_s = ready.elapsed_s[begins[1:]] - ready.elapsed_s[ends[:-1]]
    # As many rows as fit between readings that are less than five intervals apart; stamps may repeat.
    is_joined = outside_s < LONG_GAP_INTERVALS * ready.interval_s - 5e-7
    for place in np.flatnonzero(is_joined & (outside_rows > 1)).tolist():
        low, high = int(ends[place]), int(begins[place + 1]) + 1
        is_joined[place] = all(_is_single_excursion(ready.trace.values_c[c][low:high], step) for c in channels)
    keeps_begin, keeps_end = np.r_[True, ~is_joined], np.r_[~is_joined, True]
    return begins[keeps_begin], ends[keeps_end]


def _is_single_excursion(values: Values, step: ProfileStep) -> bool:
    """Whether a channel is never outside for more than one reading between two inside (missing ones do not count)."""
    known = values[~np.isnan(values)]
    is_outside = (known < step.low_c) | (known > step.high_c)
    return not bool(np.any(is_outside[1:] & is_outside[:-1]))


def _broken_at_gaps(
    ready: ReadyTrace, begins: NDArray[np.intp], ends: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    if not len(ready.breaks) or not len(begins):
        return begins, ends
    run = np.searchsorted(begins, ready.breaks, side="right") - 1
    is_within = (run >= 0) & (ready.breaks < ends[run])
    breaks = ready.breaks[is_within]
    return np.sort(np.r_[begins, breaks + 1]), np.sort(np.r_[ends, breaks])


def extremes_of(ready: ReadyTrace, channels: Sequence[int], first: int, last: int) -> Extremes:
    """Lowest and highest reading and the steepest change over rows `first` to `last`, spikes left out.

    The rate is the largest |T(t + w) - T(t)| / w with w the fewest sampling intervals that make a minute; pairs of readings
    with a hole between them (more than one and a half w apart) are no evidence of a rate.
    """
    slices = [ready.smooth_c[place][first : last + 1] for place in channels]
    both = [extremes(values) for values in slices]
    return Extremes(
        _best([low for low, _ in both], least=True),
        _best([high for _, high in both], least=False),
        _steepest(ready, slices, ready.elapsed_s[first : last + 1]),
    )


def _best(values: list[float], *, least: bool) -> float | None:
    known = [value for value in values if not np.isnan(value)]
    if not known:
        return None
    return min(known) if least else max(known)


def _steepest(ready: ReadyTrace, slices: list[Values], elapsed_s: Values) -> float | None:
    if ready.interval_s is None:
        return None
    lag = max(1, round(np.ceil(RATE_WINDOW_S / ready.interval_s - 1e-6)))
    if len(elapsed_s) <= lag:
        return None
    seconds = elapsed_s[lag:] - elapsed_s[:-lag]
    usual_s = lag * ready.interval_s
    is_even = float(seconds.min()) > 0.99 * usual_s and float(seconds.max()) < 1.01 * usual_s
    best: float | None = None
    for values in slices:
        change = values[lag:] - values[:-lag]
        if is_even:
            # Fewer passes over long slices: the time between the readings hardly differs.
            np.abs(change, out=change)
            place = int(np.argmax(np.where(np.isnan(change), -1.0, change))) if np.isnan(change.sum()) else -1
            place = int(np.argmax(change)) if place < 0 else place
            rate = float(change[place] / seconds[place])
        else:
            is_close = (seconds > 0) & (seconds <= 1.5 * usual_s)
            rates = np.abs(change[is_close]) / seconds[is_close]
            rate = float(np.fmax.reduce(rates)) if len(rates) else np.nan
        if not np.isnan(rate) and (best is None or rate > best):
            best = rate
    return None if best is None else 60 * best


def spread_of(ready: ReadyTrace, envelope: Envelope, first: int, last: int) -> float | None:
    """Largest difference between two of the channels at one time over rows `first` to `last`, in K, spikes left out."""
    if len(envelope.channels) < 2:
        return None
    differences = envelope.warmest_c[first : last + 1] - envelope.coldest_c[first : last + 1]
    for place in envelope.channels:
        if ready.smooth_c[place] is not ready.trace.values_c[place]:
            differences[np.isnan(ready.smooth_c[place][first : last + 1])] = np.nan
    largest = float(np.fmax.reduce(differences))
    return None if np.isnan(largest) else largest
