"""What a lamp survey says: irradiance over the cure area, how even it is, how well it repeats, and the dose of a cure.

Uniformity: minimum over mean (EN 12464-1), minimum over maximum (lighting practice), non-uniformity as IEC 60904-9 defines it
for solar simulators. No published limit for repair curing lamps is known: these are yardsticks.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum, sqrt
from statistics import median, stdev

Reading = tuple[float, float, float]  # x in mm, y in mm, irradiance in mW/cm²
# A grid computed in steps writes 0.30000000000000004 beside 0.3: no hand lays a meter down so far apart.
SAME_PLACE_DECIMALS = 6


@dataclass(frozen=True, slots=True)
class SurveyPlace:
    """A place and the mean of its readings."""

    x_mm: float
    y_mm: float
    value: float


@dataclass(frozen=True, slots=True)
class SurveySummary:
    """Irradiance over the cure area.

    Attributes
    ----------
    points : int
        Places that were read; repeated readings at a place count once, with their mean.
    readings : int
        All of them.
    mean_mw_cm2, min_mw_cm2, max_mw_cm2 : float
        Over the places.
    min_over_mean, min_over_max, non_uniformity : float or None
        The last is (max - min) / (max + min). None where no place has any light.
    cv : float or None
        Sample standard deviation over the places (n - 1), over their mean. None for one place, or without light.
    repeatability_cv : float or None
        Of repeated readings: the root of the mean of the places' (s / mean)², weighted by their n - 1. None without repeats.
    coldest, hottest : SurveyPlace
        The first of several that are equal, by y and then x.
    spacing_mm : float or None
        Median distance of a place to its nearest neighbour; None for one place.
    """

    points: int
    readings: int
    mean_mw_cm2: float
    min_mw_cm2: float
    max_mw_cm2: float
    min_over_mean: float | None
    min_over_max: float | None
    non_uniformity: float | None
    cv: float | None
    repeatability_cv: float | None
    coldest: SurveyPlace
    hottest: SurveyPlace
    spacing_mm: float | None


@dataclass(frozen=True, slots=True)
class Dose:
    """Radiant exposure of the places in mJ/cm²: irradiance times time, for a lamp whose output stays the same."""

    mean: float
    min: float
    max: float


def summarise_survey(readings: Sequence[Reading]) -> SurveySummary | None:
    """Summary of readings; None where there is none."""
    if not readings:
        return None
    places = [SurveyPlace(*row) for row in point_means(readings)]
    values = [place.value for place in places]
    coldest = min(places, key=lambda place: place.value)
    hottest = max(places, key=lambda place: place.value)
    low, high = coldest.value, hottest.value
    mean = fsum(values) / len(values)
    is_lit = high > 0
    return SurveySummary(
        points=len(places),
        readings=len(readings),
        mean_mw_cm2=mean,
        min_mw_cm2=low,
        max_mw_cm2=high,
        min_over_mean=low / mean if is_lit else None,
        min_over_max=low / high if is_lit else None,
        non_uniformity=(high - low) / (high + low) if is_lit else None,
        cv=stdev(values) / mean if is_lit and len(values) > 1 else None,
        repeatability_cv=repeatability(readings),
        coldest=coldest,
        hottest=hottest,
        spacing_mm=spacing(places),
    )


def dose_of(survey: SurveySummary, cure_s: float) -> Dose:
    """The dose of a cure of `cure_s` seconds."""
    return Dose(survey.mean_mw_cm2 * cure_s, survey.min_mw_cm2 * cure_s, survey.max_mw_cm2 * cure_s)


def point_means(readings: Sequence[Reading]) -> list[Reading]:
    """One row a place, ordered by y and x, with the mean of its readings."""
    return [(x, y, fsum(values) / len(values)) for (y, x), values in by_place(readings)]


def by_place(readings: Sequence[Reading]) -> list[tuple[tuple[float, float], list[float]]]:
    """The readings of each place (y, x), in that order; closer than `SAME_PLACE_DECIMALS` of a millimetre is one place."""
    places: dict[tuple[float, float], list[Reading]] = defaultdict(list)
    for reading in readings:
        places[round(reading[1], SAME_PLACE_DECIMALS), round(reading[0], SAME_PLACE_DECIMALS)].append(reading)
    return [
        ((own[0][1], own[0][0]), [own[0][2]])
        if len(own) == 1
        else ((min(y for _, y, _ in own), min(x for x, _, _ in own)), [value for _, _, value in own])
        for _, own in sorted(places.items())
    ]


def repeatability(readings: Sequence[Reading]) -> float | None:
    """Relative standard deviation of repeated readings, pooled over the places that have some; see `SurveySummary`."""
    spreads = []
    for _, values in by_place(readings):
        mean = fsum(values) / len(values)
        if len(values) > 1 and mean > 0:
            spreads.append((len(values) - 1, stdev(values) / mean))
    freedom = sum(degrees for degrees, _ in spreads)
    return sqrt(fsum(degrees * spread**2 for degrees, spread in spreads) / freedom) if freedom else None


def spacing(places: Sequence[SurveyPlace]) -> float | None:
    """Median distance of a place to its nearest neighbour, in mm; None for one place."""
    if len(places) < 2:
        return None
    # slow import: scipy
    import numpy as np
    from scipy.spatial import KDTree

    spots = np.array([(place.x_mm, place.y_mm) for place in places])
    distances = np.asarray(KDTree(spots).query(spots, k=2)[0])
    return float(median(distances[:, 1]))


def survey_document(survey: SurveySummary, *, cure_s: float | None = None) -> dict[str, object]:
    """The survey as a JSON document; `reason` says why something is null."""
    reasons = []
    if survey.max_mw_cm2 == 0:
        reasons.append("no place has any light, so evenness has no meaning")
    elif survey.points == 1:
        reasons.append("one place says nothing of evenness between places (cv)")
    if survey.points == 1:
        reasons.append("one place has no spacing")
    if survey.repeatability_cv is None:
        reasons.append("no lit place was read twice, so repeatability is not known")
    if cure_s is None:
        reasons.append("no cure time was given, so there is no dose")
    dose = None if cure_s is None else dose_of(survey, cure_s)
    return {
        "points": survey.points,
        "readings": survey.readings,
        "mean_mw_cm2": survey.mean_mw_cm2,
        "min_mw_cm2": survey.min_mw_cm2,
        "max_mw_cm2": survey.max_mw_cm2,
        "min_over_mean": survey.min_over_mean,
        "min_over_max": survey.min_over_max,
        "non_uniformity": survey.non_uniformity,
        "cv": survey.cv,
        "repeatability_cv": survey.repeatability_cv,
        "coldest": {"x_mm": survey.coldest.x_mm, "y_mm": survey.coldest.y_mm, "value": survey.coldest.value},
        "hottest": {"x_mm": survey.hottest.x_mm, "y_mm": survey.hottest.y_mm, "value": survey.hottest.value},
        "dose_mj_cm2": None if dose is None else {"mean": dose.mean, "min": dose.min, "max": dose.max},
        "spacing_mm": survey.spacing_mm,
        "reason": "; ".join(reasons) or None,
    }
