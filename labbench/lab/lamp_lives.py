"""Lives of lamps: hours run, parts renewed, and how the output of a life falls.

A lamp's hours are what its counter showed: in a survey, in a reading of its own, or when a part was renewed. Between them nothing is known
but the cures recorded at the bench, which do not move the counter. Within a life the counter never falls; a renewed part begins a new life,
with the counter going on or set back.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Avg
from django.utils import timezone

from labbench.formats.date_texts import day_text, moment_text
from labbench.formats.number_texts import number_text
from labbench.lab.models import HoursReading, Lamp, LampReplacement, LampSurvey, SurveyPoint
from labbench.lab.models.lamps import JudgedBy
from labbench.lab.records import keep, refuse_twice, remove

if TYPE_CHECKING:
    from labbench.science.depreciation import Depreciation, HoursToLevel

# Surveys at distances no further apart are compared as if the distance were the same.
SAME_DISTANCE_MM = 5.0
# A lamp is named so many hours before it is expected to give less than it must: the lab's notice, no source.
WARN_AHEAD_H = 200.0
# A part is not renewed twice within an hour while the counter stands still.
ONE_RENEWAL_WITHIN = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class CounterEvent:
    """What a lamp's counter showed at a moment; before and after differ where a part was renewed."""

    at: datetime
    before_h: float
    after_h: float
    what: str
    record: Any

    @property
    def starts_life(self) -> bool:
        return isinstance(self.record, LampReplacement)

    def words(self) -> str:
        shown = self.after_h if self.starts_life else self.before_h
        return f"{number_text(shown)} h on {day_text(timezone.localtime(self.at))} ({self.what})"


@dataclass(frozen=True, slots=True)
class Life:
    """A lamp from one renewal to the next. The first begins with the lamp, at 0 h."""

    number: int
    started_at: datetime | None
    counter_h: float
    ended_at: datetime | None
    replacement: LampReplacement | None

    def holds(self, at: datetime) -> bool:
        return (self.started_at is None or at >= self.started_at) and (self.ended_at is None or at < self.ended_at)


@dataclass(frozen=True, slots=True)
class FadingPoint:
    """One survey of a life: hours run in that life, and what the lamp gave."""

    survey: LampSurvey
    hours_h: float
    output_mw_cm2: float


@dataclass(frozen=True, slots=True)
class Fading:
    """How a lamp's output falls in its present life, surveyed under one condition.

    Attributes
    ----------
    lamp : Lamp
    life : Life
    is_cover_on, distance_mm : bool, float, or None where there is no survey
    points : tuple of FadingPoint
        By hours run.
    fit : Depreciation or None
    to_least : HoursToLevel or None
        In hours of this life; None without a fit or without a least irradiance.
    now_h : float or None
        Hours of this life by the counter's last reading.
    remaining_h : float or None
        From then to the least irradiance; 0 or less: it is reached already.
    is_below : bool
        The last survey itself read less than the least irradiance.
    reason : str
        Why there is no projection; "" else.
    """

    lamp: Lamp
    life: Life
    is_cover_on: bool | None
    distance_mm: float | None
    points: tuple[FadingPoint, ...]
    fit: Depreciation | None
    to_least: HoursToLevel | None
    now_h: float | None
    remaining_h: float | None
    is_below: bool
    reason: str

    @property
    def is_near(self) -> bool:
        """Whether the least irradiance is reached within the hours of notice."""
        return self.is_below or (
            self.remaining_h is not None
            and self.remaining_h <= WARN_AHEAD_H
            and not (self.to_least is not None and self.to_least.is_beyond)
        )


# --- hours run ---------------------------------------------------------------------------------------------------------


def counter_events(lamp: Lamp) -> list[CounterEvent]:
    """Everything that is known of the lamp's counter, in order of time."""
    return events_of([lamp])[lamp.pk]


