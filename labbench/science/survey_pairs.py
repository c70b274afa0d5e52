"""Two surveys against each other: place by place, as a ratio with its interval, and whether they differ by more than they are known.

For a cover or a distance the ratio says how much longer a cure has to be for the same dose (reciprocity assumed); for two meters on
one lamp it says how much one reads above the other, and the E_n number whether their stated uncertainties allow that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, fsum, hypot, log, sqrt

from labbench.science.intervals import Interval
from labbench.science.irradiance import Reading, point_means
from labbench.science.survey_map import irradiances_at
from labbench.science.survey_uncertainty import MeterLimits, survey_uncertainty
from labbench.science.uncertainty import Budget, Component, budget

# Places of two surveys this close are one: a probe is laid down no better by hand (common practice, no source).
SAME_PLACE_MM = 1.0


@dataclass(frozen=True, slots=True)
class Pair:
    """One place in both surveys, in mW/cm²; `is_interpolated` where the second was not read just there."""

    x_mm: float
    y_mm: float
    first: float
    second: float
    is_interpolated: bool

    @property
    def difference(self) -> float:
        return self.second - self.first

    @property
    def ratio(self) -> float | None:
        return self.second / self.first if self.first > 0 else None


@dataclass(frozen=True, slots=True)
class Ratio:
    """Geometric mean of second over first.

    Attributes
    ----------
    value : float
    interval : Interval
        t interval of the mean of ln(second / first) over the places; widened by both meters where `includes_meters`.
    spread : float
        Standard deviation of ln(second / first): how unlike the places are.
    places, left_out : int
        Pairs in it; pairs without light in one survey, which have no ratio.
    """

    value: float
    interval: Interval
    spread: float
    places: int
    left_out: int
    includes_meters: bool


@dataclass(frozen=True, slots=True)
class Difference:
    """A figure of two surveys: second minus first, and what of it their uncertainties explain."""

    first: float
    second: float
    difference: float
    expanded: float
    is_beyond_uncertainty: bool
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two meters on one lamp: E_n = (second - first) / root of (U first² + U second²) over the places that both read."""

    first: Budget
    second: Budget
    e_n: float | None
    are_consistent: bool | None
    reason: str | None


@dataclass(frozen=True, slots=True)
class SurveyPairs:
    """Everything about two surveys; what can't be computed is None, `reason` says why."""

    pairs: tuple[Pair, ...]
    ratio: Ratio | None
    mean: Difference
    min: Difference
    reason: str | None


def compare_surveys(
    first: Sequence[Reading],
    second: Sequence[Reading],
    *,
    meters: tuple[MeterLimits, MeterLimits],
    is_same_calibration: bool,
    confidence: float = 0.95,
) -> SurveyPairs | None:
    """Second against first; None where one has no readings.

    `is_same_calibration`: both read with one meter under one calibration. What is common to both (calibration, drift) then acts on
    both alike and cancels in ratios; of a difference it keeps the share that the difference itself has (GUM 5.2.2, correlation 1).
    """
    pairs = paired(first, second)
    known = survey_uncertainty(first, meters[0]), survey_uncertainty(second, meters[1])
    if known[0] is None or known[1] is None:
        return None
    ratio, reason = paired_ratio(
        pairs, confidence=confidence, meters=None if is_same_calibration else (known[0].mean, known[1].mean)
    )
    return SurveyPairs(
        pairs=tuple(pairs),
        ratio=ratio,
        mean=difference(known[0].mean, known[1].mean, is_same_calibration=is_same_calibration),
        min=difference(known[0].min, known[1].min, is_same_calibration=is_same_calibration),
        reason=reason,
    )


def paired(first: Sequence[Reading], second: Sequence[Reading]) -> list[Pair]:
    """The places of the first survey that the second read too; if fewer than three, those inside the second's points."""
    ours, theirs = point_means(first), point_means(second)
    pairs, at_places = [], {place[:2]: place for place in theirs}
    for x, y, value in ours:
        # Mostly both surveys name the place alike; only else is the nearest looked for.
        near = at_places.get((x, y)) or min(theirs, key=lambda place: hypot(place[0] - x, place[1] - y), default=None)
        if near is not None and hypot(near[0] - x, near[1] - y) <= SAME_PLACE_MM:
            pairs.append(Pair(x, y, value, near[2], is_interpolated=False))
    if len(pairs) >= 3:
        return pairs
    at = {(pair.x_mm, pair.y_mm): pair for pair in pairs}
    found = []
    between = irradiances_at(second, [(x, y) for x, y, _ in ours])
    for (x, y, value), interpolated in zip(ours, between, strict=True):
        if (x, y) in at:
            found.append(at[x, y])
        elif interpolated is not None:
            found.append(Pair(x, y, value, interpolated, is_interpolated=True))
    return found


