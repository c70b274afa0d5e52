"""Columns of a trace as read, kept as Parquet (zstd), and read again window by window for a plot.

Beside the columns stands a coarse copy: lowest and highest value of every `BLOCK_ROWS` rows. A window of many rows is drawn from that,
a window of fewer from the rows themselves; either way as many points as the plot is wide, and nothing is drawn across a gap.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from labbench.science.soaks.traces import GAP_INTERVALS, ReadyTrace, Values

GROUP_ROWS = 65_536
BLOCK_ROWS = 256
# More rows than this in a window are drawn from the coarse copy.
MOST_FINE_ROWS = 300_000
CSV_ROWS = 65_536


@dataclass(frozen=True, slots=True)
class Window:
    """What a plot of a window draws.

    Attributes
    ----------
    seconds : list of float
        Since the first reading; ascending.
    values_c : dict of str to list
        Per channel; None where there is no reading, and in the place of each gap.
    rows : int
        Readings in the window, as far as the coarse copy tells.
    is_every_reading : bool
        Whether each reading is a point; else lowest and highest of the readings that fall on one column of pixels.
    """

    seconds: list[float]
    values_c: dict[str, list[float | None]]
    rows: int
    is_every_reading: bool


def coarse_path(path: Path) -> Path:
    """Where the coarse copy of a columns file stands."""
    return path.with_name(f"{path.stem}-coarse.parquet")


def write_trace_columns(ready: ReadyTrace, path: Path) -> None:
    """Write the columns and their coarse copy; each appears whole or not at all."""
    import pyarrow as pa  # slow import

    trace = ready.trace
    about = {
        "interval_s": ready.interval_s,
        "channels": list(trace.channels),
        "utc_offset_minutes": trace.utc_offset_minutes,
    }
    columns = {"time": pa.array(trace.time_us, pa.timestamp("us")), "elapsed_s": pa.array(ready.elapsed_s)}
    columns |= {name: pa.array(values) for name, values in zip(trace.channels, trace.values_c, strict=True)}
    path.parent.mkdir(parents=True, exist_ok=True)
    # The columns last: where they are, the coarse copy is there too.
    _write(_coarse(ready), about, coarse_path(path))
    _write(pa.table(columns), about, path)


def _write(table: Any, about: Mapping[str, object], path: Path) -> None:
    from pyarrow import parquet  # slow import

    half_done = path.with_name(f".{path.name}.{os.urandom(6).hex()}")
    try:
        parquet.write_table(
            table.replace_schema_metadata({"labbench": json.dumps(about)}),
            half_done,
            compression="zstd",
            row_group_size=GROUP_ROWS,
        )
        os.replace(half_done, path)
    finally:
        half_done.unlink(missing_ok=True)


def _coarse(ready: ReadyTrace) -> Any:
    import pyarrow as pa  # slow import

    rows = ready.trace.rows
    starts = np.arange(0, rows, BLOCK_ROWS)
    # Long gaps part blocks, so that none is hidden inside one.
    if len(ready.breaks):
        starts = np.unique(np.r_[starts, ready.breaks + 1])
    ends = np.r_[starts[1:], rows] - 1
    columns = {"first_s": ready.elapsed_s[starts], "last_s": ready.elapsed_s[ends], "rows": ends - starts + 1}
    for name, values in zip(ready.trace.channels, ready.trace.values_c, strict=True):
        columns[f"low {name}"] = np.fmin.reduceat(values, starts)
        columns[f"high {name}"] = np.fmax.reduceat(values, starts)
    is_after_gap = np.isin(starts, ready.breaks + 1)
    return pa.table({**columns, "is_after_gap": is_after_gap})


def read_window(path: Path, *, points: int, from_s: float | None = None, to_s: float | None = None) -> Window:
    """The columns between two times, drawn with about `points` columns of pixels.

    Parameters
    ----------
    path : Path
        As written by `write_trace_columns`.
    points : int
        Columns of pixels, at least 1.
    from_s, to_s : float, optional
        Seconds since the first reading; the whole trace if not given. One reading beyond each edge is given too, so that lines run on.
    """
    from pyarrow import parquet  # slow import

    with parquet.ParquetFile(path, memory_map=True) as file:
        about = json.loads(file.schema_arrow.metadata[b"labbench"])
        groups = _groups_within(file, from_s, to_s)
        in_all = sum(file.metadata.row_group(group).num_rows for group in groups)
        channels = about["channels"]
        if in_all <= MOST_FINE_ROWS:
            table = file.read_row_groups(groups, columns=["elapsed_s", *channels])
            elapsed_s = table.column("elapsed_s").to_numpy()
            values = [table.column(name).to_numpy() for name in channels]
            return _fine(channels, elapsed_s, values, about["interval_s"], (from_s, to_s), points)
    with parquet.ParquetFile(coarse_path(path), memory_map=True) as file:
        return _from_blocks(channels, file.read(), (from_s, to_s), points)


def _groups_within(file: Any, from_s: float | None, to_s: float | None) -> list[int]:
    metadata = file.metadata
    within = []
    for group in range(metadata.num_row_groups):
        told = metadata.row_group(group).column(1).statistics
        if (to_s is None or told.min <= to_s) and (from_s is None or told.max >= from_s):
            within.append(group)
    return within


def _fine(
    channels: list[str],
    elapsed_s: Values,
    values: list[Values],
    interval_s: float | None,
    between: tuple[float | None, float | None],
    points: int,
) -> Window:
    first, stop = _cut(elapsed_s, elapsed_s, between)
    elapsed_s, values = elapsed_s[first:stop], [each[first:stop] for each in values]
    is_after_gap = np.zeros(len(elapsed_s), dtype=np.bool_)
    if interval_s is not None and len(elapsed_s) > 1:
        is_after_gap[1:] = np.diff(elapsed_s) > GAP_INTERVALS * interval_s
    if len(elapsed_s) <= 2 * points:
        seconds, drawn = _with_breaks(elapsed_s, values, is_after_gap)
        return Window(seconds, dict(zip(channels, drawn, strict=True)), len(elapsed_s), True)
    starts = _starts(elapsed_s, is_after_gap, points)
    lows = [np.fmin.reduceat(each, starts) for each in values]
    highs = [np.fmax.reduceat(each, starts) for each in values]
    ends = np.r_[starts[1:], len(elapsed_s)] - 1
    return _lows_and_highs(
        channels, elapsed_s[starts], elapsed_s[ends], lows, highs, is_after_gap[starts], len(elapsed_s)
    )


def _from_blocks(channels: list[str], table: Any, between: tuple[float | None, float | None], points: int) -> Window:
    def column(name: str) -> NDArray[np.float64]:
        values: NDArray[np.float64] = table.column(name).to_numpy()
        return values

    first_s, last_s = column("first_s"), column("last_s")
    first, stop = _cut(first_s, last_s, between)
    first_s, last_s = first_s[first:stop], last_s[first:stop]
    is_after_gap = column("is_after_gap").astype(np.bool_)[first:stop]
    starts = _starts(first_s, is_after_gap, points)
    ends = np.r_[starts[1:], len(first_s)] - 1
    lows = [np.fmin.reduceat(column(f"low {name}")[first:stop], starts) for name in channels]
    highs = [np.fmax.reduceat(column(f"high {name}")[first:stop], starts) for name in channels]
    rows = int(column("rows")[first:stop].sum())
    return _lows_and_highs(channels, first_s[starts], last_s[ends], lows, highs, is_after_gap[starts], rows)


def _cut(first_s: Values, last_s: Values, between: tuple[float | None, float | None]) -> tuple[int, int]:
    """Places within the window, with one more at either side."""
    from_s, to_s = between
    first = 0 if from_s is None else max(0, int(np.searchsorted(last_s, from_s)) - 1)
    stop = len(first_s) if to_s is None else min(len(first_s), int(np.searchsorted(first_s, to_s, side="right")) + 1)
    return first, max(first, stop)


def _starts(seconds: Values, is_after_gap: NDArray[np.bool_], points: int) -> NDArray[np.intp]:
    """Where a new column of pixels, or a new stretch behind a gap, begins."""
    span = float(seconds[-1] - seconds[0]) or 1.0
    column = np.minimum((seconds - seconds[0]) / span * points, points - 1).astype(np.int64)
    is_start = np.r_[True, column[1:] != column[:-1]] | is_after_gap
    return np.flatnonzero(is_start)


def _lows_and_highs(
    channels: list[str],
    first_s: Values,
    last_s: Values,
    lows: list[Values],
    highs: list[Values],
    is_after_gap: NDArray[np.bool_],
    rows: int,
) -> Window:
    seconds = np.stack([first_s, last_s], axis=1).ravel()
    both = [np.stack([low, high], axis=1).ravel() for low, high in zip(lows, highs, strict=True)]
    breaks = np.stack([is_after_gap, np.zeros_like(is_after_gap)], axis=1).ravel()
    drawn_s, drawn = _with_breaks(seconds, both, breaks)
    return Window(drawn_s, dict(zip(channels, drawn, strict=True)), rows, False)


def _with_breaks(
    seconds: Values, values: list[Values], is_after_gap: NDArray[np.bool_]
) -> tuple[list[float], list[list[float | None]]]:
    """As lists, with a point without reading in each gap."""
    gaps = np.flatnonzero(is_after_gap)
    gaps = gaps[gaps > 0]
    seconds = np.insert(seconds, gaps, (seconds[gaps - 1] + seconds[gaps]) / 2)
    drawn: list[list[float | None]] = []
    for each in values:
        opened: Values = np.asarray(np.insert(each, gaps, np.nan), dtype=np.float64).round(3)
        as_list: list[float | None] = opened.tolist()
        for place in np.flatnonzero(np.isnan(opened)).tolist():
            as_list[place] = None
        drawn.append(as_list)
    return np.round(seconds, 3).tolist(), drawn


def csv_pieces(path: Path) -> Iterator[bytes]:
    """The columns as the agreed CSV (time, air_c, coupon_NAME_c), piece by piece."""
    import pyarrow as pa  # slow import
    from pyarrow import csv, parquet  # slow import

    with parquet.ParquetFile(path, memory_map=True) as file:
        names = json.loads(file.schema_arrow.metadata[b"labbench"])["channels"]
        for place, batch in enumerate(file.iter_batches(CSV_ROWS, columns=["time", *names])):
            sink = pa.BufferOutputStream()
            options = csv.WriteOptions(include_header=place == 0, quoting_style="needed")
            csv.write_csv(pa.Table.from_batches([batch]), sink, options)
            yield sink.getvalue().to_pybytes()
