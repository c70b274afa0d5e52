"""What is doubtful about the readings of a survey: in sentences, kept with it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from math import hypot
from statistics import median

from labbench.science.irradiance import Reading, point_means, repeatability, summarise_survey
from labbench.science.sheet_warnings import counted

# The greatest reading at so many places, and so much oftener than readings usually repeat: the end of a range.
PLACES_AT_THE_TOP = 3
OFTENER = 3
# With two different readings only, fewer in all are a coarse meter as likely.
FEW_READINGS = 6
ALL_ALIKE = (
    "All {places} places read {top:.6g} mW/cm²: no lamp is as even as that, a meter at the end of its range reads so. "
    "Check the range, or read again from further away."
)
# Below, nothing is known of how even a lamp is.
FEWEST_PLACES = 3
# A survey's repeats are usually within a few percent; above this something moved (common practice, no source).
RESTLESS = 0.05
# Between the emitters and half way to the next there must be a point (sampling: two points a period).
LARGEST_SHARE_OF_EMITTER_SPACING = 0.5
ROUNDING = 1e-9


def survey_cautions(
    readings: Sequence[Reading],
    *,
    range_max_mw_cm2: float | None = None,
    as_shown: Sequence[float] = (),
    emitter_spacing_mm: float | None = None,
    area: tuple[str, float, float] | None = None,
) -> list[str]:
    """Sentences about the readings; empty where nothing is doubtful.

    Parameters
    ----------
    readings : sequence of (x_mm, y_mm, mW/cm²)
    range_max_mw_cm2, as_shown
        End of the meter's range, and the readings as the meter showed them (mW/cm², before any factor).
    emitter_spacing_mm : float or None
        Of the lamp.
    area : (shape, width in mm, height in mm) or None
        Cure area around (0, 0): ``rectangle`` or ``circle`` (its width is the diameter).
    """
    return [
        *saturation(readings, as_shown, range_max_mw_cm2),
        *darkness(readings),
        *fewness(readings),
        *restlessness(readings),
        *coarseness(readings, emitter_spacing_mm),
        *coverage(readings, area),
    ]


def saturation(readings: Sequence[Reading], as_shown: Sequence[float], range_max_mw_cm2: float | None) -> list[str]:
    """Readings at the end of the range, and a greatest reading that comes back too often."""
    if range_max_mw_cm2 is not None:
        at_end = sum(value >= range_max_mw_cm2 * (1 - ROUNDING) for value in as_shown)
        if at_end:
            return [
                f"{counted(at_end, 'reading')} at or above the end of the meter’s range ({range_max_mw_cm2:g} mW/cm²): "
                "the lamp may be brighter there than was read."
            ]
    values = Counter(value for _, _, value in readings)
    if not values or max(values) == 0:
        return []
    top = max(values)
    if len(values) == 1:
        places = len(point_means(readings))
        return [ALL_ALIKE.format(top=top, places=places)] if places >= PLACES_AT_THE_TOP else []
    if len(values) == 2 and len(readings) < FEW_READINGS:
        return []
    usual = median(count for value, count in values.items() if value != top)
    if values[top] >= PLACES_AT_THE_TOP and values[top] >= OFTENER * usual:
        return [
            f"The greatest reading, {top:.6g} mW/cm², was read {values[top]} times: a meter at the end of its range reads so. "
            "Check the range, or read again from further away."
        ]
    return []


def darkness(readings: Sequence[Reading]) -> list[str]:
    """Places without light."""
    places = point_means(readings)
    dark = sum(value == 0 for _, _, value in places)
    if not dark:
        return []
    if dark == len(places):
        return ["Every reading is 0: was the lamp on, and the meter’s head uncovered?"]
    return [f"{counted(dark, 'place')} read 0: no light there, or the head was covered. Read them again."]


def fewness(readings: Sequence[Reading]) -> list[str]:
    """Too few places to know how even the lamp is."""
    places = len(point_means(readings))
    if not 0 < places < FEWEST_PLACES:
        return []
    return [
        f"Only {counted(places, 'place')} read: how even the light is stays unknown, and the coldest place may be far colder."
    ]


def restlessness(readings: Sequence[Reading]) -> list[str]:
    """Repeats further apart than a steady lamp and hand give."""
    spread = repeatability(readings)
    if spread is None or spread <= RESTLESS:
        return []
    return [
        f"Repeated readings differ by {100 * spread:.0f} % (standard deviation): was the lamp warmed up, and the head laid down alike?"
    ]


def coarseness(readings: Sequence[Reading], emitter_spacing_mm: float | None) -> list[str]:
    """Points too far apart to see the light and dark of the emitters."""
    survey = summarise_survey(readings)
    if survey is None or survey.spacing_mm is None or emitter_spacing_mm is None:
        return []
    most = emitter_spacing_mm * LARGEST_SHARE_OF_EMITTER_SPACING
    if survey.spacing_mm <= most * (1 + ROUNDING):
        return []
    return [
        f"The points are {survey.spacing_mm:.3g} mm apart; to see bright and dark between emitters {emitter_spacing_mm:.3g} mm apart, "
        f"at most {most:.3g} mm are needed. The true coldest and hottest places may lie between the points."
    ]


def coverage(readings: Sequence[Reading], area: tuple[str, float, float] | None) -> list[str]:
    """Points outside the cure area, or so far inside that its rim was not read."""
    places = point_means(readings)
    if area is None or not places:
        return []
    shape, width, height = area
    if shape == "circle":
        outside = sum(hypot(x, y) > width / 2 + ROUNDING for x, y, _ in places)
    else:
        outside = sum(abs(x) > width / 2 + ROUNDING or abs(y) > height / 2 + ROUNDING for x, y, _ in places)
    found = [f"{counted(outside, 'place')} outside the cure area."] if outside else []
    survey = summarise_survey(readings)
    reach = (survey.spacing_mm if survey else None) or 0.0
    least_x, least_y = max(abs(x) for x, _, _ in places), max(abs(y) for _, y, _ in places)
    rim = width / 2, (width if shape == "circle" else height) / 2
    if least_x < rim[0] - reach - ROUNDING or least_y < rim[1] - reach - ROUNDING:
        found.append(
            "The rim of the cure area was not read: more than one spacing lies between it and the outermost points."
        )
    return found
