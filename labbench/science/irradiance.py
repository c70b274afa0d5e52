"""What a lamp survey says in a few numbers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum


@dataclass(frozen=True, slots=True)
class SurveySummary:
    """Irradiance over the cure area.

    Attributes
    ----------
    points : int
        Places that were read; repeated readings at a place count once, with their mean.
    mean_mw_cm2, min_mw_cm2, max_mw_cm2 : float
        Over the places.
    min_over_max : float or None
        None where no place has any light.
    """

    points: int
    mean_mw_cm2: float
    min_mw_cm2: float
    max_mw_cm2: float
    min_over_max: float | None


def summarise_survey(readings: Sequence[tuple[float, float, float]]) -> SurveySummary | None:
    """Summary of readings (x in mm, y in mm, irradiance in mW/cm²); None where there is none."""
    if not readings:
        return None
    values = [value for _, _, value in point_means(readings)]
    low, high = min(values), max(values)
    return SurveySummary(len(values), fsum(values) / len(values), low, high, low / high if high > 0 else None)


def point_means(readings: Sequence[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    """One row a place, ordered by y and x, with the mean of its readings."""
    places: dict[tuple[float, float], list[float]] = defaultdict(list)
    for x, y, value in readings:
        places[y, x].append(value)
    return [(x, y, fsum(values) / len(values)) for (y, x), values in sorted(places.items())]
