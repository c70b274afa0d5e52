"""Invented temperature traces whose truth is known because they are made from it; knows nothing of the evaluation.

The glass follows the air as one lump: over an interval in which the air stays the same, T(t) = air + (T0 - air) exp(-t / tau) exactly
(lumped capacity, any heat-transfer text). So the truth of a soak is worked out on the same fine grid, without noise.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

ROOM_C = 21.0


@dataclass(frozen=True)
class Stay:
    """Time at one air temperature; `step` is (round, name) while it belongs to a step of the profile."""

    air_c: float
    minutes: float
    step: tuple[int, str] | None = None


@dataclass
class Made:
    """A trace on its grid, with the noise-free glass it was made from."""

    seconds: np.ndarray
    air_c: np.ndarray
    glass_c: dict[str, np.ndarray]
    clean_c: dict[str, np.ndarray]
    stays: list[tuple[float, float, Stay]] = field(default_factory=list)

    def columns(self) -> dict[str, np.ndarray]:
        return {"air_c": self.air_c, **{f"coupon_{name}_c": values for name, values in self.glass_c.items()}}


def make(stays, *, tau_minutes, interval_s, noise_k=0.0, seed=0, start_c=ROOM_C, offsets=None):
    """A trace of stays; `tau_minutes` maps a coupon's name to its time constant, `offsets` to a constant error in K."""
    ends = np.cumsum([60 * stay.minutes for stay in stays])
    seconds = np.arange(0, ends[-1], interval_s)
    which = np.searchsorted(ends, seconds, side="right")
    air = np.array([stay.air_c for stay in stays])[which]
    rng = np.random.default_rng(seed)
    clean = {}
    for name, tau in tau_minutes.items():
        clean[name] = _glass(stays, seconds, which, tau, start_c) + (offsets or {}).get(name, 0.0)
    noisy = {name: values + rng.normal(0, noise_k, len(values)) for name, values in clean.items()}
    begins = np.r_[0, ends[:-1]]
    placed = [(float(b), float(e), stay) for b, e, stay in zip(begins, ends, stays, strict=True)]
    return Made(seconds, air + rng.normal(0, noise_k, len(air)), noisy, clean, placed)


def _glass(stays, seconds, which, tau_minutes, start_c):
    begin_s, at_begin = [0.0], [start_c]
    for stay in stays:
        at_begin.append(stay.air_c + (at_begin[-1] - stay.air_c) * np.exp(-stay.minutes / tau_minutes))
        begin_s.append(begin_s[-1] + 60 * stay.minutes)
    air = np.array([stay.air_c for stay in stays])[which]
    since = seconds - np.array(begin_s)[which]
    return air + (np.array(at_begin)[which] - air) * np.exp(-since / 60 / tau_minutes)


def true_soak(made, step_name, round_number, low_c, high_c, channels=None):
    """Longest time, in minutes, with all clean channels inside that begins while the step's own stays last; None if never."""
    own = [(b, e) for b, e, stay in made.stays if stay.step == (round_number, step_name)]
    if not own:
        return None
    names = channels or list(made.clean_c)
    inside = np.all([(made.clean_c[n] >= low_c) & (made.clean_c[n] <= high_c) for n in names], axis=0)
    best, began = None, None
    for at, is_inside in enumerate(inside):
        if is_inside and began is None:
            began = at
        if began is not None and (not is_inside or at == len(inside) - 1):
            last = at if is_inside else at - 1
            overlaps = made.seconds[last] >= own[0][0] and made.seconds[began] < own[-1][1]
            if overlaps:
                from_s = max(made.seconds[began], own[0][0])
                minutes = (made.seconds[last] - from_s) / 60
                best = minutes if best is None or minutes > best else best
            began = None
    return best


def rounds_of(rounds, steps, *, transfer_minutes=2.0, idle_before=30.0, idle_after=0.0, left_out=()):
    """Stays of a whole run: `steps` are (name, air_c, minutes), `left_out` holds (round, name)."""
    stays = [Stay(ROOM_C, idle_before)] if idle_before else []
    for number in range(1, rounds + 1):
        for name, air_c, minutes in steps:
            if (number, name) in left_out:
                continue
            if stays and stays[-1].step:
                stays.append(Stay(ROOM_C, transfer_minutes))
            stays.append(Stay(air_c, minutes, (number, name)))
    if idle_after:
        stays.append(Stay(ROOM_C, idle_after))
    return stays


def csv_text(made, *, start="2026-12-07T08:00:00", decimals=2, columns=None, rows=None):
    """The trace as the agreed CSV; `rows` picks rows in the order to be written."""
    columns = columns or made.columns()
    times = np.datetime64(start, "ms") + np.round(made.seconds * 1000).astype("timedelta64[ms]")
    lines = ["time," + ",".join(columns)]
    for at in range(len(made.seconds)) if rows is None else rows:
        cells = ["" if np.isnan(values[at]) else f"{values[at]:.{decimals}f}" for values in columns.values()]
        lines.append(f"{str(times[at])[:19]}," + ",".join(cells))
    return "\n".join(lines) + "\n"
