"""The temperatures a logger wrote beside the coupons of one load of the demo; made from the load's moves, invented otherwise.

The air jumps to that of the chamber, the glass follows as one lump: T' = (air - T) / tau. What is built in: the freezer's door that stood
open in the first night, a move into the oven that was written down 22 minutes before it was made, so that the last heat soak is short,
a gap of some minutes, and one spike of a sensor.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from random import Random
from typing import Any

Record = dict[str, Any]

STUDY, LOAD = "EL-26-11", "Load 2"
STUDY_FILE = "study-elimination.json"
FILE = "trace-elimination-load-2.csv"
UPLOADED_AT, UPLOADED_BY = "2026-11-20T14:10", "technician"
INTERVAL_S = 120
STEP_S = 10
# Air and the time constant of the glass (minutes) by step; the glass in the freezer stays warmer than its air.
ROOM_C = 22.4
AIR_C = {1: -23.3, 2: 77.4, 3: ROOM_C}
TAU_MINUTES = {1: 24.0, 2: 2.2, 3: 13.0}
GLASS_WARMER_K = {1: 4.9, 2: 0.0, 3: 0.0}
DOOR_OPEN = (datetime(2026, 11, 18, 5, 56), datetime(2026, 11, 18, 6, 10))
DOOR_OPEN_C = -4.0
# The record has the load in the oven before it was there.
WRITTEN_EARLY = ((3, 2), 22)
GAP = (datetime(2026, 11, 19, 2, 10), datetime(2026, 11, 19, 2, 26))
SPIKE_AT = datetime(2026, 11, 18, 12, 0)
COUPONS = ("UCRK", "4ZTU")


def true_moves(moves: list[Record]) -> list[tuple[datetime, datetime, int]]:
    """When the load really was in which chamber: in, out, step."""
    stays = []
    for move in moves:
        if move["load"] != LOAD:
            continue
        start, end = (datetime.fromisoformat(move[name]) for name in ("started_at", "ended_at"))
        key, minutes = (move["round"], move["step"]), timedelta(minutes=WRITTEN_EARLY[1])
        if key == WRITTEN_EARLY[0]:
            start += minutes
        if (key[0], key[1] + 1) == WRITTEN_EARLY[0]:
            end += minutes
        stays.append((start, end, move["step"]))
    return sorted(stays)


def logger_text(document: Record, seed: int) -> str:
    """The logger's file: three lines of its own, names, units, then a reading every two minutes, with decimal commas."""
    rng = Random(f"{seed} logger")
    stays = true_moves(document["moves"])
    at, end = stays[0][0] - timedelta(minutes=16), stays[-1][1] + timedelta(minutes=8)
    glass = [ROOM_C, ROOM_C]
    lines = [
        "Recorder;R-3",
        "Place;among the coupons of load 2",
        f"Interval;{INTERVAL_S} s",
        "",
        "Date;Time;Air;" + ";".join(f"Glass {code}" for code in COUPONS) + ";Supply",
        ";;°C;°C;°C;V",
    ]
    while at <= end:
        if not GAP[0] < at < GAP[1]:
            lines.append(row_of(at, air_at(at, stays, rng), glass, rng))
        for _ in range(INTERVAL_S // STEP_S):
            at += timedelta(seconds=STEP_S)
            for place, slower in enumerate((1.0, 1.08)):
                glass[place] += follows(at, stays, glass[place], slower)
    return "\n".join(lines) + "\n"


def step_at(at: datetime, stays: list[tuple[datetime, datetime, int]]) -> int | None:
    return next((step for start, end, step in stays if start <= at < end), None)


def chamber_c(at: datetime, step: int | None) -> float:
    """Air of the chamber a load is in, of the room on the way."""
    if step is None:
        return ROOM_C
    return DOOR_OPEN_C if step == 1 and DOOR_OPEN[0] <= at < DOOR_OPEN[1] else AIR_C[step]


def follows(at: datetime, stays: list[tuple[datetime, datetime, int]], glass_c: float, slower: float) -> float:
    """What the glass gains in one step of the calculation."""
    step = step_at(at, stays)
    towards = chamber_c(at, step) + (GLASS_WARMER_K[step] if step else 0.0)
    tau_s = 60 * TAU_MINUTES[step or 3] * slower
    return (towards - glass_c) * (1 - math.exp(-STEP_S / tau_s))


def air_at(at: datetime, stays: list[tuple[datetime, datetime, int]], rng: Random) -> float:
    """The air's reading: the compressor and the heater switch on and off."""
    step = step_at(at, stays)
    swing = {1: 0.9, 2: 0.6}.get(step or 0, 0.1) * math.sin(2 * math.pi * (at - GAP[0]).total_seconds() / 1500)
    return chamber_c(at, step) + swing + rng.gauss(0, 0.12)


def row_of(at: datetime, air_c: float, glass_c: list[float], rng: Random) -> str:
    values = [air_c, *(value + rng.gauss(0, 0.05) for value in glass_c)]
    if at.replace(second=0) == SPIKE_AT:
        values[2] += 41.0
    cells = [f"{value:.1f}".replace(".", ",") for value in values]
    return f"{at:%d.%m.%Y;%H:%M:%S};{';'.join(cells)};3,6"
