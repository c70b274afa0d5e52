"""Columns kept as Parquet: what a window gives, near and far, is what the readings are."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labbench.formats import trace_columns
from labbench.formats.trace_columns import csv_pieces, read_window, write_trace_columns
from labbench.science.soaks.traces import TemperatureTrace, make_ready


def kept(path, seconds, values):
    time_us = (np.asarray(seconds) * 1e6).astype(np.int64)
    channels = ("air_c", *(f"coupon_{n}_c" for n in range(1, len(values))))
    ready = make_ready(TemperatureTrace(time_us, channels, tuple(np.asarray(v, dtype=float) for v in values)))
    write_trace_columns(ready, path)
    return ready


@pytest.mark.parametrize("most_fine_rows", [10**9, 0])
@pytest.mark.parametrize("points", [20, 300])
def test_lowest_and_highest_are_never_lost(tmp_path, monkeypatch, most_fine_rows, points):
    monkeypatch.setattr(trace_columns, "MOST_FINE_ROWS", most_fine_rows)
    rng = np.random.default_rng(3)
    air = rng.normal(0, 1, 20_000)
    air[12_345], air[777] = 99.0, -88.0
    kept(tmp_path / "c.parquet", np.arange(20_000), [air, air + 1])
    window = read_window(tmp_path / "c.parquet", points=points)
    assert not window.is_every_reading
    assert len(window.seconds) <= 2 * points + 2
    assert (min(window.values_c["air_c"]), max(window.values_c["air_c"])) == (-88.0, 99.0)
    # The peak stands where it was, within a column of pixels.
    at = window.seconds[int(np.argmax(window.values_c["air_c"]))]
    assert at == pytest.approx(12_345, abs=20_000 / points + trace_columns.BLOCK_ROWS)


@pytest.mark.parametrize("most_fine_rows", [10**9, 0])
def test_a_gap_and_a_dead_channel_are_holes(tmp_path, monkeypatch, most_fine_rows):
    monkeypatch.setattr(trace_columns, "MOST_FINE_ROWS", most_fine_rows)
    seconds = np.r_[np.arange(3_000), np.arange(6_000, 9_000)]
    air = np.ones(6_000)
    dead = np.where(seconds < 2_000, 5.0, np.nan)
    kept(tmp_path / "c.parquet", seconds, [air, dead])
    window = read_window(tmp_path / "c.parquet", points=50)
    assert window.values_c["air_c"].count(None) == 1
    hole = window.seconds[window.values_c["air_c"].index(None)]
    assert 3_000 <= hole <= 6_000
    last = max(s for s, v in zip(window.seconds, window.values_c["coupon_1_c"], strict=True) if v is not None)
    assert last == pytest.approx(2_000, abs=300)


@settings(max_examples=40, deadline=None)
@given(
    low=st.integers(0, 5_000), width=st.integers(1, 6_000), points=st.integers(10, 400), group=st.sampled_from([64, 1_000, 65_536])
)  # fmt: skip
def test_a_window_holds_what_lies_in_it(tmp_path_factory, low, width, points, group):
    path = tmp_path_factory.mktemp("w") / "c.parquet"
    before, trace_columns.GROUP_ROWS = trace_columns.GROUP_ROWS, group
    try:
        air = np.sin(np.arange(5_000) / 40) * 20
        kept(path, np.arange(5_000), [air])
    finally:
        trace_columns.GROUP_ROWS = before
    window = read_window(path, points=points, from_s=float(low), to_s=float(low + width))
    inside = air[low : low + width + 1]
    drawn = [v for s, v in zip(window.seconds, window.values_c["air_c"], strict=True) if low <= s <= low + width]
    if len(inside) == 0:
        assert drawn == []
    elif window.is_every_reading:
        assert drawn == pytest.approx(inside.round(3))
    else:
        assert min(window.values_c["air_c"]) <= inside.min().round(3)
        assert max(window.values_c["air_c"]) >= inside.max().round(3)


def test_the_csv_is_the_agreed_file(tmp_path):
    from labbench.formats.logger_file import read_logger_file

    ready = kept(tmp_path / "c.parquet", np.arange(100_000), [np.arange(100_000) % 50, np.full(100_000, np.nan)])
    reading = read_logger_file(b"".join(csv_pieces(tmp_path / "c.parquet")))
    assert reading.fault_lines == []
    assert np.array_equal(reading.trace.values_c[0], ready.trace.values_c[0])
    assert np.isnan(reading.trace.values_c[1]).all()


def test_nothing_half_written_is_left(tmp_path):
    kept(tmp_path / "c.parquet", np.arange(10), [np.ones(10)])
    assert sorted(path.name for path in tmp_path.iterdir()) == ["c-coarse.parquet", "c.parquet"]
