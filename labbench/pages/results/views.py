"""The results of a study: the newest answer, older ones, asking for a new one."""

from __future__ import annotations

import json
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_GET, require_POST

from labbench.analysis.choices import Choice
from labbench.analysis.models import Analysis
from labbench.analysis.queries import analyses_of, newest_analysis, newest_answer, newest_answer_pk
from labbench.analysis.services import is_as_the_study_stands, request_analysis
from labbench.bench.queries import repairers
from labbench.jobs.services import cancel, retry
from labbench.pages.results.forms import CombinationForm
from labbench.pages.results.other_choices import isolating, listed_choices, not_looked_at, presets
from labbench.pages.results.reading import reading
from labbench.reports.causes import too_few
from labbench.reports.choices_in_words import RIVAL_NOTE, choice_words
from labbench.reports.queries import reports_of
from labbench.studies.blinding import is_blinded
from labbench.studies.models import Study

# Comparing with the study as it stands reads every coupon: for more than these the page asks for it afterwards.
COUPONS_COMPARED_AT_ONCE = 1000


@require_GET
def study_results(request: HttpRequest, code: str) -> HttpResponse:
    """The newest answer of a study, and whether it still is the answer."""
    study = get_object_or_404(Study, code=code)
    if is_blinded(request.user, study):
        return render(request, "results/blind.html", {"study": study})
    shown, newest = newest_answer(study), newest_analysis(study)
    context: dict[str, Any] = {"study": study, "analysis": shown, "is_newest": True}
    if newest is not None and newest != shown:
        context["waiting"] = newest
    elif shown is not None and (shown.coupons <= COUPONS_COMPARED_AT_ONCE or "compare" in request.GET):
        context["is_current"] = is_as_the_study_stands(shown)
    if shown is not None:
        others = listed_choices(study)
        context |= {"shows_choices": True, "other_choices": others, "presets": presets(study)}
        if pointed := isolating(others, shown.result):
            chosen = Analysis.objects.only("result").get(pk=pointed.pk).result or {}
            context |= {"isolating": pointed, "isolating_caution": too_few(chosen)}
        else:
            context["not_looked_at"] = not_looked_at(study, others)
    return render(request, "results/study_results.html", context | parts_of(request, shown))


@require_GET
def analysis(request: HttpRequest, pk: int) -> HttpResponse:
    """One frozen analysis, however old."""
    found = readable_analysis(request, pk)
    context: dict[str, Any] = {"study": found.study, "analysis": found, "waiting": None if found.finished_at else found}
    context["choice"] = choice_words(found.choice) if found.choice else ""
    return render(request, "results/analysis.html", context | parts_of(request, found))


@require_GET
def analyses(request: HttpRequest, code: str) -> HttpResponse:
    """All analyses of a study."""
    study = get_object_or_404(Study, code=code)
    if is_blinded(request.user, study):
        return render(request, "results/blind.html", {"study": study})
    rows = list(analyses_of(study))
    for row in rows:
        row.choice_words = choice_words(row.choice)  # type: ignore[attr-defined]
    return render(request, "results/analyses.html", {"study": study, "analyses": rows})


@require_POST
@permission_required("analysis.add_analysis", raise_exception=True)
def analyse(request: HttpRequest, code: str) -> HttpResponse:
    """Ask for the analysis of the study as it stands; `like`: with the choice of that analysis."""
    study = get_object_or_404(Study, code=code)
    like = request.POST.get("like", "")
    earlier = Analysis.objects.filter(study=study, pk=like).first() if like.isdecimal() and len(like) < 19 else None
    choice = Choice.stored(earlier.choice) if earlier else Choice()
    try:
        asked = request_analysis(study=study, by=request.user, choice=choice)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
        return redirect("study-results", study.code)
    if asked.finished_at:
        messages.info(request, "Nothing has changed since this analysis: here is its stored answer.")
        return redirect("analysis", asked.pk)
    return redirect("analysis", asked.pk) if asked.choice else redirect("study-results", study.code)


