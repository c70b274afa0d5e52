"""A round of a thermal profile as a picture: the air, where the coupon has to be, how long each soak is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from labbench.formats.number_texts import number_text
from labbench.lab.models import ProfileStep
from labbench.pages.results.charts import Chart
from labbench.pages.templatetags.quantities import duration

AIR, COUPON = 1, 2


def round_picture(steps: Sequence[ProfileStep], transfer_minutes: int) -> Chart | None:
    """The least soaks one after another with the longest transfers between; None without a temperature to draw."""
    if not any(step.air_set_point_c is not None or step.target_c is not None for step in steps):
        return None
    air: dict[str, list[float | None]] = {"x": [], "y": []}
    aims: dict[str, list[float | None]] = {"x": [], "y": []}
    shapes: list[dict[str, Any]] = []
    labels: list[dict[str, Any]] = []
    at = 0.0
    for step in steps:
        end = at + step.min_minutes / 60
        if step.air_set_point_c is not None:
            air["x"] += [at, end, None]
            air["y"] += [step.air_set_point_c, step.air_set_point_c, None]
        if step.target_c is not None:
            aims["x"] += [at, end, None]
            aims["y"] += [step.target_c, step.target_c, None]
            if step.tolerance_k is not None:
                shapes.append(band(at, end, step.target_c - step.tolerance_k, step.target_c + step.tolerance_k))
        labels.append(
            {"x": (at + end) / 2, "y": 1.0, "yref": "paper", "yanchor": "bottom", "text": step.name, "showarrow": False}
        )
        at = end + transfer_minutes / 60
    whole = sum(step.min_minutes for step in steps) + transfer_minutes * max(len(steps) - 1, 0)
    return Chart(
        id="round",
        title="A round, as short as it can be",
        summary=f"{duration(whole)} with the least soaks and the longest transfers. Shaded: the tolerance about the coupon target.",
        figure={
            "data": [
                {"type": "scatter", "mode": "lines", "name": "air set-point", **air, "meta": {"series": AIR}},
                {"type": "scatter", "mode": "lines", "name": "coupon target", **aims, "meta": {"series": COUPON}},
            ],
            "layout": {
                "height": 340,
                "margin": {"t": 60},
                "xaxis": {"title": {"text": "hours"}, "rangemode": "tozero", "zeroline": False},
                "yaxis": {"title": {"text": "°C"}},
                "shapes": shapes,
                "annotations": labels,
                "legend": {"y": -0.22, "yanchor": "top"},
            },
        },
        columns=("step", "air (°C)", "coupon (°C)", "tolerance (K)", "least soak", "longest soak"),
        rows=tuple(
            (
                step.name,
                temperature(step.air_set_point_c),
                temperature(step.target_c),
                temperature(step.tolerance_k),
                duration(step.min_minutes),
                "no limit" if step.max_minutes is None else duration(step.max_minutes),
            )
            for step in steps
        ),
    )


def band(left: float, right: float, low: float, high: float) -> dict[str, Any]:
    """The tolerance as a pale rectangle."""
    return {
        "type": "rect",
        "x0": left,
        "x1": right,
        "y0": low,
        "y1": high,
        "fillcolor": f"@series-{COUPON}/0.16",
        "line": {"width": 0},
        "layer": "below",
    }


def temperature(value: float | None) -> str:
    return "not stated" if value is None else number_text(value, decimals=1)
