"""The plot of a trace over its plan: all channels, the band of each step, soaks shaded, chambers as planned and as recorded.

A figure is {data, layout} for static/js/charts.js; static/js/traces.js asks for the points of the part that is looked at.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.utils import timezone

from labbench.bench.models import Booking, TraceEvaluation
from labbench.bench.trace_files import path_of
from labbench.bench.trace_findings import verdict_word
from labbench.bench.trace_standing import is_by_air
from labbench.formats.logger_head import coupon_of
from labbench.formats.number_texts import number_text
from labbench.formats.trace_columns import read_window
from labbench.science.soaks.traces import AIR

FIRST_POINTS = 1200
# With more steps than these only those that are not met are named in the plot; the table has all.
MOST_NAMED = 30
# As --series-dashes of static/css/tokens.css.
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
PLAN, RECORD = (0.90, 0.935), (0.945, 0.98)


@dataclass(frozen=True, slots=True)
class TraceChart:
    """What templates/parts/chart.html takes, and what static/js/traces.js needs beside it."""

    id: str
    title: str
    summary: str
    figure: dict[str, Any]
    start_ms: float
    duration_s: float
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


def trace_chart(evaluation: TraceEvaluation, bookings: Sequence[Booking]) -> TraceChart | None:
    """The whole trace; None where its columns are no longer on the disk."""
    result = evaluation.result
    assert result is not None  # only finished evaluations are drawn
    try:
        window = read_window(path_of(evaluation.columns), points=FIRST_POINTS)
    except FileNotFoundError:
        return None
    clock = Clock(datetime.fromisoformat(result["starts_at"]))
    x = [clock.start_ms + 1000 * second for second in window.seconds]
    traces = [
        {
            "type": "scatter",
            "mode": "lines",
            "name": channel_label(channel),
            "x": x,
            "y": values,
            "connectgaps": False,
            "hovertemplate": "%{y:.1f} °C",
            "line": line_of(number),
            "meta": {"series": number},
        }
        for number, (channel, values) in enumerate(window.values_c.items(), start=1)
    ]
    steps = list(zip(result["document"]["steps"], result["moments"], strict=True))
    shapes: list[dict[str, Any]] = []
    notes: list[dict[str, Any]] = []
    bands = {step["name"]: step for step in evaluation.inputs["profile"]["steps"]}
    for step, moment in steps:
        shapes += step_shapes(step, moment, bands[step["step"]], clock)
    named = [pair for pair in steps if len(steps) <= MOST_NAMED or pair[0]["verdict"] != "met"][:MOST_NAMED]
    notes += [note for step, moment in named for note in step_note(step, moment, clock)]
    for booking in bookings:
        shapes += booking_shapes(booking, clock)
    if bookings:
        notes += [strip_note("plan", PLAN), strip_note("record", RECORD)]
        notes += [note for booking in bookings[:MOST_NAMED] for note in chamber_note(booking, clock)]
    ends_at = datetime.fromisoformat(result["ends_at"])
    layout = {
        "height": 520,
        "margin": {"t": 70, "l": 70},
        "hovermode": "x unified",
        "xaxis": {
            "type": "date",
            "title": {"text": f"the lab’s time ({clock.zone})"},
            "range": [clock.start_ms, clock.ms(ends_at)],
        },
        "yaxis": {"title": {"text": "temperature, °C"}, "domain": [0, 0.88 if bookings else 1]},
        "legend": {"y": -0.2, "yanchor": "top"},
        "shapes": shapes,
        "annotations": notes,
    }
    return TraceChart(
        id="trace",
        title="Temperatures of the load, with the band of each step and its soaks",
        summary=finding(evaluation),
        figure={"data": traces, "layout": layout},
        start_ms=clock.start_ms,
        duration_s=(ends_at - datetime.fromisoformat(result["starts_at"])).total_seconds(),
    )


class Clock:
    """Times of the plot: the lab's own, with the offset that held when the trace began, so that an hour is an hour throughout."""

    def __init__(self, start: datetime) -> None:
        local = timezone.localtime(start)
        offset = local.utcoffset()
        self._offset_s = offset.total_seconds() if offset is not None else 0.0
        self.start_ms = self.ms(start)
        self.zone = f"UTC{local:%z}"[:6] + ":" + f"{local:%z}"[3:5]

    def ms(self, at: datetime) -> float:
        return 1000 * (at.timestamp() + self._offset_s)

    def ms_of(self, text: str | None) -> float | None:
        return None if text is None else self.ms(datetime.fromisoformat(text))


def line_of(number: int) -> dict[str, Any]:
    """Beyond the theme's six series the colours come again, each with another dash."""
    again = (number - 1) // len(DASHES)
    return {"width": 1.5, **({"dash": DASHES[(number - 1 + again) % len(DASHES)]} if again else {})}


def channel_label(channel: str) -> str:
    """A channel as people say it."""
    name = coupon_of(channel).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return "air" if channel == AIR else f"glass {name}"


