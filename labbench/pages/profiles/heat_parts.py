"""The answer of the heat model in words, a table and a plot."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from labbench.formats.number_texts import number_text, with_unit
from labbench.pages.results.charts import Chart
from labbench.science.heat.air_step import AirStep, StepCase, air_step
from labbench.science.heat.layers import UNCERTAIN_INPUTS, UncertainInput, laminate

POINTS = 200
ROWS = 11
LEAST_MINUTES = 2.0


@dataclass(frozen=True, slots=True)
class CaseRow:
    """One coefficient of the range."""

    words: str
    case: StepCase

    @property
    def reached(self) -> str:
        """When the glass is there."""
        return "never" if self.case.reach.seconds is None else time_text(self.case.reach.seconds)

    @property
    def time_constant(self) -> str:
        """Time constant of the lump."""
        return time_text(self.case.time_constant_s)

    @property
    def difference_at(self) -> str:
        """When the difference is largest."""
        return time_text(self.case.largest_difference_at_s)


@dataclass(frozen=True, slots=True)
class HeatAnswer:
    """What the page shows."""

    big: str
    big_words: str
    sentences: tuple[str, ...]
    rows: tuple[CaseRow, ...]
    chart: Chart
    inputs: tuple[UncertainInput, ...]
    used: Mapping[str, Any]
    is_reached: bool


def celsius(value: float) -> str:
    return with_unit(number_text(value, decimals=1), "°C")


def time_text(seconds: float, *, is_rounded_up: bool = False) -> str:
    """A time as it is read off a clock: 45 s, 9.5 min, 33 min, 2 h 5 min; rounded up where too short would be wrong."""
    if is_rounded_up:
        unit_s = 1 if seconds < 60 * LEAST_MINUTES else 6 if seconds < 600 else 60
        seconds = math.ceil(seconds / unit_s - 1e-9) * unit_s
    minutes = seconds / 60
    if seconds < 60 * LEAST_MINUTES:
        return with_unit(number_text(seconds, decimals=0), "s")
    if minutes < 10:
        return with_unit(number_text(minutes, decimals=1), "min")
    whole = round(minutes)
    if whole < 120:
        return with_unit(str(whole), "min")
    hours, rest = divmod(whole, 60)
    return with_unit(str(hours), "h") + (f" {with_unit(str(rest), 'min')}" if rest else "")


def answered(asked: Mapping[str, Any]) -> HeatAnswer:
    """The model's answer to a valid form."""
    made = asked["construction"]
    low_c, high_c = asked["target_c"] - asked["tolerance_k"], asked["target_c"] + asked["tolerance_k"]
    found = air_step(
        laminate(made.outer_mm, made.interlayer_mm, made.inner_mm),
        h_range_w_m2_k=asked["h_range"],
        start_c=asked["start_c"],
        air_c=asked["air_c"],
        low_c=low_c,
        high_c=high_c,
        is_fitted=asked["is_fitted"],
    )
    latest, earliest = found.slowest.reach, found.fastest.reach
    step = asked.get("step")
    if latest.seconds is None or earliest.seconds is None:
        big, big_words = "never", "is the glass within the tolerance"
        sentences: tuple[str, ...] = (
            f"Air of {celsius(asked['air_c'])} never brings the glass between {celsius(low_c)} and {celsius(high_c)}: the glass only comes "
            "closer and closer to the air. Change the set-point, the target or the tolerance.",
        )
    elif latest.seconds == 0:
        big, big_words, sentences = "at once", "is the glass within the tolerance: it already is", ()
    else:
        big = time_text(latest.seconds, is_rounded_up=True)
        big_words = "after the air changed the glass is within the tolerance at the latest"
        sentences = soak_sentences(earliest.seconds, latest.seconds, step, is_fitted=asked["is_fitted"])
    rows = (
        CaseRow("slowest", found.slowest),
        CaseRow("middle of the range", found.middle),
        CaseRow("fastest", found.fastest),
    )
    return HeatAnswer(
        big,
        big_words,
        sentences,
        rows,
        chart(found, asked, low_c, high_c),
        UNCERTAIN_INPUTS,
        asked,
        latest.seconds is not None,
    )