@require_GET
def progress(request: HttpRequest, pk: int) -> HttpResponse:
    """The job of an analysis while it is open; then the answer itself, in the place of the whole part."""
    found = readable_analysis(request, pk)
    if found.job.is_open:
        return render(request, "results/parts/job.html", {"waiting": found})
    context: dict[str, Any] = {"study": found.study, "analysis": found, "waiting": None if found.finished_at else found}
    if found.finished_at and found.coupons <= COUPONS_COMPARED_AT_ONCE:
        context["is_current"] = is_as_the_study_stands(found)
    answer = render(request, "results/parts/whole.html", context | parts_of(request, found))
    answer["HX-Retarget"], answer["HX-Reswap"] = "#analysis", "outerHTML"
    return answer


@require_GET
def standing(request: HttpRequest, pk: int) -> HttpResponse:
    """Whether the study has changed since an analysis."""
    found = readable_analysis(request, pk)
    context = {"study": found.study, "analysis": found, "is_current": is_as_the_study_stands(found)}
    return render(request, "results/parts/standing.html", context)


@require_POST
@permission_required("analysis.add_analysis", raise_exception=True)
def cancel_analysis(request: HttpRequest, pk: int) -> HttpResponse:
    found = readable_analysis(request, pk)
    cancel(job=found.job)
    return redirect("study-results", found.study.code)


@require_POST
@permission_required("analysis.add_analysis", raise_exception=True)
def retry_analysis(request: HttpRequest, pk: int) -> HttpResponse:
    found = readable_analysis(request, pk)
    try:
        retry(job=found.job)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    return redirect("study-results", found.study.code)


@require_GET
def result_json(request: HttpRequest, pk: int) -> HttpResponse:
    """The document as stored, for others' programs."""
    found = readable_analysis(request, pk)
    return download(json.dumps(found.result, ensure_ascii=False, indent=1), f"{found.study.code}-analysis-{pk}.json")


@require_GET
def sheet_csv(request: HttpRequest, pk: int) -> HttpResponse:
    """The coupon sheet as analysed."""
    found = readable_analysis(request, pk)
    return download(found.sheet_csv, f"{found.study.code}-analysis-{pk}.csv", "text/csv")


def readable_analysis(request: HttpRequest, pk: int) -> Analysis:
    """The analysis, unless the reader inspects its study blind."""
    rows = Analysis.objects.select_related("study", "job", "requested_by", "beside")
    found = get_object_or_404(rows, pk=pk)
    if is_blinded(request.user, found.study):
        raise PermissionDenied(
            "You inspect in this study without knowing the levels; its results open when it is closed."
        )
    return found


def parts_of(request: HttpRequest, shown: Analysis | None) -> dict[str, Any]:
    """What the page of a finished analysis needs beside the analysis itself."""
    if shown is None or shown.result is None:
        return {}
    form = CombinationForm(request.GET or None)
    chosen = form.cleaned_data if form.is_valid() else {"rows": "", "columns": ""}
    return {
        "reading": reading(
            shown, rows=chosen["rows"], columns=chosen["columns"], repaired_by=repairers(shown.study_id)
        ),
        "rival_note": RIVAL_NOTE,
        "reports": reports_of(shown),
        "may_add_next": may_add_next(request, shown),
        "here": reverse("analysis", args=[shown.pk]),
    }


def may_add_next(request: HttpRequest, shown: Analysis) -> bool:
    """Whether the reader may add the coupons it proposes: those of the newest answer, to a study that is not closed."""
    return (
        bool((shown.result or {}).get("next_coupons"))
        and shown.study.state != Study.State.CLOSED
        and request.user.has_perm("studies.add_coupon")
        and newest_answer_pk(shown.study) == shown.pk
    )


def download(text: str, name: str, content_type: str = "application/json") -> HttpResponse:
    answer = HttpResponse(text, content_type=f"{content_type}; charset=utf-8")
    # A study's code may hold letters that a header can't.
    answer.headers["Content-Disposition"] = content_disposition_header(True, name) or "attachment"
    return answer