def events_of(lamps: Sequence[Lamp]) -> dict[int, list[CounterEvent]]:
    """The same of several lamps, in three queries."""
    found: dict[int, list[CounterEvent]] = {lamp.pk: [] for lamp in lamps}
    surveys = LampSurvey.objects.filter(lamp__in=lamps, lamp_hours_h__isnull=False, withdrawn_at=None)
    for survey in surveys.order_by():
        assert survey.lamp_hours_h is not None
        hours = survey.lamp_hours_h
        found[survey.lamp_id].append(CounterEvent(survey.surveyed_at, hours, hours, "survey", survey))
    for reading in HoursReading.objects.filter(lamp__in=lamps).select_related("read_by"):
        found[reading.lamp_id].append(
            CounterEvent(reading.read_at, reading.hours_h, reading.hours_h, "counter read", reading)
        )
    for renewed in LampReplacement.objects.filter(lamp__in=lamps).select_related("replaced_by"):
        found[renewed.lamp_id].append(event_of(renewed))
    for events in found.values():
        events.sort(key=in_time)
    return found


def event_of(renewed: LampReplacement) -> CounterEvent:
    what = f"{renewed.get_part_display()} renewed"
    return CounterEvent(renewed.replaced_at, renewed.hours_before_h, renewed.hours_after_h, what, renewed)


def refuse_falling_hours(lamp: Lamp, *, at: datetime, hours_h: float, leaving_out: Any = None) -> None:
    """ValidationError where this reading of the counter contradicts one before or after it in the same life."""
    event = CounterEvent(at, hours_h, hours_h, "this one", None)
    refuse_contradictions(lamp, [event], leaving_out=leaving_out)


def refuse_contradictions(lamp: Lamp, new: Iterable[CounterEvent], *, leaving_out: Any = None) -> None:
    """ValidationError where the counter would fall within a life and did not before."""
    known = counter_events(lamp)
    left = [event for event in known if leaving_out is None or event.record != leaving_out]
    before = falls(known)
    for earlier, later in falls(sorted([*left, *new], key=in_time)):
        if (earlier, later) not in before:
            raise ValidationError(
                f"Hours run never fall within a life of {lamp.code}: {earlier.words()}, then "
                f"{number_text(later.before_h)} h on {day_text(timezone.localtime(later.at))} ({later.what}). "
                "If a part was renewed in between, record that first."
            )


def falls(events: Sequence[CounterEvent]) -> list[tuple[CounterEvent, CounterEvent]]:
    """Neighbours in time between which the counter falls."""
    return [(earlier, later) for earlier, later in pairwise(events) if later.before_h < earlier.after_h]


def in_time(event: CounterEvent) -> tuple[datetime, bool]:
    return (event.at, event.starts_life)


@transaction.atomic
def record_hours(*, lamp: Lamp, by: Any, read_at: datetime, hours_h: float, note: str = "") -> HoursReading:
    """Store what the lamp's counter showed."""
    locked(lamp)
    refuse_twice(HoursReading.objects.filter(lamp=lamp, hours_h=hours_h, read_by=by, note=note), "read_at", read_at)
    refuse_falling_hours(lamp, at=read_at, hours_h=hours_h)
    reading = keep(HoursReading(lamp=lamp, read_at=read_at, hours_h=hours_h, read_by=by, note=note), by=by)
    settle_hours(lamp, by=by)
    return reading


@transaction.atomic
def record_replacement(
    *,
    lamp: Lamp,
    by: Any,
    replaced_at: datetime,
    part: str,
    hours_before_h: float,
    hours_after_h: float | None = None,
    reason: str,
) -> LampReplacement:
    """Store that a part was renewed: a new life begins. Without `hours_after_h` the counter goes on."""
    locked(lamp)
    renewed = LampReplacement(
        lamp=lamp,
        replaced_at=replaced_at,
        part=part,
        hours_before_h=hours_before_h,
        hours_after_h=hours_before_h if hours_after_h is None else hours_after_h,
        replaced_by=by,
        reason=reason,
    )
    refuse_second_renewal(renewed)
    refuse_contradictions(lamp, [event_of(renewed)])
    keep(renewed, by=by)
    settle_hours(lamp, by=by)
    return renewed


