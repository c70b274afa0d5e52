"""A survey as a drawing in millimetres: the cure area, the points, and what lies between them. SVG looks down: y is turned over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import floor, log10
from statistics import median
from typing import Any

from labbench.formats.number_texts import SIGNIFICANT_DIGITS, number_text, percent_text
from labbench.lab.models import LampSurvey
from labbench.lab.queries import survey_readings
from labbench.lab.surveys import area_of
from labbench.science.irradiance import Reading, SurveySummary, point_means, spacing, summarise_survey
from labbench.science.irradiance import SurveyPlace as IrradiancePlace
from labbench.science.survey_layout import Place
from labbench.science.survey_map import SurveyMap, scale_levels, survey_map

SHADES = 9  # .shade-0 to .shade-9 in surveys.css, from dim to bright
MOST_VALUES = 60  # more would cover each other; they stand in the table
Area = tuple[str, float, float]


@dataclass(frozen=True, slots=True)
class Frame:
    """Where things lie on the sheet."""

    left: float
    right: float
    low: float
    high: float
    font: float
    dot: float

    @property
    def view_box(self) -> str:
        pad = self.font * 3.4
        return (
            f"{self.left - pad:.3f} {-self.high - self.font:.3f} "
            f"{self.right - self.left + pad + self.font:.3f} {self.high - self.low + pad + self.font:.3f}"
        )


@dataclass(frozen=True, slots=True)
class Spot:
    """One point: its place on the sheet, and what is said of it."""

    number: int
    x_mm: float
    y_mm: float
    cx: str
    cy: str
    text_y: str
    text: str
    title: str
    mark: str


def frame_of(places: Sequence[Place], area: Area | None) -> Frame:
    """A frame around points and cure area."""
    xs, ys = [x for x, _ in places], [y for _, y in places]
    if area:
        xs += [-area[1] / 2, area[1] / 2]
        ys += [-area[2] / 2, area[2] / 2]
    left, right, low, high = min(xs, default=-10), max(xs, default=10), min(ys, default=-10), max(ys, default=10)
    extent = max(right - left, high - low, 1.0)
    apart = spacing([IrradiancePlace(x, y, 0) for x, y in places]) or extent / 4
    font = min(max(apart * 0.25, extent / 45), extent / 20)
    room = max(font, apart * 0.3)
    return Frame(left - room, right + room, low - room, high + room, font, min(font * 0.45, apart * 0.12))


def area_shape(area: Area | None) -> dict[str, str] | None:
    """The outline of the cure area, for the template."""
    if area is None:
        return None
    shape, width, height = area
    return {
        "shape": shape,
        "x": f"{-width / 2:.3f}",
        "y": f"{-height / 2:.3f}",
        "width": f"{width:.3f}",
        "height": f"{height:.3f}",
        "radius": f"{width / 2:.3f}",
    }


def spots(
    places: Sequence[Place], frame: Frame, texts: Sequence[str], titles: Sequence[str], marks: dict[int, str]
) -> list[Spot]:
    return [
        Spot(
            number=number,
            x_mm=x,
            y_mm=y,
            cx=f"{x:.3f}",
            cy=f"{-y + 0.0:.3f}",
            text_y=f"{-y - frame.dot * 1.7:.3f}",
            text=texts[number],
            title=titles[number],
            mark=marks.get(number, ""),
        )
        for number, (x, y) in enumerate(places)
    ]


def ticks(frame: Frame) -> dict[str, Any]:
    """Millimetres along the lower and the left edge."""
    extent = max(frame.right - frame.left, frame.high - frame.low)
    power = 10.0 ** floor(log10(extent / 4))
    step = next(step * power for step in (1, 2, 5, 10) if step * power >= extent / 5)
    return {
        "bottom": f"{-frame.low:.3f}",
        "left": f"{frame.left:.3f}",
        "label_y": f"{-frame.low + frame.font * 1.3:.3f}",
        "label_x": f"{frame.left - frame.font * 0.4:.3f}",
        "x": [(f"{at:.3f}", number_text(at)) for at in _steps(frame.left, frame.right, step)],
        "y": [
            (f"{-at + 0.0:.3f}", f"{-at + frame.font * 0.35:.3f}", number_text(at))
            for at in _steps(frame.low, frame.high, step)
        ],
        "tick": f"{frame.font * 0.4:.3f}",
    }


def _steps(low: float, high: float, step: float) -> list[float]:
    first, last = -floor(-low / step), floor(high / step)
    return [count * step + 0.0 for count in range(first, last + 1)]


def value_texts(values: Sequence[float]) -> list[str]:
    """Irradiances side by side: a whole one among others gets three digits too, so that 3 does not look rougher than 3.41."""
    if all(float(value).is_integer() for value in values):
        return [number_text(value) for value in values]
    return [
        number_text(value, decimals=max(0, SIGNIFICANT_DIGITS - 1 - floor(log10(value))))
        if float(value).is_integer() and value > 0
        else number_text(value)
        for value in values
    ]


def map_picture(
    readings: Sequence[Reading], *, area: Area | None = None, levels: Sequence[float] | None = None, title: str, id: str
) -> dict[str, Any] | None:
    """What surveys/map.html needs of a survey; None where there is no reading. `levels`: a scale shared with other maps."""
    found, summary = survey_map(readings, levels=levels), summarise_survey(readings)
    if found is None or summary is None:
        return None
    counts: dict[Place, int] = {}
    for x, y, _ in readings:
        counts[x, y] = counts.get((x, y), 0) + 1
    places = [(x, y) for x, y, _ in found.places]
    frame = frame_of(places, area)
    values = value_texts([value for _, _, value in found.places])
    marks = {
        places.index((summary.coldest.x_mm, summary.coldest.y_mm)): "coldest",
        places.index((summary.hottest.x_mm, summary.hottest.y_mm)): "hottest",
    }
    if summary.points == 1 or summary.max_mw_cm2 == summary.min_mw_cm2:
        marks = {}
    titles = [
        f"x {number_text(x)} mm, y {number_text(y)} mm: {values[number]} mW/cm²"
        + (f", {marks[number]}" if number in marks else "")
        for number, (x, y, _) in enumerate(found.places)
    ]
    shown = values if len(places) <= MOST_VALUES else [values[n] if n in marks else "" for n in range(len(places))]
    is_dark = summary.max_mw_cm2 == 0  # a scale from 0 to 0 says nothing
    return {
        "id": id,
        "title": title,
        "summary": in_words(summary),
        "frame": frame,
        "font": f"{frame.font:.3f}",
        "dot": f"{frame.dot:.3f}",
        "area": area_shape(area),
        "spots": spots(places, frame, shown, titles, marks),
        "ticks": ticks(frame),
        "shades": []
        if is_dark
        else [
            (shade(number, len(found.levels) - 1), path(region.polygons)) for number, region in enumerate(found.regions)
        ],
        "lines": [path(region.line) for region in found.regions if region.line],
        "scale": [] if is_dark else scale(found),
        "reason": "no light was read" if is_dark else found.reason,
        "longest_edge_mm": found.longest_edge_mm,
        "is_wide": found.longest_edge_mm is not None and found.longest_edge_mm > 2.5 * usual_gap(found),
        "values_left_out": len(places) > MOST_VALUES,
        "rows": [
            (x, y, counts[x, y], value, marks.get(number, "")) for number, (x, y, value) in enumerate(found.places)
        ],
        "is_marked": bool(marks),
    }


def survey_picture(survey: LampSurvey, *, id: str = "survey-map") -> dict[str, Any] | None:
    """A stored survey as a map; None where it has no reading."""
    return map_picture(survey_readings(survey), area=area_of(survey), title=f"Irradiance of lamp {survey.lamp}", id=id)


def usual_gap(found: SurveyMap) -> float:
    return spacing([IrradiancePlace(*place) for place in found.places]) or 0.0


def shared_levels(surveys: Sequence[Sequence[Reading]]) -> tuple[float, ...]:
    """One scale for several maps."""
    values = [value for readings in surveys for *_, value in point_means(readings)]
    return scale_levels(values) if values else ()


def scale(found: SurveyMap) -> list[tuple[int, str, str]]:
    """Shade, and the irradiance from and to, brightest first."""
    texts = value_texts(found.levels)
    steps = list(pairwise(texts))
    return [(shade(number, len(steps)), low, high) for number, (low, high) in enumerate(steps)][::-1]


def shade(number: int, steps: int) -> int:
    return round(SHADES * number / max(steps - 1, 1))


def path(shapes: Sequence[Sequence[Place]]) -> str:
    """Polygons or lines as one path: parts of a path that touch leave no seam."""
    parts = []
    for corners in shapes:
        words = " L".join(f"{x:.2f} {-y + 0.0:.2f}" for x, y in corners)
        parts.append(f"M{words}{'Z' if len(corners) > 2 else ''}")
    return "".join(parts)


def in_words(summary: SurveySummary) -> str:
    """The finding in a sentence."""
    places = "one place" if summary.points == 1 else f"{summary.points} places"
    text = f"Mean {number_text(summary.mean_mw_cm2)} mW/cm² over {places}"
    if summary.min_over_max is None or summary.points == 1:
        return f"{text}."
    cold, hot = summary.coldest, summary.hottest
    coldest, hottest = value_texts([cold.value, hot.value])
    return (
        f"{text}; coldest {coldest} at x {number_text(cold.x_mm)}, y {number_text(cold.y_mm)} mm, "
        f"hottest {hottest} at x {number_text(hot.x_mm)}, y {number_text(hot.y_mm)} mm: "
        f"the coldest has {percent_text(summary.min_over_max)} of the hottest."
    )


def entry_picture(places: Sequence[Place], area: Area | None) -> dict[str, Any]:
    """What surveys/places.html needs: the points in the order in which they are read, over the cure area."""
    frame = frame_of(places, area)
    titles = [
        f"point {number}, x {number_text(x)} mm, y {number_text(y)} mm" for number, (x, y) in enumerate(places, 1)
    ]
    return {
        "frame": frame,
        "font": f"{frame.font:.3f}",
        "dot": f"{frame.dot:.3f}",
        "touch": f"{touch_radius(places, frame):.3f}",
        "area": area_shape(area),
        "spots": spots(places, frame, ["" for _ in places], titles, {}),
        "ticks": ticks(frame),
        "way": "M" + " L".join(f"{x:.2f} {-y + 0.0:.2f}" for x, y in places) if len(places) > 1 else "",
    }


def touch_radius(places: Sequence[Place], frame: Frame) -> float:
    """Half the usual distance between points: as large as can be touched without meaning the next."""
    apart = spacing([IrradiancePlace(x, y, 0) for x, y in places])
    return max(frame.dot, median([apart / 2, frame.font * 2, frame.font * 4]) if apart else frame.font * 2)