def paired_ratio(
    pairs: Sequence[Pair], *, confidence: float = 0.95, meters: tuple[Budget, Budget] | None = None
) -> tuple[Ratio | None, str | None]:
    """The mean ratio over the places; None with a reason for fewer than two lit pairs."""
    logs = [log(pair.second / pair.first) for pair in pairs if pair.first > 0 and pair.second > 0]
    if len(logs) < 2:
        return None, f"{len(logs)} places were read with light in both surveys; a ratio with an interval needs two"
    # slow import: scipy
    from scipy import stats

    mean = fsum(logs) / len(logs)
    spread = sqrt(fsum((value - mean) ** 2 for value in logs) / (len(logs) - 1))
    half = float(stats.t.ppf((1 + confidence) / 2, len(logs) - 1)) * spread / sqrt(len(logs))
    if meters is not None:
        # The repeats of each survey are in the spread over the places already: only what acts on all places alike is added.
        shared = [
            part.standard / one.value
            for one in meters
            for part in one.components
            if part.name in {"calibration", "drift", "geometry"} and one.value > 0
        ]
        half = hypot(half, 2 * sqrt(fsum(part**2 for part in shared)))
    return (
        Ratio(
            value=exp(mean),
            interval=Interval(exp(mean - half), exp(mean + half)),
            spread=spread,
            places=len(logs),
            left_out=len(pairs) - len(logs),
            includes_meters=meters is not None,
        ),
        None,
    )


def difference(first: Budget, second: Budget, *, is_same_calibration: bool) -> Difference:
    """Second minus first against the expanded uncertainty of that difference."""
    parts = []
    for name in dict.fromkeys(part.name for part in (*first.components, *second.components)):
        ours = next((part for part in first.components if part.name == name), None)
        theirs = next((part for part in second.components if part.name == name), None)
        known = [part for part in (ours, theirs) if part is not None]
        if is_same_calibration and ours and theirs and ours.is_common:
            parts.append(Component(name, abs(theirs.standard - ours.standard), ours.df, "the same in both"))
        else:
            parts += [Component(name, part.standard, part.df, part.basis) for part in known]
    whole = budget(second.value - first.value, parts, coverage=first.coverage)
    missing = tuple(dict.fromkeys((*first.missing, *second.missing)))
    gap = second.value - first.value
    return Difference(first.value, second.value, gap, whole.expanded, abs(gap) > whole.expanded, missing)


def meter_agreement(
    pairs: Sequence[Pair],
    first: Sequence[Reading],
    second: Sequence[Reading],
    *,
    meters: tuple[MeterLimits, MeterLimits],
) -> Agreement | None:
    """E_n over the places that both meters read (ISO 13528, performance statistics; from memory); None without such places."""
    both = [pair for pair in pairs if not pair.is_interpolated]
    if not both:
        return None
    ours = _only(first, [(pair.x_mm, pair.y_mm) for pair in both])
    theirs = _only(second, [(pair.x_mm, pair.y_mm) for pair in both])
    known = survey_uncertainty(ours, meters[0]), survey_uncertainty(theirs, meters[1])
    assert known[0] is not None  # a pair is a reading in both
    assert known[1] is not None
    one, two = known[0].mean, known[1].mean
    without = [name for name, m in (("first", meters[0]), ("second", meters[1])) if m.calibration_percent is None]
    if without:
        reason = f"the uncertainty of the calibration of the {' and '.join(without)} meter isn't known"
        return Agreement(one, two, None, None, reason)
    root = hypot(one.expanded, two.expanded)
    if root == 0:
        return Agreement(one, two, None, None, "both uncertainties are 0")
    e_n = (two.value - one.value) / root
    return Agreement(one, two, e_n, abs(e_n) <= 1, None)


def _only(readings: Sequence[Reading], spots: Sequence[tuple[float, float]]) -> list[Reading]:
    named = set(spots)
    return [
        row
        for row in readings
        if row[:2] in named or any(hypot(row[0] - x, row[1] - y) <= SAME_PLACE_MM for x, y in spots)
    ]