def refuse_second_renewal(renewed: LampReplacement) -> None:
    """ValidationError where the same part was renewed within the hour with the same counter: one renewal, told twice."""
    same = LampReplacement.objects.filter(
        lamp=renewed.lamp,
        part=renewed.part,
        hours_before_h=renewed.hours_before_h,
        hours_after_h=renewed.hours_after_h,
        replaced_at__range=(renewed.replaced_at - ONE_RENEWAL_WITHIN, renewed.replaced_at + ONE_RENEWAL_WITHIN),
    )
    if (earlier := same.select_related("replaced_by").first()) is not None:
        at = moment_text(timezone.localtime(earlier.replaced_at))
        raise ValidationError(
            f"This renewal is recorded already ({earlier.replaced_by}, {at}, the same part and counter); it is not stored twice."
        )


@transaction.atomic
def take_out(record: HoursReading | LampReplacement, *, by: Any, reason: str) -> None:
    """Take a mistaken reading or renewal out; its history stays."""
    lamp = locked(record.lamp)
    refuse_contradictions(lamp, [], leaving_out=record)
    remove(record, by=by, reason=reason)
    settle_hours(lamp, by=by, without_events_h=0.0)


def locked(lamp: Lamp) -> Lamp:
    """The lamp's row, held until the transaction ends: two people at one counter take turns."""
    return Lamp.objects.select_for_update(no_key=True).get(pk=lamp.pk)


def settle_hours(lamp: Lamp, *, by: Any, without_events_h: float | None = None) -> None:
    """Keep the counter's last reading at the lamp; call it after a survey was stored, corrected or withdrawn.

    Where nothing tells the counter, the lamp keeps what it has, or gets `without_events_h`.
    """
    events = counter_events(lamp)
    hours = events[-1].after_h if events else without_events_h
    if hours is None:
        return
    fresh = Lamp.objects.get(pk=lamp.pk)
    if fresh.hours_run_h != hours:
        fresh.hours_run_h = hours
        keep(fresh, by=by, reason="hours run, by the counter's last reading")
    lamp.hours_run_h = hours


def store_lamp(
    *, lamp: Lamp, by: Any, reason: str = "", hours_h: float | None = None, at: datetime | None = None
) -> Lamp:
    """Store a new or changed lamp; a new one with what its counter shows."""
    with transaction.atomic():
        is_new = lamp.pk is None
        if is_new:
            lamp.hours_run_h = 0.0
        kept_lamp = keep(lamp, by=by, reason=reason)
        if is_new and hours_h is not None:
            record_hours(lamp=kept_lamp, by=by, read_at=at or timezone.now(), hours_h=hours_h, note="when entered")
        return kept_lamp


# --- lives and fading ----------------------------------------------------------------------------------------------------


def lives_of(events: Sequence[CounterEvent]) -> list[Life]:
    """The lives that the renewals divide a lamp's time into, the first first."""
    renewed = [event for event in events if event.starts_life]
    starts: list[CounterEvent | None] = [None, *renewed]
    ends: list[CounterEvent | None] = [*renewed, None]
    return [
        Life(
            number,
            start.at if start else None,
            start.after_h if start else 0.0,
            end.at if end else None,
            start.record if start else None,
        )
        for number, (start, end) in enumerate(zip(starts, ends, strict=True), start=1)
    ]


def fading_of(lamp: Lamp, *, confidence: float = 0.95, multiple: float | None = None) -> Fading:
    """How the present life of one lamp fades."""
    return fadings([lamp], confidence=confidence, multiple=multiple)[lamp.pk]


def fadings(lamps: Sequence[Lamp], *, confidence: float = 0.95, multiple: float | None = None) -> dict[int, Fading]:
    """The same of several lamps, in four queries."""
    events = events_of(lamps)
    wanted = [
        event.record
        for lamp in lamps
        if lamp.fades
        for event in events[lamp.pk]
        if isinstance(event.record, LampSurvey)
    ]
    outputs = survey_outputs([survey.pk for survey in wanted])
    return {
        lamp.pk: fading_from(lamp, events[lamp.pk], outputs, confidence=confidence, multiple=multiple) for lamp in lamps
    }


