"""Surveys side by side on one scale, and each against the first: lamps, a lamp over time, cover, distance, meters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET

from labbench.formats.date_texts import day_text
from labbench.formats.number_texts import number_text
from labbench.lab import surveys
from labbench.lab.meters import meter_limits
from labbench.lab.models import LampSurvey
from labbench.lab.queries import readings_of_surveys
from labbench.pages.surveys.drawing import map_picture, shared_levels
from labbench.pages.surveys.entry import number_in
from labbench.pages.surveys.figures import Figures, figures
from labbench.science.irradiance import Reading
from labbench.science.survey_pairs import Agreement, SurveyPairs, compare_surveys, meter_agreement

MOST = 4


@dataclass(frozen=True, slots=True)
class Column:
    """One survey of the comparison."""

    survey: LampSurvey
    readings: list[Reading]
    figures: Figures
    map: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Against:
    """A later column against the first."""

    column: Column
    pairs: SurveyPairs
    agreement: Agreement | None
    differs_in: list[str]
    is_interpolated: bool
    time_share: tuple[float, float, float] | None
    chart: dict[str, Any] | None


@require_GET
def compare(request: HttpRequest) -> HttpResponse:
    """Two to four surveys (?survey=, repeated)."""
    numbers = (number_in(text) for text in request.GET.getlist("survey"))
    asked = list(dict.fromkeys(number for number in numbers if number is not None))
    if len(asked) > MOST:
        messages.warning(request, f"{MOST} surveys fit side by side; the first {MOST} are shown.")
        asked = asked[:MOST]
    rows = LampSurvey.objects.select_related("lamp", "radiometer", "calibration", "surveyed_by").in_bulk(asked)
    found = [rows[pk] for pk in asked if pk in rows]
    readings = readings_of_surveys([survey.pk for survey in found])
    found = [survey for survey in found if readings.get(survey.pk)]
    if len(found) < 2:
        messages.info(request, "Tick two to four surveys with readings to hold them side by side.")
        return redirect("surveys")
    levels = shared_levels([readings[survey.pk] for survey in found])
    names = titles(found)
    columns = [column(survey, readings[survey.pk], levels, title) for survey, title in zip(found, names, strict=True)]
    context = {
        "columns": columns,
        "first": columns[0],
        "against": [against(columns[0], other) for other in columns[1:]],
        "asked": [survey.pk for survey in found],
    }
    return render(request, "surveys/compare.html", context)


def titles(found: list[LampSurvey]) -> list[str]:
    """Lamp and day, and what else tells these surveys apart."""
    told: dict[str, set[Any]] = {
        "cover": {row.is_cover_on for row in found},
        "distance": {row.distance_mm for row in found},
        "meter": {row.radiometer_id for row in found},
    }
    names = []
    for row in found:
        words = [str(row.lamp), day_text(timezone.localtime(row.surveyed_at))]
        if len(told["cover"]) > 1:
            words.append(f"cover {'on' if row.is_cover_on else 'off'}")
        if len(told["distance"]) > 1:
            words.append(f"{number_text(row.distance_mm)} mm")
        if len(told["meter"]) > 1:
            words.append(f"meter {row.radiometer}")
        names.append(", ".join(words))
    return [name if names.count(name) == 1 else f"{name} ({number + 1})" for number, name in enumerate(names)]


def column(survey: LampSurvey, readings: list[Reading], levels: tuple[float, ...], title: str) -> Column:
    known = figures(readings, survey.radiometer, surveys.calibration_of(survey, survey.surveyed_at))
    picture = map_picture(readings, area=surveys.area_of(survey), levels=levels, title=title, id=f"map-{survey.pk}")
    assert known is not None  # surveys without readings were left out
    assert picture is not None
    return Column(survey, readings, known, picture)


def against(first: Column, other: Column) -> Against:
    """Other against first."""
    limits = [
        meter_limits(one.survey.radiometer, surveys.calibration_of(one.survey, one.survey.surveyed_at))
        for one in (first, other)
    ]
    meters = limits[0], limits[1]
    is_same = first.survey.radiometer_id == other.survey.radiometer_id
    calibrations = [surveys.calibration_of(one.survey, one.survey.surveyed_at) for one in (first, other)]
    pairs = compare_surveys(
        first.readings,
        other.readings,
        meters=meters,
        is_same_calibration=is_same and calibrations[0] == calibrations[1],
    )
    assert pairs is not None
    ratio = pairs.ratio
    share = None
    # Two meters on one lamp: nothing is cured with either.
    if ratio and differs_in(first.survey, other.survey) != ["meter"] and ratio.interval.low and ratio.interval.high:
        share = 1 / ratio.value, 1 / ratio.interval.high, 1 / ratio.interval.low
    agreement = None
    if not is_same and same_light(first.survey, other.survey):
        agreement = meter_agreement(pairs.pairs, first.readings, other.readings, meters=meters)
    return Against(
        column=other,
        pairs=pairs,
        agreement=agreement,
        differs_in=differs_in(first.survey, other.survey),
        is_interpolated=any(pair.is_interpolated for pair in pairs.pairs),
        time_share=share,
        chart=ratio_chart(pairs, first, other),
    )


def same_light(one: LampSurvey, two: LampSurvey) -> bool:
    """Whether two surveys looked at the same lamp in the same way."""
    return (one.lamp_id, one.is_cover_on, one.distance_mm) == (two.lamp_id, two.is_cover_on, two.distance_mm)


def differs_in(one: LampSurvey, two: LampSurvey) -> list[str]:
    """What else than the day differs: with more than one of these the difference belongs to none alone."""
    found = []
    if one.lamp_id != two.lamp_id:
        found.append("lamp")
    if one.is_cover_on != two.is_cover_on:
        found.append("cover")
    if one.distance_mm != two.distance_mm:
        found.append("distance")
    if one.radiometer_id != two.radiometer_id:
        found.append("meter")
    if one.lamp_id == two.lamp_id and one.lamp_hours_h != two.lamp_hours_h:
        found.append("lamp hours")
    return found


def ratio_chart(pairs: SurveyPairs, first: Column, other: Column) -> dict[str, Any] | None:
    """The ratio at each place against the irradiance there, with the mean and its interval."""
    shown = [(pair, pair.ratio) for pair in pairs.pairs if pair.ratio is not None]
    if pairs.ratio is None or len(shown) < 2:
        return None
    low, high = pairs.ratio.interval.low, pairs.ratio.interval.high
    at = [min(pair.first for pair, _ in shown), max(pair.first for pair, _ in shown)]
    data: list[dict[str, Any]] = [
        {"type": "scatter", "x": at, "y": [low, low], "meta": {"series": 1, "role": "limit"}},
        {"type": "scatter", "x": at, "y": [high, high], "meta": {"series": 1, "role": "band"}},
        {
            "type": "scatter",
            "mode": "lines",
            "name": "mean ratio",
            "x": at,
            "y": [pairs.ratio.value] * 2,
            "meta": {"series": 1},
        },
        {
            "type": "scatter",
            "mode": "markers",
            "name": "a place",
            "x": [pair.first for pair, _ in shown],
            "y": [ratio for _, ratio in shown],
            "text": [f"x {number_text(pair.x_mm)}, y {number_text(pair.y_mm)} mm" for pair, _ in shown],
            "hovertemplate": "%{text}: %{y:.3f}<extra></extra>",
            "meta": {"series": 2},
        },
    ]
    return {
        "figure": {
            "data": data,
            "layout": {
                "height": 320,
                "xaxis": {"title": {"text": f"irradiance, {first.map['title']} (mW/cm²)"}},
                "yaxis": {"title": {"text": "ratio to it"}},
            },
        },
        "columns": ("x (mm)", "y (mm)", first.map["title"], other.map["title"], "difference (mW/cm²)", "ratio"),
        "rows": [
            (
                number_text(pair.x_mm),
                number_text(pair.y_mm),
                number_text(pair.first),
                number_text(pair.second) + (" (interpolated)" if pair.is_interpolated else ""),
                number_text(pair.difference),
                "no light" if pair.ratio is None else number_text(pair.ratio),
            )
            for pair in pairs.pairs
        ],
    }
