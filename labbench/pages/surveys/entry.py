"""Reading a survey: how it is made, its points one by one, a last look, stored."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from labbench.formats.survey_points import read_survey_points
from labbench.lab import surveys
from labbench.lab.meters import calibration_on, meter_cautions
from labbench.lab.models import LampSurvey, Radiometer, ReadingUnit, SurveyDraft
from labbench.pages.bench.cautions import brightest_lamp_words, caution, exposure_words
from labbench.pages.refusals import add_refusal
from labbench.pages.surveys.drawing import entry_picture, map_picture
from labbench.pages.surveys.figures import figures
from labbench.pages.surveys.forms import DraftConditionsForm, FileForm, PlaceForm, ReadingForm, ReadingsForm, SetupForm
from labbench.science.irradiance import summarise_survey
from labbench.science.survey_cautions import coarseness, coverage

may_survey = permission_required("lab.add_lampsurvey", raise_exception=True)
DRAFTS_SHOWN = 20
MOST_DIGITS = 18
# Fields of a form that are no field of the survey.
OF_THE_FORM = {"lamp", "radiometer", "reading_unit", "applies_factor", "started_at", "places", "file"}


def setup_form(request: HttpRequest, data: Any = None) -> SetupForm:
    """The form, filled with how the lamp was last surveyed."""
    wanted = (data or request.GET).get("lamp", "")
    last = last_survey(wanted)
    return SetupForm(
        data,
        now=timezone.now(),
        initial=defaults(last, wanted),
        last_places=places_of(last),
        last_words=last_words(last),
    )


def last_survey(lamp: str) -> LampSurvey | None:
    number = number_in(lamp)
    if number is None:
        return None
    standing = LampSurvey.objects.filter(lamp=number, withdrawn_at=None).select_related("radiometer")
    return standing.order_by("-surveyed_at").first()


def number_in(text: str) -> int | None:
    """The number of a record in an address; None where it is none that a database could hold."""
    return int(text) if text.isascii() and text.isdecimal() and len(text) <= MOST_DIGITS else None


def places_of(survey: LampSurvey | None) -> list[tuple[float, float]]:
    """The places of a survey in the order of a hand that goes there and back."""
    if survey is None:
        return []
    rows: dict[float, list[float]] = {}
    for x, y in survey.points.order_by("y_mm", "x_mm").values_list("x_mm", "y_mm").distinct():
        rows.setdefault(y, []).append(x)
    return [(x, y) for number, (y, xs) in enumerate(rows.items()) for x in (xs if number % 2 == 0 else xs[::-1])]


def last_words(survey: LampSurvey | None) -> str:
    if survey is None:
        return ""
    return f"the {len(places_of(survey))} points of the last survey"


def defaults(last: LampSurvey | None, lamp: str) -> dict[str, Any]:
    """How the last survey was made; readings of the day are not filled in."""
    initial: dict[str, Any] = {"lamp": lamp}
    if last is not None:
        initial |= {
            "radiometer": last.radiometer_id if is_fit(last.radiometer) else None,
            "distance_mm": last.distance_mm,
            "area_shape": last.area_shape,
            "area_width_mm": last.area_width_mm,
            "area_height_mm": last.area_height_mm,
            "reading_unit": last.reading_unit,
        }
    return initial


def is_fit(meter: Radiometer) -> bool:
    """Whether a meter is to be taken without being asked for: in use, its calibration not overdue."""
    today = timezone.localdate()
    calibration = calibration_on(meter, today)
    return meter.retired_on is None and calibration is not None and calibration.due_on >= today


@may_survey
@require_http_methods(["GET", "HEAD", "POST"])
def new_survey(request: HttpRequest) -> HttpResponse:
    """How the survey is made and where its points lie."""
    form = setup_form(request, request.POST or None)
    if form.is_valid():
        given = form.cleaned_data
        try:
            draft = surveys.start_draft(by=request.user, **conditions(given), places=given["places"])
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            return redirect("survey-draft", draft.pk)
    drafts = SurveyDraft.objects.select_related("lamp", "started_by").order_by("-started_at")[:DRAFTS_SHOWN]
    context = {"form": form, "drafts": drafts} | caution(request, "survey", brightest_lamp_words)
    return render(request, "surveys/new.html", context)


def conditions(given: dict[str, Any]) -> dict[str, Any]:
    """What `start_draft` takes, from a form."""
    named = {name: given[name] for name in ("lamp", "radiometer", "applies_factor", "started_at")}
    own = {name: given[name] for name in surveys.CONDITIONS if name in given and name not in OF_THE_FORM}
    return {**named, **own, "reading_unit": given.get("reading_unit", ReadingUnit.MW_CM2)}


@may_survey
@require_GET
def check_setup(request: HttpRequest) -> HttpResponse:
    """While the form is filled in: what speaks against the meter and the points, and the points over the cure area."""
    form = setup_form(request, request.GET)
    form.is_valid()
    given = form.cleaned_data
    lamp, meter, places = given.get("lamp"), given.get("radiometer"), given.get("places") or []
    day = timezone.localdate(given.get("started_at"))
    shape, width = given.get("area_shape"), given.get("area_width_mm")
    area = (shape, width, given.get("area_height_mm") or width) if shape and width else None
    dummies = [(x, y, 1.0) for x, y in places]
    context = {
        "of_meter": meter_cautions(meter, day, lamp) if meter else [],
        "of_points": coarseness(dummies, lamp.emitter_spacing_mm if lamp else None) + coverage(dummies, area),
        "calibration": calibration_on(meter, day) if meter else None,
        "meter": meter,
        "drawing": entry_picture(places, area) if places else None,
        "count": len(places),
        "last": last_to_offer(form),
    }
    return render(request, "surveys/check.html", context)


def last_to_offer(form: SetupForm) -> dict[str, Any] | None:
    """How the lamp was last surveyed, for one press; None where something else is typed already."""
    typed = ("distance_mm", "area_width_mm", "area_height_mm", "pitch_x_mm", "free_places", "ring_1_mm")
    last = last_survey(form.data.get("lamp", ""))
    if last is None or any(form.data.get(name) for name in typed):
        return None
    return {"survey": last, "points": len(places_of(last)), "meter": last.radiometer if is_fit(last.radiometer) else ""}


@may_survey
@require_http_methods(["GET", "HEAD", "POST"])
def import_survey(request: HttpRequest) -> HttpResponse:
    """A survey from a file: every fault with its row and column, or a draft to look at."""
    lamp = request.GET.get("lamp", "")
    last = last_survey(lamp)
    form = FileForm(request.POST or None, request.FILES or None, now=timezone.now(), initial=defaults(last, lamp))
    faults: list[str] = []
    if form.is_valid():
        given = form.cleaned_data
        reading = read_survey_points(given["file"])
        faults = reading.fault_lines
        if reading.readings is not None:
            places = list(dict.fromkeys((x, y) for x, y, _ in reading.readings))
            try:
                draft = surveys.start_draft(
                    by=request.user,
                    **conditions(given) | {"layout": f"from the file {given['file'].name}"[:120]},
                    places=places,
                    readings=reading.readings,
                )
            except ValidationError as refused:
                add_refusal(form, refused)
            else:
                for note in reading.notes:
                    messages.info(request, f"{note[0].upper()}{note[1:]}.")
                return redirect("review-survey", draft.pk)
    context = {"form": form, "faults": faults}
    return render(request, "surveys/import.html", context, status=422 if faults else 200)


def the_draft(pk: int) -> SurveyDraft | None:
    return SurveyDraft.objects.select_related("lamp", "radiometer", "calibration").filter(pk=pk).first()


def gone(request: HttpRequest) -> HttpResponse:
    messages.info(request, "This draft is gone: it was stored or thrown away.")
    return redirect("surveys")


def raw_by_place(draft: SurveyDraft) -> dict[int, list[float]]:
    found: dict[int, list[float]] = {}
    for row in draft.readings.all():
        found.setdefault(row.place, []).append(row.raw_reading)
    return found


@may_survey
@require_http_methods(["GET", "HEAD", "POST"])
def survey_draft(request: HttpRequest, pk: int) -> HttpResponse:
    """The points to read. POST: all readings as a table, for hands without scripts."""
    draft = the_draft(pk)
    if draft is None:
        return gone(request)
    readings = raw_by_place(draft)
    places = [(x, y) for x, y in draft.places]
    form = ReadingsForm(request.POST or None, places=places, readings=readings)
    if form.is_valid():
        try:
            surveys.replace_readings(draft=draft, readings=form.values())
        except SurveyDraft.DoesNotExist:
            return gone(request)
        except ValidationError as refused:
            form.add_error(None, refused)
        else:
            return redirect("review-survey" if "review" in request.POST else "survey-draft", pk)
    context = {
        "draft": draft,
        "form": form,
        "place_form": PlaceForm(),
        "drawing": entry_picture(places, surveys.area_of(draft)),
        "cautions": meter_cautions(draft.radiometer, timezone.localdate(draft.started_at), draft.lamp),
        "unit": unit_word(draft),
        "read": len(readings),
        "entry": {
            "places": places,
            "readings": [readings.get(number, []) for number in range(len(places))],
            "unit": unit_word(draft),
            "perReading": draft.mw_cm2_per_reading,
            "draft": draft.pk,
        },
    }
    return render(request, "surveys/draft.html", context | caution(request, "survey", brightest_lamp_words))


@may_survey
@require_http_methods(["GET", "HEAD", "POST"])
def draft_conditions(request: HttpRequest, pk: int) -> HttpResponse:
    """Another meter, distance or cover than was said at the beginning: the readings stay."""
    draft = the_draft(pk)
    if draft is None:
        return gone(request)
    initial = {name: getattr(draft, name) for name in surveys.CONDITIONS} | {
        "lamp": draft.lamp_id,
        "radiometer": draft.radiometer_id,
        "applies_factor": "yes" if draft.calibration_id else "no",
        "is_cover_on": "on" if draft.is_cover_on else "off",
        "started_at": draft.started_at,
    }
    form = DraftConditionsForm(request.POST or None, now=timezone.now(), initial=initial)
    if form.is_valid():
        try:
            surveys.change_draft(draft=draft, **conditions(form.cleaned_data))
        except SurveyDraft.DoesNotExist:
            return gone(request)
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            return redirect("survey-draft", pk)
    return render(request, "surveys/conditions.html", {"draft": draft, "form": form})


def unit_word(draft: SurveyDraft | LampSurvey) -> str:
    if draft.reading_unit == ReadingUnit.OWN:
        return draft.radiometer.own_unit or "units"
    return str(draft.get_reading_unit_display())


def draft_gone() -> JsonResponse:
    return JsonResponse({"gone": True, "error": "This draft was stored or thrown away."}, status=404)


@may_survey
@require_POST
def store_reading(request: HttpRequest, pk: int) -> HttpResponse:
    """One reading, as JSON: kept at once, so that nothing is lost when the tablet goes dark."""
    draft = the_draft(pk)
    if draft is None:
        return draft_gone()
    form = ReadingForm(request.POST)
    if not form.is_valid():
        words = " ".join(str(message) for errors in form.errors.values() for message in errors)
        return JsonResponse({"error": words}, status=422)
    given = form.cleaned_data
    try:
        surveys.read_place(draft=draft, place=given["place"], reading=given["reading"], raw_reading=given["value"])
    except SurveyDraft.DoesNotExist:
        return draft_gone()
    except ValidationError as refused:
        return JsonResponse({"error": " ".join(refused.messages)}, status=422)
    return JsonResponse({"stored": True})


@may_survey
@require_POST
def add_place(request: HttpRequest, pk: int) -> HttpResponse:
    """One more point, where the eye sees bright or dark between the others."""
    draft = the_draft(pk)
    if draft is None:
        return gone(request)
    form = PlaceForm(request.POST)
    if form.is_valid():
        try:
            surveys.add_place(draft=draft, **form.cleaned_data)
        except ValidationError as refused:
            messages.error(request, " ".join(refused.messages))
    else:
        words = [f"{form[name].label}: {error}" for name, errors in form.errors.items() for error in errors]
        messages.error(request, " ".join(words))
    return redirect("survey-draft", pk)


@may_survey
@require_http_methods(["GET", "HEAD", "POST"])
def review_survey(request: HttpRequest, pk: int) -> HttpResponse:
    """What was read, as map and figures, with what is doubtful about it; POST stores it."""
    draft = the_draft(pk)
    if draft is None:
        return gone(request)
    if request.method == "POST":
        try:
            survey = surveys.store_draft(draft=draft, by=request.user)
        except SurveyDraft.DoesNotExist:
            return gone(request)
        except ValidationError as refused:
            messages.error(request, " ".join(refused.messages))
        else:
            messages.success(request, f"The survey of lamp {survey.lamp} is stored.")
            return redirect("survey", survey.pk)
    raw = surveys.draft_readings(draft)
    readings = [(x, y, value * draft.mw_cm2_per_reading) for x, y, value in raw]
    summary = summarise_survey(readings)
    context = {
        "draft": draft,
        "unit": unit_word(draft),
        "map": map_picture(readings, area=surveys.area_of(draft), title=f"Lamp {draft.lamp}", id="draft-map"),
        "figures": figures(readings, draft.radiometer, surveys.calibration_of(draft, draft.started_at)),
        "cautions": [*surveys.doubts(draft, raw, at=draft.started_at), *surveys.unread(draft)] if raw else [],
        "exposure": exposure_words(summary.max_mw_cm2 if summary else None),
    }
    return render(request, "surveys/review.html", context)


@may_survey
@require_POST
def discard_draft(request: HttpRequest, pk: int) -> HttpResponse:
    draft = get_object_or_404(SurveyDraft, pk=pk)
    lamp = draft.lamp
    surveys.discard_draft(draft=draft)
    messages.info(request, f"The draft of lamp {lamp} is thrown away; nothing of it was stored.")
    return redirect("surveys")