def survey_outputs(survey_ids: list[int]) -> dict[int, tuple[float, float]]:
    """Coldest place and mean over the places of several surveys; repeats at a place count once, with their mean."""
    places: dict[int, list[float]] = defaultdict(list)
    rows = SurveyPoint.objects.filter(survey__in=survey_ids).order_by().values_list("survey_id", "x_mm", "y_mm")
    for survey_id, _, _, value in rows.annotate(value=Avg("irradiance_mw_cm2")):
        places[survey_id].append(value)
    return {key: (min(values), sum(values) / len(values)) for key, values in places.items()}


def fading_from(
    lamp: Lamp,
    events: list[CounterEvent],
    outputs: dict[int, tuple[float, float]],
    *,
    confidence: float,
    multiple: float | None,
) -> Fading:
    """From what is known of the counter, and what each survey read."""
    life = lives_of(events)[-1]
    now_h = events[-1].after_h - life.counter_h if events else None
    points = comparable_points(lamp, life, events, outputs)
    last = points[-1] if points else None
    least = lamp.least_irradiance_mw_cm2
    is_below = bool(last and least is not None and last.output_mw_cm2 < least)
    reason = why_no_projection(lamp, points)
    fit, to_least, remaining = None, None, None
    if not reason:
        # slow import: scipy
        from labbench.science.depreciation import MOST_TEST_LENGTHS, fit_depreciation, hours_to

        fit = fit_depreciation(
            [point.hours_h for point in points], [point.output_mw_cm2 for point in points], confidence=confidence
        )
        if least is not None:
            to_least = hours_to(fit, least, multiple=MOST_TEST_LENGTHS if multiple is None else multiple)
            if to_least.reported_h is not None and now_h is not None:
                remaining = to_least.reported_h - now_h
    return Fading(
        lamp,
        life,
        last.survey.is_cover_on if last else None,
        last.survey.distance_mm if last else None,
        tuple(points),
        fit,
        to_least,
        now_h,
        remaining,
        is_below,
        reason,
    )


def comparable_points(
    lamp: Lamp, life: Life, events: list[CounterEvent], outputs: dict[int, tuple[float, float]]
) -> list[FadingPoint]:
    """Surveys of the life with the same cover and distance: of the condition surveyed most often, the latest of equals."""
    figure = 0 if lamp.least_irradiance_at == JudgedBy.COLDEST else 1
    groups: dict[tuple[bool, float], list[FadingPoint]] = {}
    for event in events:
        survey = event.record
        if not isinstance(survey, LampSurvey) or not life.holds(event.at) or survey.pk not in outputs:
            continue
        key = next(
            (
                key
                for key in groups
                if key[0] == survey.is_cover_on and abs(key[1] - survey.distance_mm) <= SAME_DISTANCE_MM
            ),
            (survey.is_cover_on, survey.distance_mm),
        )
        point = FadingPoint(survey, event.before_h - life.counter_h, outputs[survey.pk][figure])
        groups.setdefault(key, []).append(point)
    if not groups:
        return []
    return max(groups.values(), key=lambda points: (len(points), points[-1].survey.surveyed_at))


def why_no_projection(lamp: Lamp, points: Sequence[FadingPoint]) -> str:
    """Why this lamp's fading is not projected; "" where it can be."""
    if lamp.emitter_kind == Lamp.Emitter.FLUORESCENT:
        return (
            "A fluorescent tube changes little and then fails outright, which everybody sees: no time to its end can be "
            "projected. Survey it as often as the lab asks, and keep a spare."
        )
    if lamp.emitter_kind == Lamp.Emitter.SUNLIGHT:
        return "The sun keeps no hours: its output is what is measured at the time."
    if not points:
        return "No survey of this life says how many hours the lamp had run."
    if len({point.hours_h for point in points}) < 2:
        return "All surveys of this life are of the same hours run: fading needs two, and limits need three."
    if min(point.output_mw_cm2 for point in points) <= 0:
        return "A survey reads no light at all: no fading can be fitted."
    return ""
