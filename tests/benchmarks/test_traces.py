"""The whole command on a logger file of 2 million rows and 8 channels, against the fastest plain reading of it. Run on request:

python -m pytest tests/benchmarks/test_traces.py -s

Three runs each, taking turns, the least of each counts: wall clock, processor time and peak memory of whole processes, their start
and imports included. Peers: pyarrow.csv (also without the pandas that its to_numpy loads) and pandas (its C engine and its pyarrow
engine), to arrays.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import csv

ROOT = Path(__file__).resolve().parent.parent.parent
ROWS = 2_000_000
PLAIN = {
    "pyarrow.csv, no pandas": "import numpy as np; from pyarrow import csv; t = csv.read_csv({log!r}); "
    "[np.concatenate([np.frombuffer(k.buffers()[1], 'f8') for k in c.chunks]) for c in t.columns]",
    "pyarrow.csv": "from pyarrow import csv; [c.to_numpy() for c in csv.read_csv({log!r}).columns]",
    "pandas, pyarrow engine": "import pandas; pandas.read_csv({log!r}, engine='pyarrow').to_dict('series')",
    "pandas, C engine": "import pandas; pandas.read_csv({log!r}).to_dict('series')",
}
PROFILE = {
    "rounds": 3,
    "max_transfer_minutes": 5,
    "steps": [
        {"name": "freeze", "target_c": -20, "tolerance_k": 4, "min_minutes": 480, "max_minutes": None},
        {"name": "heat", "target_c": 77, "tolerance_k": 4, "min_minutes": 120, "max_minutes": None},
        {"name": "cool", "target_c": 22, "tolerance_k": 8, "min_minutes": 60, "max_minutes": None},
    ],
}


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """A trace of three rounds, a reading a second, with the noise of a logger; invented."""
    folder = tmp_path_factory.mktemp("traces")
    rng = np.random.default_rng(1)
    at = np.arange(ROWS) % (ROWS // 3) / (ROWS // 3)
    air = np.select([at < 0.5, at < 0.5002, at < 0.75], [-21.0, 21.0, 78.0], 22.0)
    glass = np.empty(ROWS)
    value, share = 21.0, 1 - np.exp(-1 / 300)
    for place, target in enumerate(air.tolist()):
        value += share * (target - value)
        glass[place] = value
    seconds = np.datetime64("2026-12-07T08:00:00", "s") + np.arange(ROWS)
    columns = {"time": pa.array(seconds), "air_c": np.round(air + rng.normal(0, 0.2, ROWS), 2)}
    for name in "ABCDEFG":
        columns[f"coupon_{name}_c"] = np.round(glass + rng.normal(0, 0.1, ROWS), 2)
    csv.write_csv(pa.table(columns), folder / "log.csv", csv.WriteOptions(quoting_style="none"))
    (folder / "profile.json").write_text(json.dumps(PROFILE))
    return folder


def measured(command):
    """Wall clock s, processor s, peak memory in MB of one process."""
    began = time.perf_counter()
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    return time.perf_counter() - began, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def test_two_million_rows_in_twice_the_time_of_plain_reading(files):
    log, out = str(files / "log.csv"), files / "out.json"
    commands = {name: [sys.executable, "-c", code.format(log=log)] for name, code in PLAIN.items()}
    commands["command trace"] = [
        sys.executable, "manage.py", "trace", log, "--profile", str(files / "profile.json"), "--out", str(out),
    ]  # fmt: skip
    runs = {name: [] for name in commands}
    for _ in range(3):
        for name, command in commands.items():
            runs[name].append(measured(command))
    best = {name: np.min(values, axis=0) for name, values in runs.items()}
    print(f"\nload average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores, {Path(log).stat().st_size / 1e6:.0f} MB")
    for name, (wall, processor, memory) in best.items():
        print(f"{name:24s} {wall:6.2f} s wall {processor:6.2f} s processor {memory:7.0f} MB")
    answer = json.loads(out.read_text())
    assert answer["rows"] == ROWS
    assert [step["verdict"] for step in answer["steps"]] == ["met"] * 9
    for kind in (0, 1):
        assert best["command trace"][kind] < 2 * min(best[name][kind] for name in PLAIN)
    assert best["command trace"][2] < 1500
