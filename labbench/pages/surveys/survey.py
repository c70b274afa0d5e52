"""Stored surveys: the list, one of them, its file, corrected, withdrawn."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from labbench.bench.doses import doses_from
from labbench.formats.survey_points_export import survey_points_csv
from labbench.lab import queries, surveys
from labbench.lab.models import Lamp, LampSurvey, Radiometer, SurveyDraft
from labbench.lab.records import newest_version
from labbench.pages.bench.cautions import caution, exposure_words
from labbench.pages.refusals import add_refusal
from labbench.pages.surveys.corrections import corrections
from labbench.pages.surveys.drawing import survey_picture
from labbench.pages.surveys.entry import number_in, unit_word
from labbench.pages.surveys.figures import figures
from labbench.pages.surveys.forms import CorrectionForm, ReadingsForm, ReasonForm

may_correct = permission_required("lab.change_lampsurvey", raise_exception=True)
PAGE = 50


@require_GET
def survey_list(request: HttpRequest) -> HttpResponse:
    """All surveys, the newest first; of one lamp or one meter where asked."""
    rows: Any = LampSurvey.objects.select_related("lamp", "radiometer", "surveyed_by").order_by("-surveyed_at", "-pk")
    lamp, meter = request.GET.get("lamp", ""), request.GET.get("meter", "")
    if (number := number_in(lamp)) is not None:
        rows = rows.filter(lamp=number)
    if (number := number_in(meter)) is not None:
        rows = rows.filter(radiometer=number)
    rows = rows.annotate(renewed_at=queries.renewal_since(), is_followed=queries.followed())
    page = Paginator(rows, PAGE).get_page(request.GET.get("page"))
    summaries = queries.survey_summaries([row.pk for row in page])
    today = timezone.localdate()
    context = {
        "page_obj": page,
        "rows": [(row, summaries.get(row.pk), queries.survey_due(row, row.renewed_at, today=today)) for row in page],
        "lamps": Lamp.objects.order_by("code"),
        "meters": Radiometer.objects.order_by("code"),
        "lamp": lamp,
        "meter": meter,
        "drafts": SurveyDraft.objects.select_related("lamp", "started_by"),
        "kept": {name: value for name, value in (("lamp", lamp), ("meter", meter)) if value},
    }
    return render(request, "surveys/surveys.html", context)


def the_survey(pk: int) -> Any:
    """A survey with `renewed_at`: since when it is of an earlier life of its lamp, None where it is of the present one."""
    rows = LampSurvey.objects.select_related("lamp", "radiometer", "surveyed_by", "calibration")
    return get_object_or_404(rows.annotate(renewed_at=queries.renewal_since()), pk=pk)


@require_GET
def survey(request: HttpRequest, pk: int) -> HttpResponse:
    """One survey: map, figures, how well they are known, what is doubtful, every point."""
    found = the_survey(pk)
    readings = queries.survey_readings(found)
    picture = survey_picture(found)
    known = figures(readings, found.radiometer, surveys.calibration_of(found, found.surveyed_at))
    context = {
        "survey": found,
        "map": picture,
        "figures": known,
        "points": found.points.order_by("y_mm", "x_mm", "reading"),
        "unit": unit_word(found),
        "due": queries.survey_due(found, found.renewed_at, today=timezone.localdate()),
        "corrections": corrections(found),
        "others": others(found),
        "doses": doses_from(found),
    }
    exposure = exposure_words(known.summary.max_mw_cm2 if known else None, f"lamp {found.lamp}")
    context |= {"exposure": exposure} | caution(request, "lamp", exposure, alike="survey")
    return render(request, "surveys/survey.html", context)


def others(found: LampSurvey) -> list[tuple[str, LampSurvey]]:
    """Surveys that this one is best held against, each with why."""
    standing = LampSurvey.objects.filter(withdrawn_at=None).exclude(pk=found.pk).select_related("lamp", "radiometer")
    same = standing.filter(lamp=found.lamp_id).order_by("-surveyed_at")
    asked = [
        (
            "the survey before, same cover and distance",
            same.filter(
                is_cover_on=found.is_cover_on, distance_mm=found.distance_mm, surveyed_at__lt=found.surveyed_at
            ),
        ),
        (
            f"cover {'off' if found.is_cover_on else 'on'}",
            same.filter(is_cover_on=not found.is_cover_on, distance_mm=found.distance_mm),
        ),
        ("another distance", same.filter(is_cover_on=found.is_cover_on).exclude(distance_mm=found.distance_mm)),
        (
            "another meter",
            same.filter(is_cover_on=found.is_cover_on, distance_mm=found.distance_mm).exclude(
                radiometer=found.radiometer_id
            ),
        ),
    ]
    found_rows: dict[LampSurvey, str] = {}
    for words, rows in asked:
        if (row := rows.first()) is not None:
            found_rows.setdefault(row, words)  # one survey may be both the one before and of another meter
    return [(words, row) for row, words in found_rows.items()]


@require_GET
def survey_points(request: HttpRequest, pk: int) -> HttpResponse:
    """The points as CSV, as the import reads them."""
    found = the_survey(pk)
    rows = [
        (row.x_mm, row.y_mm, row.irradiance_mw_cm2, row.reading, row.raw_reading)
        for row in found.points.order_by("y_mm", "x_mm", "reading")
    ]
    text = survey_points_csv(rows, raw_unit=unit_word(found), factor=found.calibration_factor)
    answer = HttpResponse(text, content_type="text/csv; charset=utf-8")
    day = timezone.localdate(found.surveyed_at)
    name = "".join(letter if letter.isalnum() else "-" for letter in found.lamp.code)
    answer["Content-Disposition"] = f'attachment; filename="survey-{name}-{day}.csv"'
    return answer


@may_correct
@require_http_methods(["GET", "HEAD", "POST"])
def correct_survey(request: HttpRequest, pk: int) -> HttpResponse:
    """Conditions and readings of a stored survey, with a reason; what stood before stays in the history."""
    # Read before the survey: what is corrected in between is not undone by this page.
    newest = newest_version(get_object_or_404(LampSurvey, pk=pk))
    found = the_survey(pk)
    seen = newest if (sent := number_in(request.POST.get("seen", ""))) is None else sent
    places, readings = stored_places(found)
    initial = {name: getattr(found, name) for name in surveys.CONDITIONS} | {
        "radiometer": found.radiometer_id,
        "applies_factor": "yes" if found.calibration_id else "no",
        "is_cover_on": "on" if found.is_cover_on else "off",
        "started_at": found.surveyed_at,
    }
    form = CorrectionForm(request.POST or None, now=timezone.now(), record=found, initial=initial)
    table = ReadingsForm(request.POST or None, places=places, readings=readings)
    if form.is_valid() & table.is_valid():
        given = form.cleaned_data
        raw = [(*places[number], value) for number, values in table.values().items() for value in values]
        at = given["started_at"]
        if at.replace(second=0) == found.surveyed_at.replace(second=0, microsecond=0):
            at = found.surveyed_at  # the form shows minutes
        own = {name: given[name] for name in surveys.CONDITIONS if name in given and name != "radiometer"}
        try:
            is_changed = surveys.correct_survey(
                survey=found,
                by=request.user,
                reason=given["why"],
                readings=[*raw, *given["new_places"]],
                radiometer=given["radiometer"],
                applies_factor=given["applies_factor"],
                surveyed_at=at,
                seen=seen,
                **own,
            )
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            if is_changed:
                messages.success(
                    request,
                    "The survey is corrected; its history keeps what stood before. Doses computed from it are out of date.",
                )
            else:
                messages.info(request, "Nothing was different; nothing was stored.")
            return redirect("survey", pk)
    context = {"survey": found, "form": form, "table": table, "unit": unit_word(found), "seen": seen}
    return render(request, "surveys/correct.html", context)


def stored_places(found: LampSurvey) -> tuple[list[tuple[float, float]], dict[int, list[float]]]:
    """Places of a stored survey, and the readings of each as they were read."""
    places: dict[tuple[float, float], int] = {}
    readings: dict[int, list[float]] = {}
    for x, y, raw in surveys.raw_readings(found):
        number = places.setdefault((x, y), len(places))
        readings.setdefault(number, []).append(raw)
    return list(places), readings


@may_correct
@require_http_methods(["GET", "HEAD", "POST"])
def withdraw_survey(request: HttpRequest, pk: int) -> HttpResponse:
    """Withdraw a survey, or let a withdrawn one count again."""
    found = the_survey(pk)
    change = surveys.reinstate_survey if found.withdrawn_at else surveys.withdraw_survey
    form = ReasonForm(request.POST or None)
    if form.is_valid():
        try:
            change(survey=found, by=request.user, reason=form.cleaned_data["reason"])
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            words = "withdrawn: it counts no more" if found.withdrawn_at else "in force again"
            messages.success(request, f"The survey is {words}. Doses computed from it are out of date.")
            return redirect("survey", pk)
    return render(request, "surveys/withdraw.html", {"survey": found, "form": form})
