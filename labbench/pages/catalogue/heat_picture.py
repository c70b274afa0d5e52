"""A survey as a picture: how bright it is where."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from labbench.formats.number_texts import number_text, percent_text
from labbench.science.irradiance import point_means, summarise_survey

COLUMNS = ("x (mm)", "y (mm)", "readings", "irradiance, mean (mW/cm²)")


def heat_picture(readings: Sequence[tuple[float, float, float]]) -> dict[str, Any] | None:
    """What parts/chart.html needs, from readings (x in mm, y in mm, mW/cm²); None where there is none."""
    summary = summarise_survey(readings)
    if summary is None:
        return None
    means = point_means(readings)
    at = {(x, y): value for x, y, value in means}
    xs, ys = sorted({x for x, _, _ in means}), sorted({y for _, y, _ in means})
    counts: dict[tuple[float, float], int] = {}
    for x, y, _ in readings:
        counts[x, y] = counts.get((x, y), 0) + 1
    trace = {
        "type": "heatmap",
        "x": xs,
        "y": ys,
        "z": [[at.get((x, y)) for x in xs] for y in ys],
        "colorscale": [[0, "@sunk"], [1, "@hazard"]],
        "zmin": 0,
        "zmax": summary.max_mw_cm2,
        "xgap": 2,
        "ygap": 2,
        "texttemplate": "%{z:.2f}",
        "hovertemplate": "x %{x} mm, y %{y} mm: %{z:.2f} mW/cm²<extra></extra>",
        "colorbar": {"title": {"text": "mW/cm²"}},
    }
    layout = {
        "xaxis": {
            "title": {"text": "x (mm)"},
            "tickvals": xs,
            "showgrid": False,
            "zeroline": False,
            "constrain": "domain",
        },
        "yaxis": {
            "title": {"text": "y (mm)"},
            "tickvals": ys,
            "showgrid": False,
            "zeroline": False,
            "scaleanchor": "x",
        },
    }
    ratio = (
        ""
        if summary.min_over_max is None
        else f"; the dimmest place has {percent_text(summary.min_over_max)} of the brightest"
    )
    return {
        "summary": f"Mean {number_text(summary.mean_mw_cm2)} mW/cm² over {summary.points} places{ratio}.",
        "figure": {"data": [trace], "layout": layout},
        "columns": COLUMNS,
        "rows": [(number_text(x), number_text(y), counts[x, y], number_text(value)) for x, y, value in means],
    }
