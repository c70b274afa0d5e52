"""The dose at one place under a lamp, between the places of its survey: linear over the triangles of neighbouring places.

Dose is irradiance times time (mW/cm² x s = mJ/cm²), for a lamp whose output stays the same over the cure.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from labbench.science.irradiance import Reading, point_means

# Nearer than this to a surveyed place is that place.
AT_A_PLACE_MM = 1e-6


def irradiance_at(readings: Sequence[Reading], x_mm: float, y_mm: float) -> float | None:
    """Irradiance at a place in mW/cm²; None outside the surveyed area, and where the places span none.

    At a surveyed place it is the mean of its readings, between places linear over the Delaunay triangle that holds it. Nothing is
    extrapolated.
    """
    # slow import: scipy
    from scipy.interpolate import LinearNDInterpolator
    from scipy.spatial import QhullError

    places = np.array(point_means(readings), dtype=np.float64).reshape(-1, 3)
    apart = np.hypot(places[:, 0] - x_mm, places[:, 1] - y_mm)
    if len(places) and apart.min() <= AT_A_PLACE_MM:
        return float(places[int(np.argmin(apart)), 2])
    if len(places) < 3:
        return None
    try:
        value = float(LinearNDInterpolator(places[:, :2], places[:, 2])(np.array([[x_mm, y_mm]]))[0])
    except QhullError:  # all places on one line
        return None
    return value if np.isfinite(value) else None