def step_shapes(
    step: dict[str, Any], moment: dict[str, Any], band: dict[str, Any], clock: Clock
) -> Iterable[dict[str, Any]]:
    """The band of the step over its time, and the soak that counts over the whole height."""
    start, end = clock.ms_of(moment["start"]), clock.ms_of(moment["end"])
    is_met = step["verdict"] == "met"
    if start is not None and end is not None:
        yield {
            "type": "rect", "xref": "x", "yref": "y", "x0": start, "x1": end, "layer": "below",
            "y0": band["target_c"] - band["tolerance_k"], "y1": band["target_c"] + band["tolerance_k"],
            "fillcolor": "@good/0.14" if is_met else "@bad/0.14",
            "line": {"width": 1, "color": "@good" if is_met else "@bad", "dash": "dot" if is_met else "solid"},
        }  # fmt: skip
    reached, ended = clock.ms_of(moment["reached_at"]), clock.ms_of(moment["soak_end"])
    if reached is not None and ended is not None:
        yield {
            "type": "rect", "xref": "x", "yref": "y domain", "x0": reached, "x1": ended, "y0": 0, "y1": 1,
            "fillcolor": "@ink-soft/0.08", "line": {"width": 0}, "layer": "below",
        }  # fmt: skip


def step_note(step: dict[str, Any], moment: dict[str, Any], clock: Clock) -> Iterable[dict[str, Any]]:
    start, end = clock.ms_of(moment["start"]), clock.ms_of(moment["end"])
    if start is None or end is None:
        return
    is_met, word = step["verdict"] == "met", verdict_word(step)
    yield {
        "x": (start + end) / 2, "xref": "x", "y": 1, "yref": "paper", "yanchor": "bottom", "showarrow": False,
        "text": f"{step['round']} {plain(step['step'])}<br>{word if is_met else '<b>' + word + '</b>'}",
        "font": {"size": 12, "color": "@ink-soft" if is_met else "@bad"},
    }  # fmt: skip


def booking_shapes(booking: Booking, clock: Clock) -> Iterable[dict[str, Any]]:
    """The chamber as planned (an outline) and as recorded (filled), above the temperatures."""
    for (low, high), start, end, is_filled in (
        (PLAN, booking.planned_start, booking.planned_end, False),
        (RECORD, booking.started_at, booking.ended_at or (timezone.now() if booking.started_at else None), True),
    ):
        if start is None or end is None:
            continue
        yield {
            "type": "rect", "xref": "x", "yref": "paper", "x0": clock.ms(start), "x1": clock.ms(end), "y0": low, "y1": high,
            "line": {"width": 1, "color": "@accent", "dash": "solid" if is_filled else "dot"},
            **({"fillcolor": "@accent/0.3"} if is_filled else {}),
        }  # fmt: skip


def strip_note(word: str, strip: tuple[float, float]) -> dict[str, Any]:
    return {
        "x": 0, "xref": "paper", "xanchor": "right", "xshift": -6, "y": sum(strip) / 2, "yref": "paper", "yanchor": "middle",
        "text": word, "showarrow": False, "font": {"size": 12, "color": "@ink-soft"},
    }  # fmt: skip


def chamber_note(booking: Booking, clock: Clock) -> Iterable[dict[str, Any]]:
    start, end = booking.started_at or booking.planned_start, booking.ended_at or booking.planned_end
    strip = RECORD if booking.started_at else PLAN
    yield {
        "x": (clock.ms(start) + clock.ms(end)) / 2, "xref": "x", "y": sum(strip) / 2, "yref": "paper", "yanchor": "middle",
        "text": plain(str(booking.chamber)), "showarrow": False, "font": {"size": 11, "color": "@ink"},
    }  # fmt: skip


def plain(text: str) -> str:
    """Names are names: the plot would read <b> and the like as markup."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def finding(evaluation: TraceEvaluation) -> str:
    """What the trace shows, in a sentence or two."""
    result = evaluation.result
    assert result is not None
    document = result["document"]
    steps = document["steps"]
    met = sum(1 for step in steps if step["verdict"] == "met")
    words = f"{met} of {number_text(len(steps))} soaks are met"
    broken = [
        f"round {step['round']}, {step['step']}: {verdict_word(step)}" for step in steps if step["verdict"] != "met"
    ]
    if broken:
        words += f"; {'; '.join(broken[:4])}" + (f" and {len(broken) - 4} more" if len(broken) > 4 else "")
    words += ". Counted from the air. " if is_by_air(document) else ". Counted from the glass. "
    long_gaps = sum(1 for gap in document["gaps"] if gap["ends_soak"])
    if long_gaps:
        words += f"Nothing was logged in {long_gaps} {'gap' if long_gaps == 1 else 'gaps'}; lines stop there. "
    return words + "Bands: target ± tolerance of each step. Grey: the soak that counts."
