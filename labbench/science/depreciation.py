"""How a lamp's output falls with hours run, and when it will be less than the lab allows.

The model and the fit are those of IES TM-21 for light-emitting diodes measured by IES LM-80: output = B exp(-alpha hours), least squares
of ln(output) on hours. TM-21 is for the luminous or radiant flux of LED packages, twenty of them, tested for 6,000 h or more; for the
irradiance below one UV-A lamp it is an analogy, and whoever shows a result says so. Lamps that hold their output and then fail do not
follow it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log

from labbench.science.intervals import Interval
from labbench.science.line_fit import Line, crossing, fit_line, mean_limits, slope_limits

# TM-21 (from an article of its authors' society, 2019): tests of 6,000 to 10,000 h use their last 5,000 h; longer ones the last half
# (from memory). Nothing before 1,000 h follows from the first rule.
SHORTEST_TEST_H = 6000.0
LONG_TEST_H = 10_000.0
LAST_OF_A_TEST_H = 5000.0
# TM-21: a life is reported up to 6 times the length of the test (20 units or more; 5.5 times for 10 to 19, from memory).
MOST_TEST_LENGTHS = 6.0


@dataclass(frozen=True, slots=True)
class Depreciation:
    """output(hours) = start exp(-alpha hours), fitted.

    Attributes
    ----------
    points : int
        Points the fit used.
    first_h, last_h : float
        Hours of the first and of the last point given, used or not: what the lamp was watched over.
    alpha_per_h : float
        Share of its output that the lamp loses in an hour; not positive where the points show no fading.
    alpha_limits : Interval or None
        t-based; None with two points.
    start : float
        Output at 0 h, in the unit of the points.
    line : Line
        Of ln(output) on hours.
    confidence : float
    method : str
    """

    points: int
    first_h: float
    last_h: float
    alpha_per_h: float
    alpha_limits: Interval | None
    start: float
    line: Line
    confidence: float
    method: str = "least squares of ln(output) on hours, as in IES TM-21"

    def output_at(self, hours: float) -> float:
        return exp(self.line.at(hours))

    def output_limits(self, hours: float) -> Interval | None:
        """Limits of the output at `hours` (of the curve, not of a single survey); None with two points."""
        found = mean_limits(self.line, hours, confidence=self.confidence)
        if found is None or found.low is None or found.high is None:
            return None
        return Interval(bounded_exp(found.low), bounded_exp(found.high))


@dataclass(frozen=True, slots=True)
class HoursToLevel:
    """When a lamp's output falls to a level, in hours run of its life.

    Attributes
    ----------
    hours : float or None
        ln(start / level) / alpha. None where the lamp does not fade.
    limits : Interval or None
        The hours at which the level lies within the curve's limits (Fieller); an open end is None; None with two points.
    reported_h : float or None
        `hours`, or the longest that may be reported: first_h + multiple x (last_h - first_h).
    is_beyond : bool
        Whether only "more than `reported_h`" can be said.
    multiple : float
    reason : str
        Why `hours` is None; "" else.
    """

    hours: float | None
    limits: Interval | None
    reported_h: float | None
    is_beyond: bool
    multiple: float
    reason: str


def points_used(hours: Sequence[float]) -> list[int]:
    """Places of the points that TM-21 would use: all of a test shorter than 6,000 h, else of its last 5,000 h or its last half."""
    last = max(hours)
    if last < SHORTEST_TEST_H:
        return list(range(len(hours)))
    since = last - LAST_OF_A_TEST_H if last <= LONG_TEST_H else last / 2
    return [place for place, at in enumerate(hours) if at >= since]


def fit_depreciation(
    hours: Sequence[float], output: Sequence[float], *, confidence: float = 0.95, select: bool = True
) -> Depreciation:
    """Fit of output against hours run of one life of a lamp.

    Parameters
    ----------
    hours : sequence of float, shape (n,)
        At least two different ones; any order, repeats allowed.
    output : sequence of float, shape (n,)
        Above 0, in any unit.
    confidence : float
        Two-sided coverage of the limits. They hold for normal errors of ln(output), alike at all hours.
    select : bool
        Use only the points of `points_used`, where they lie at two different hours or more.

    Raises
    ------
    ValueError
        If the shapes differ, an output is not above 0, or all hours are alike.

    References
    ----------
    ANSI/IES TM-21-21, Projecting Long-Term Luminous, Photon, and Radiant Flux Maintenance of LED Light Sources (equations from an article
    of the society, 2019; the standard not read).
    """
    if len(hours) != len(output):
        raise ValueError(f"{len(hours)} hours and {len(output)} outputs do not belong together")
    if min(output, default=0) <= 0:
        raise ValueError("an output is above 0")
    used = points_used(hours) if select else list(range(len(hours)))
    if len({hours[place] for place in used}) < 2:
        used = list(range(len(hours)))
    line = fit_line([hours[place] for place in used], [log(output[place]) for place in used])
    limits = slope_limits(line, confidence=confidence)
    alpha = None
    if limits is not None and limits.low is not None and limits.high is not None:
        alpha = Interval(-limits.high, -limits.low)
    return Depreciation(line.points, min(hours), max(hours), -line.slope, alpha, exp(line.intercept), line, confidence)


def hours_to(fit: Depreciation, level: float, *, multiple: float = MOST_TEST_LENGTHS) -> HoursToLevel:
    """Hours run at which the fitted output falls to a level, reported no further than a multiple of the hours watched.

    Raises
    ------
    ValueError
        If level or multiple is not above 0.
    """
    if not (level > 0 and multiple > 0):
        raise ValueError("level and multiple are above 0")
    if fit.alpha_per_h <= 0:
        return HoursToLevel(None, None, None, False, multiple, "the surveys show no fading, so no life can be computed")
    found = crossing(fit.line, log(level), confidence=fit.confidence)
    assert found.x is not None
    longest = fit.first_h + multiple * (fit.last_h - fit.first_h)
    is_beyond = found.x > longest
    return HoursToLevel(found.x, found.limits, min(found.x, longest), is_beyond, multiple, "")


def time_factor(alpha_per_h: float, hours: float) -> float:
    """How much longer the same dose takes after `hours` of fading: exp(alpha hours)."""
    return exp(alpha_per_h * hours)


def bounded_exp(value: float) -> float:
    """exp without overflow: limits far outside the points can be anything."""
    return exp(max(-300.0, min(300.0, value)))
