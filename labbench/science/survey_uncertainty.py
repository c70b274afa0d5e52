"""How well a survey knows its mean and its coldest place: the meter's limits and the repeats, combined by the GUM.

What the points missed between them is not in it: the values are those of the places that were read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum, inf, sqrt
from statistics import variance

from labbench.science.irradiance import Reading, by_place
from labbench.science.uncertainty import USUAL_COVERAGE, Budget, Component, budget, of_resolution, rectangular


@dataclass(frozen=True, slots=True)
class MeterLimits:
    """What is known of a meter; None where it isn't.

    Attributes
    ----------
    calibration_percent : float or None
        Expanded uncertainty (k = 2) of the calibration.
    geometry_percent, drift_percent : float or None
        Half widths: angle of incidence and placing of the probe; change since the calibration.
    resolution_mw_cm2, range_max_mw_cm2 : float or None
        Smallest step that is shown, and the end of the range.
    """

    calibration_percent: float | None = None
    geometry_percent: float | None = None
    drift_percent: float | None = None
    resolution_mw_cm2: float | None = None
    range_max_mw_cm2: float | None = None


@dataclass(frozen=True, slots=True)
class SurveyUncertainty:
    """Budgets of the mean over the places, of the coldest and of the hottest place, in mW/cm²."""

    mean: Budget
    min: Budget
    max: Budget


def survey_uncertainty(
    readings: Sequence[Reading], meter: MeterLimits, *, coverage: float = USUAL_COVERAGE
) -> SurveyUncertainty | None:
    """Uncertainty of a survey's mean, minimum and maximum; None without readings.

    Repeatability is taken relative to the value and pooled over all places that were read more than once; a place's mean of n
    readings carries it over the root of n. Calibration, drift and geometry act on all places alike and do not average out.
    """
    places = [(fsum(values) / len(values), len(values)) for _, values in by_place(readings)]
    if not places:
        return None
    spread, df = pooled_repeatability(readings)
    coldest, hottest = min(places), max(places)
    mean = fsum(value for value, _ in places) / len(places)
    of_mean = sqrt(fsum(value**2 / count for value, count in places)) / len(places)

    def made(value: float, scale: float) -> Budget:
        parts, missing = meter_components(value, meter)
        if spread is None:
            missing.append("repeatability (no place was read twice)")
        else:
            parts.append(
                Component("repeatability", spread * scale, df, f"repeats, s = {100 * spread:.2g} % of a reading")
            )
        return budget(value, parts, coverage=coverage, missing=missing)

    return SurveyUncertainty(
        mean=made(mean, of_mean),
        min=made(coldest[0], coldest[0] / sqrt(coldest[1])),
        max=made(hottest[0], hottest[0] / sqrt(hottest[1])),
    )


def meter_components(value: float, meter: MeterLimits) -> tuple[list[Component], list[str]]:
    """What the meter contributes at `value`, and what of it isn't known."""
    parts, missing = [], []
    if meter.calibration_percent is None:
        missing.append("calibration")
    else:
        basis = f"±{meter.calibration_percent:g} %, k = 2"
        parts.append(Component("calibration", value * meter.calibration_percent / 200, inf, basis, is_common=True))
    for name, half, common in (
        ("geometry", meter.geometry_percent, False),
        ("drift", meter.drift_percent, True),
    ):
        if half is None:
            missing.append(name)
        else:
            basis = f"±{half:g} %, rectangular"
            parts.append(Component(name, rectangular(value * half / 100), inf, basis, is_common=common))
    if meter.resolution_mw_cm2 is None:
        missing.append("resolution")
    else:
        basis = f"steps of {meter.resolution_mw_cm2:g} mW/cm²"
        parts.append(Component("resolution", of_resolution(meter.resolution_mw_cm2), inf, basis))
    return parts, missing


def pooled_repeatability(readings: Sequence[Reading]) -> tuple[float | None, float]:
    """Relative standard deviation of one reading, and its degrees of freedom; None where no lit place was read twice."""
    spreads = []
    for _, values in by_place(readings):
        mean = fsum(values) / len(values)
        if len(values) > 1 and mean > 0:
            spreads.append((len(values) - 1, variance(values) / mean**2))
    df = sum(count for count, _ in spreads)
    return (sqrt(fsum(count * square for count, square in spreads) / df), float(df)) if df else (None, inf)