def soak_sentences(earliest_s: float, latest_s: float, step: Any, *, is_fitted: bool) -> tuple[str, ...]:
    """How long to soak without a coupon sensor, and why the range is what it is."""
    counted = f"count the soak from {time_text(latest_s, is_rounded_up=True)} after the coupons meet this air"
    said = [
        f"With the highest coefficient it would be there after {time_text(earliest_s)}: which of the two, the model can’t know. "
        f"Without a sensor in a coupon {counted}.",
    ]
    if is_fitted:
        said = [
            f"Without a sensor in a coupon {counted}, and add a margin: the range is that of one coupon in one place, and the slowest "
            "place of the rack was perhaps another.",
        ]
    if step is not None:
        least = time_text(step.min_minutes * 60)
        there, whole = (time_text(value, is_rounded_up=True) for value in (latest_s, latest_s + step.min_minutes * 60))
        said.append(f"{step.name}: {there} and the least soak of {least} are {whole} from door to door at least.")
        if step.max_minutes is not None and latest_s - earliest_s > (step.max_minutes - step.min_minutes) * 60:
            said.append(
                f"The two ends of the range lie farther apart than least and longest soak ({least} and "
                f"{time_text(step.max_minutes * 60)}): without a sensor no time is sure to keep both. Fit the coefficient, or measure."
            )
    said.append(
        "The air is taken to change at once and to stay. After a door was opened, with a full rack or with frost it takes longer: "
        "count from when the air is back."
    )
    return tuple(said)


def chart(found: AirStep, asked: Mapping[str, Any], low_c: float, high_c: float) -> Chart:
    """The middle of the glass over time: the band between slowest and fastest, the middle of the range, air and tolerance."""
    reached = found.slowest.reach.seconds
    end_s = 1.25 * reached if reached else 4 * found.slowest.time_constant_s
    seconds = np.linspace(0, max(end_s, 60.0), POINTS + 1)
    minutes = [round(float(value), 4) for value in seconds / 60]
    slow, middle, fast = ([round(float(v), 3) for v in case.mid_c_at(seconds)] for case in found.cases)
    air = asked["air_c"]
    names = [f"{case.h_w_m2_k:.3g} W/(m² K)" for case in found.cases]
    traces = [
        {"type": "scatter", "mode": "lines", "x": minutes, "y": slow, "meta": {"series": 1, "role": "limit"}},
        {"type": "scatter", "mode": "lines", "x": minutes, "y": fast, "meta": {"series": 1, "role": "band"}},
        line(minutes, slow, f"slowest, {names[0]}", 2),
        line(minutes, middle, f"middle, {names[1]}", 1),
        line(minutes, fast, f"fastest, {names[2]}", 3),
        line([minutes[0], minutes[-1]], [air, air], "air", 6),
    ]
    layout = {
        "height": 400,
        "xaxis": {"title": {"text": "minutes after the air changed"}, "rangemode": "tozero"},
        "yaxis": {"title": {"text": "°C"}},
        "shapes": [
            {
                "type": "rect",
                "xref": "paper",
                "x0": 0,
                "x1": 1,
                "y0": low_c,
                "y1": high_c,
                "fillcolor": "@good/0.14",
                "line": {"width": 0},
                "layer": "below",
            }
        ],
    }
    picked = range(0, POINTS + 1, POINTS // (ROWS - 1))
    return Chart(
        id="coupon-heat-plot",
        title="Half-way through the glass",
        summary="Between slowest and fastest lies what the unknown coefficient leaves open. Shaded across: the tolerance about the target.",
        figure={"data": traces, "layout": layout},
        columns=("minutes", *(f"{words} (°C)" for words in names)),
        rows=tuple(
            (
                number_text(minutes[place], decimals=1),
                *(number_text(of[place], decimals=2) for of in (slow, middle, fast)),
            )
            for place in picked
        ),
    )


def line(x: list[float], y: list[float], name: str, series: int) -> dict[str, Any]:
    """One curve."""
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": x,
        "y": y,
        "hovertemplate": "%{x:.1f} min: %{y:.1f} °C<extra>" + name + "</extra>",
        "meta": {"series": series},
    }
