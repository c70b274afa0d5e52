"""Where the points of a survey lie: a grid or rings around the middle of the cure area, in the order in which they are read."""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, pi, sin

# More points than anybody reads by hand; a table of them still opens and is sent at once.
MOST_PLACES = 500
LARGEST_PLACE_MM = 5000.0

Place = tuple[float, float]  # x and y in mm; the middle of the cure area is (0, 0)


def grid_places(rows: int, columns: int, *, pitch_x_mm: float, pitch_y_mm: float) -> list[Place]:
    """A grid around the middle, read from the lower left in turns: there and back, so that the probe moves one pitch a time."""
    if rows < 1 or columns < 1 or rows * columns > MOST_PLACES:
        raise ValueError(f"{rows} rows of {columns} are not possible: 1 to {MOST_PLACES} points")
    if pitch_x_mm <= 0 or pitch_y_mm <= 0:
        raise ValueError("the pitch has to be more than 0 mm")
    places = []
    for row in range(rows):
        y = (row - (rows - 1) / 2) * pitch_y_mm
        order = range(columns) if row % 2 == 0 else reversed(range(columns))
        places += [(_plain((column - (columns - 1) / 2) * pitch_x_mm), _plain(y)) for column in order]
    return places


def ring_places(rings: Sequence[tuple[float, int]], *, has_middle: bool) -> list[Place]:
    """Rings of (radius in mm, points), the first point of each to the right of the middle, then counter-clockwise."""
    if any(radius <= 0 or count < 1 for radius, count in rings):
        raise ValueError("every ring needs a radius above 0 mm and at least one point")
    if len({radius for radius, _ in rings}) < len(rings):
        raise ValueError("two rings have the same radius")
    if not 1 <= sum(count for _, count in rings) + has_middle <= MOST_PLACES:
        raise ValueError(f"a survey has 1 to {MOST_PLACES} points")
    places: list[Place] = [(0.0, 0.0)] if has_middle else []
    for radius, count in rings:
        turns = [2 * pi * step / count for step in range(count)]
        places += [(_plain(radius * cos(turn)), _plain(radius * sin(turn))) for turn in turns]
    return places


def _plain(millimetres: float) -> float:
    # Micrometres are finer than any probe is laid; -0.0 would be another place than 0.0.
    return round(millimetres, 3) + 0.0
