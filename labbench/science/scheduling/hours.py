"""When people are there: the staffed minutes of a lab as spans and as a sorted array."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from labbench.science.scheduling.lab import DAY_MINUTES, WEEK_MINUTES, Lab

Minutes = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Hours:
    """Staffed minutes from 0 to `horizon_minutes`.

    Attributes
    ----------
    horizon_minutes : int
    spans : tuple of (first, last)
        Runs of staffed minutes, both ends staffed, ascending, never touching.
    minutes : (n,) int64
        The same, minute by minute.
    """

    horizon_minutes: int
    spans: tuple[tuple[int, int], ...]
    minutes: Minutes


def staffed_hours(lab: Lab, horizon_minutes: int) -> Hours:
    """The staffed minutes up to a horizon."""
    is_staffed = np.zeros(horizon_minutes + 1, dtype=np.bool_)
    spans = lab.staffed_spans
    for first, last in spans or ():
        is_staffed[max(first, 0) : max(last + 1, 0)] = True
    if lab.staffed is None:
        is_staffed[:] |= spans is None
    else:
        known_until = max((last for _, last in spans or ()), default=-1)
        start_of_week = lab.start.weekday() * DAY_MINUTES + lab.start.hour * 60 + lab.start.minute
        for window in lab.staffed:
            first = window.weekday * DAY_MINUTES - start_of_week
            for monday in range(-WEEK_MINUTES, horizon_minutes + WEEK_MINUTES, WEEK_MINUTES):
                opened, closed = monday + first + window.from_minutes, monday + first + window.to_minutes
                if spans is None or opened > known_until:
                    is_staffed[max(opened, 0) : max(closed + 1, 0)] = True
    for absence in lab.absences:
        is_staffed[max(absence.from_minutes + 1, 0) : max(absence.to_minutes, 0)] = False
    return Hours(horizon_minutes, _spans(is_staffed), np.flatnonzero(is_staffed).astype(np.int64))


def _spans(flags: Flags) -> tuple[tuple[int, int], ...]:
    edges = np.diff(np.concatenate(([0], flags.astype(np.int8), [0])))
    firsts, lasts = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    return tuple((int(first), int(last)) for first, last in zip(firsts, lasts, strict=True))
