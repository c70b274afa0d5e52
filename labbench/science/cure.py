"""Arithmetic of a cure: dose, time for a dose, layers in the way, time at another irradiance, and depth of cure.

Reciprocity - that dose alone counts, whatever the irradiance - is an assumption. A lab that has seen otherwise fits the exponent p of
E^p t = constant (Schwarzschild's law); p = 1 is reciprocity.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log

from labbench.science.intervals import Interval
from labbench.science.line_fit import crossing, fit_line, slope_limits

W_M2_PER_MW_CM2 = 10.0
J_M2_PER_MJ_CM2 = 10.0
# exp(-100) of the surface's light is none.
MOST_DEPTHS = 100


@dataclass(frozen=True, slots=True)
class CureTime:
    """A cure long enough for the coldest point, and what other points get then.

    Attributes
    ----------
    time_s : float
    coldest_mj_cm2, mean_mj_cm2, hottest_mj_cm2 : float or None
        Doses in that time; None where that irradiance is not known.
    hottest_over_coldest : float or None
    """

    time_s: float
    coldest_mj_cm2: float
    mean_mj_cm2: float | None
    hottest_mj_cm2: float | None
    hottest_over_coldest: float | None


@dataclass(frozen=True, slots=True)
class Exponent:
    """Exponent p of E^p t = constant, from exposures that had an equal effect.

    Attributes
    ----------
    points : int
    p : float
    limits : Interval or None
        t-based, from the regression of ln t on ln E; None with two points.
    df : int
    """

    points: int
    p: float
    limits: Interval | None
    df: int
    method: str = "least squares of ln t on ln E"


@dataclass(frozen=True, slots=True)
class WorkingCurve:
    """Depth of cure C = Dp ln(E / Ec). Ec is the exposure at which the resin gels, not at which it is cured.

    Attributes
    ----------
    points : int
    dp_mm, ec_mj_cm2 : float
        Depth of penetration, and exposure at which a gel begins.
    dp_limits, ec_limits : Interval or None
        t-based; None with two points. An open end is None.
    df : int
    """

    points: int
    dp_mm: float
    ec_mj_cm2: float
    dp_limits: Interval | None
    ec_limits: Interval | None
    df: int
    method: str = "least squares of depth on ln exposure"


def dose_mj_cm2(irradiance_mw_cm2: float, time_s: float) -> float:
    """Radiant exposure of an irradiance that stays the same."""
    return irradiance_mw_cm2 * time_s


def cure_time(
    dose_mj_cm2: float,
    coldest_mw_cm2: float,
    *,
    mean_mw_cm2: float | None = None,
    hottest_mw_cm2: float | None = None,
    transmittance: float = 1.0,
) -> CureTime:
    """Time in which the coldest point gets a dose through layers that let `transmittance` pass.

    Parameters
    ----------
    dose_mj_cm2 : float
        Above 0; wanted below the layers.
    coldest_mw_cm2, mean_mw_cm2, hottest_mw_cm2 : float
        Irradiance as surveyed, above the layers; the coldest above 0.
    transmittance : float
        Fraction of one, above 0.

    Raises
    ------
    ValueError
        If a value is not possible.
    """
    if not dose_mj_cm2 > 0:
        raise ValueError("a dose is above 0 mJ/cm²")
    if not coldest_mw_cm2 > 0:
        raise ValueError("the coldest point gets no light, so no time is long enough")
    if not 0 < transmittance <= 1:
        raise ValueError("a layer lets more than 0 and at most 100 % pass")
    time_s = dose_mj_cm2 / (coldest_mw_cm2 * transmittance)
    mean, hottest = (
        None if value is None else value * transmittance * time_s for value in (mean_mw_cm2, hottest_mw_cm2)
    )
    ratio = None if hottest_mw_cm2 is None else hottest_mw_cm2 / coldest_mw_cm2
    return CureTime(time_s, dose_mj_cm2, mean, hottest, ratio)


def equal_effect_time(time_s: float, irradiance_mw_cm2: float, other_mw_cm2: float, *, p: float = 1.0) -> float:
    """Time at another irradiance for the same effect: t (E / E')^p; with p = 1 the same dose.

    References
    ----------
    J. W. Martin, J. W. Chin, T. Nguyen, Prog. Org. Coat. 47 (2003), 292-311 (abstract read): the law fits many systems.
    """
    if not (time_s > 0 and irradiance_mw_cm2 > 0 and other_mw_cm2 > 0):
        raise ValueError("time and irradiances are above 0")
    return float(time_s * (irradiance_mw_cm2 / other_mw_cm2) ** p)


def fit_exponent(
    irradiances_mw_cm2: Sequence[float], times_s: Sequence[float], *, confidence: float = 0.95
) -> Exponent:
    """Exponent p from exposures of equal effect, shape (n,): two or more different irradiances, all above 0.

    ln t = constant - p ln E. ValueError where there is no line.
    """
    if min((*irradiances_mw_cm2, *times_s), default=0) <= 0:
        raise ValueError("irradiances and times are above 0")
    if len(set(irradiances_mw_cm2)) < 2:
        raise ValueError("the exponent needs two different irradiances of equal effect")
    line = fit_line([log(e) for e in irradiances_mw_cm2], [log(t) for t in times_s])
    limits = slope_limits(line, confidence=confidence)
    return Exponent(line.points, -line.slope, turned(limits), line.df)


def turned(limits: Interval | None) -> Interval | None:
    """Limits of minus what they are limits of."""
    if limits is None or limits.low is None or limits.high is None:
        return None
    return Interval(-limits.high, -limits.low)


def transmittance_at(transmittance: float, thickness_mm: float, other_mm: float) -> float:
    """Internal transmittance of the same material at another thickness: T^(d' / d) (Beer-Lambert; reflection is left out)."""
    if not 0 < transmittance <= 1 or not thickness_mm > 0 or not other_mm >= 0:
        raise ValueError("a transmittance is above 0 and at most 1, a thickness above 0 mm")
    return float(transmittance ** (other_mm / thickness_mm))


def layers_transmittance(transmittances: Sequence[float]) -> float:
    """What layers one behind the other let pass: the product."""
    product = 1.0
    for value in transmittances:
        if not 0 < value <= 1:
            raise ValueError("a transmittance is above 0 and at most 1")
        product *= value
    return product


def cure_depth_mm(exposure_mj_cm2: float, *, dp_mm: float, ec_mj_cm2: float) -> float:
    """Depth of the gel, 0 where the exposure does not begin one.

    References
    ----------
    P. F. Jacobs, Rapid Prototyping & Manufacturing (1992), the working curve (from memory).
    """
    if not (dp_mm > 0 and ec_mj_cm2 > 0):
        raise ValueError("Dp and Ec are above 0")
    return max(0.0, dp_mm * log(exposure_mj_cm2 / ec_mj_cm2)) if exposure_mj_cm2 > 0 else 0.0


def exposure_for_depth(depth_mm: float, *, dp_mm: float, ec_mj_cm2: float) -> float:
    """Exposure at the surface that gels to a depth: Ec exp(depth / Dp). ValueError beyond 100 Dp, where no light is left."""
    if not (dp_mm > 0 and ec_mj_cm2 > 0 and depth_mm >= 0):
        raise ValueError("Dp and Ec are above 0, a depth is not negative")
    if depth_mm > MOST_DEPTHS * dp_mm:
        raise ValueError(f"a depth of more than {MOST_DEPTHS} Dp gets no light")
    return ec_mj_cm2 * exp(depth_mm / dp_mm)


def share_at_depth(depth_mm: float, *, dp_mm: float) -> float:
    """Share of the surface's light at a depth: exp(-depth / Dp)."""
    return exp(-depth_mm / dp_mm)


def mean_share_over_depth(depth_mm: float, *, dp_mm: float) -> float:
    """Mean of that share from the surface to a depth: (Dp / depth)(1 - exp(-depth / Dp))."""
    return dp_mm / depth_mm * (1 - exp(-depth_mm / dp_mm))


def fit_working_curve(
    exposures_mj_cm2: Sequence[float], depths_mm: Sequence[float], *, confidence: float = 0.95
) -> WorkingCurve:
    """Dp and Ec from depths measured at several exposures, shape (n,): two or more different exposures, all above 0.

    Dp is the slope of depth on ln exposure, Ec where the line reaches no depth; limits of Ec by Fieller's argument.

    Raises
    ------
    ValueError
        If a value is not possible, or depth does not grow with exposure.
    """
    if min((*exposures_mj_cm2, *depths_mm), default=0) <= 0:
        raise ValueError("exposures and depths are above 0")
    if len(set(exposures_mj_cm2)) < 2:
        raise ValueError("the curve needs two different exposures")
    line = fit_line([log(e) for e in exposures_mj_cm2], depths_mm)
    if line.slope <= 0:
        raise ValueError("these depths do not grow with exposure, so there is no working curve")
    found = crossing(line, 0.0, confidence=confidence)
    assert found.x is not None
    ec = found.limits and Interval(
        None if found.limits.low is None else exp(found.limits.low),
        None if found.limits.high is None else exp(found.limits.high),
    )
    return WorkingCurve(line.points, line.slope, exp(found.x), slope_limits(line, confidence=confidence), ec, line.df)
