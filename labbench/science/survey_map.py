"""A map of irradiance between the points of a survey: linear over a Delaunay triangulation, and nothing outside of it.

Inside a triangle of three neighbouring points the value is the plane through them; it can't leave the range of what was read.
Outside the convex hull of the points nothing is drawn: there nothing was read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor, hypot, isfinite, log10

from labbench.science.irradiance import Reading, point_means

Corner = tuple[float, float]
Vertex = tuple[float, float, float]
# The hull of points that lie this close to one line, as a share of their extent, is no area.
FLAT = 1e-6
STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
LEVELS_WANTED = 6
# A scale whose steps are finer than this share of the brightest place would show a meter's noise as hills.
FINEST_STEP = 0.02


@dataclass(frozen=True, slots=True)
class Region:
    """Where the irradiance is at least `level`: polygons of (x, y) in mm; and the line where it is just `level`."""

    level: float
    polygons: tuple[tuple[Corner, ...], ...]
    line: tuple[tuple[Corner, Corner], ...]


@dataclass(frozen=True, slots=True)
class SurveyMap:
    """What can be drawn of a survey.

    Attributes
    ----------
    places : tuple of (x_mm, y_mm, mW/cm²)
        Each point with the mean of its readings, ordered by y and x.
    levels : tuple of float
        The steps of the scale in mW/cm², rising.
    regions : tuple of Region
        One for each level but the last, the lowest covering the whole hull; empty where there is no area.
    hull : tuple of (x, y)
        Corners of the surveyed area, counter-clockwise; empty where there is none.
    area_mm2, longest_edge_mm : float or None
        Of the hull; the longest gap between neighbouring points.
    reason : str or None
        Why there is no area between the points.
    """

    places: tuple[Vertex, ...]
    levels: tuple[float, ...]
    regions: tuple[Region, ...]
    hull: tuple[Corner, ...]
    area_mm2: float | None
    longest_edge_mm: float | None
    reason: str | None


def survey_map(readings: Sequence[Reading], *, levels: Sequence[float] | None = None) -> SurveyMap | None:
    """The map of readings; None where there is none. `levels`: a scale shared with other maps."""
    places = tuple(point_means(readings))
    if not places:
        return None
    scale = tuple(levels) if levels else scale_levels([value for _, _, value in places])
    triangles, reason = triangulated(places)
    if reason:
        return SurveyMap(places, scale, (), (), None, None, reason)
    corners = hull_of(places)
    edges = [hypot(a[0] - b[0], a[1] - b[1]) for t in triangles for a, b in zip(t, (t[1], t[2], t[0]), strict=True)]
    return SurveyMap(
        places=places,
        levels=scale,
        regions=tuple(_region(triangles, level, is_lowest=level == scale[0]) for level in scale[:-1]),
        hull=corners,
        area_mm2=_area(corners),
        longest_edge_mm=max(edges),
        reason=None,
    )


def scale_levels(values: Sequence[float]) -> tuple[float, ...]:
    """Round steps that hold all values: the first not above the least, the last not below the greatest."""
    low, high = min(values), max(values)
    step = _round_step(max((high - low) / LEVELS_WANTED, FINEST_STEP * high, 1e-9))
    first, last = floor(low / step + 1e-9), -floor(-high / step + 1e-9)
    return tuple(round(count * step, 12) for count in range(first, max(last, first + 1) + 1))


def irradiance_at(readings: Sequence[Reading], x_mm: float, y_mm: float) -> float | None:
    """Irradiance at a place in mW/cm²: as read there, else interpolated between the points; None outside of them."""
    return irradiances_at(readings, [(x_mm, y_mm)])[0]


def irradiances_at(readings: Sequence[Reading], spots: Sequence[Corner]) -> list[float | None]:
    """The same at several places, with one triangulation."""
    places = point_means(readings)
    read = {(x, y): value for x, y, value in places}
    triangles, _ = triangulated(places)
    return [read[spot] if spot in read else _interpolated(triangles, *spot) for spot in spots]


def _interpolated(triangles: Sequence[tuple[Vertex, Vertex, Vertex]], x_mm: float, y_mm: float) -> float | None:
    for a, b, c in triangles:
        share = _barycentric(a, b, c, x_mm, y_mm)
        if min(share) >= -1e-9:
            return sum(part * corner[2] for part, corner in zip(share, (a, b, c), strict=True))
    return None


def triangulated(places: Sequence[Vertex]) -> tuple[list[tuple[Vertex, Vertex, Vertex]], str | None]:
    """Delaunay triangles (counter-clockwise), or none and the reason."""
    if len(places) < 3:
        return [], "fewer than three points enclose no area; nothing is drawn between them"
    # slow import: scipy
    import numpy as np
    from scipy.spatial import Delaunay

    spots = np.array([(x, y) for x, y, _ in places])
    spots = spots - spots.mean(axis=0)
    extent = np.linalg.svd(spots, compute_uv=False)
    if extent[1] <= FLAT * extent[0]:
        return [], "the points lie on one line and enclose no area; nothing is drawn between them"
    found = []
    for one, two, three in Delaunay(spots).simplices:
        a, b, c = places[one], places[two], places[three]
        twice = (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1])
        if abs(twice) > FLAT * extent[0] ** 2 * 1e-3:
            found.append((a, b, c) if twice > 0 else (a, c, b))
    return found, None


def hull_of(places: Sequence[Vertex]) -> tuple[Corner, ...]:
    """Corners of the convex hull, counter-clockwise."""
    # slow import: scipy
    import numpy as np
    from scipy.spatial import ConvexHull

    spots = np.array([(x, y) for x, y, _ in places])
    return tuple((float(x), float(y)) for x, y in spots[ConvexHull(spots).vertices])


def _round_step(wanted: float) -> float:
    power = 10.0 ** floor(log10(wanted))
    return next(step * power for step in STEPS if step * power >= wanted * (1 - 1e-9))


def _region(triangles: Sequence[tuple[Vertex, Vertex, Vertex]], level: float, *, is_lowest: bool) -> Region:
    polygons: list[tuple[Corner, ...]] = []
    line: list[tuple[Corner, Corner]] = []
    for triangle in triangles:
        a, b, c = triangle
        if is_lowest or (a[2] >= level and b[2] >= level and c[2] >= level):
            polygons.append((a[:2], b[:2], c[:2]))
            continue
        if a[2] < level and b[2] < level and c[2] < level:
            continue
        part = _at_least(triangle, level)
        if len(part) >= 3:
            polygons.append(tuple((x, y) for x, y, _ in part))
        if len(cut := _crossings(triangle, level)) == 2:
            line.append((cut[0], cut[1]))
    return Region(level, tuple(polygons), tuple(line))


def _at_least(triangle: Sequence[Vertex], level: float) -> list[Vertex]:
    """The part of a triangle where the plane through its corners is at least `level` (Sutherland and Hodgman 1974)."""
    kept: list[Vertex] = []
    for here, there in zip(triangle, [*triangle[1:], triangle[0]], strict=True):
        if here[2] >= level:
            kept.append(here)
        if (here[2] >= level) != (there[2] >= level):
            kept.append(_between(here, there, level))
    return kept


def _crossings(triangle: Sequence[Vertex], level: float) -> list[Corner]:
    pairs = zip(triangle, [*triangle[1:], triangle[0]], strict=True)
    return [_between(a, b, level)[:2] for a, b in pairs if (a[2] >= level) != (b[2] >= level)]


def _between(a: Vertex, b: Vertex, level: float) -> Vertex:
    share = (level - a[2]) / (b[2] - a[2])
    return a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]), level


def _barycentric(a: Vertex, b: Vertex, c: Vertex, x: float, y: float) -> tuple[float, float, float]:
    whole = (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1])
    to_b = ((x - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (y - a[1])) / whole
    to_c = ((b[0] - a[0]) * (y - a[1]) - (x - a[0]) * (b[1] - a[1])) / whole
    assert isfinite(to_b + to_c)
    return 1 - to_b - to_c, to_b, to_c


def _area(corners: Sequence[Corner]) -> float:
    pairs = zip(corners, [*corners[1:], corners[0]], strict=True)
    return abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in pairs)) / 2
