"""Analyses, their results and jobs for scripts."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse

from labbench.analysis.models import Analysis
from labbench.analysis.queries import analyses_of
from labbench.api.answers import endpoint, open_to, page_of, refusal
from labbench.jobs.models import Job
from labbench.studies.models import Study


@endpoint
def analysis_list(request: HttpRequest, code: str) -> HttpResponse:
    found = get_object_or_404(Study, code=code)
    open_to(request, found)
    return page_of(request, analyses_of(found).select_related("study"), analysis_shape)


@endpoint
def analysis(request: HttpRequest, pk: int) -> HttpResponse:
    """One analysis: its inputs, parameters and where its result is."""
    found = readable(request, pk)
    return JsonResponse({**analysis_shape(found), "parameters": found.parameters})


@endpoint
def result(request: HttpRequest, pk: int) -> HttpResponse:
    """The document of an analysis, as the command `analyze` writes it; 404 with the job's state while there is none."""
    found = readable(request, pk)
    if found.result is None:
        return refusal(404, f"This analysis has no result: its job is {found.job.get_state_display()}.")
    return JsonResponse(found.result)


@endpoint
def job(request: HttpRequest, pk: Any) -> HttpResponse:
    """How far a job is."""
    found = get_object_or_404(Job.objects.select_related("analysis__study"), pk=pk)
    of = getattr(found, "analysis", None)
    if of is not None:
        open_to(request, of.study)
    return JsonResponse(
        {
            "id": str(found.pk),
            "title": found.title,
            "state": found.state,
            "done": found.done,
            "total": found.total,
            "message": found.message,
            "reason": found.reason or None,
            "created_at": found.created_at,
            "finished_at": found.finished_at,
            "analysis": None if of is None else reverse("api-analysis", args=[of.pk]),
        }
    )


def readable(request: HttpRequest, pk: int) -> Analysis:
    found = get_object_or_404(Analysis.objects.select_related("study", "job", "requested_by"), pk=pk)
    open_to(request, found.study)
    return found


def analysis_shape(found: Analysis) -> dict[str, Any]:
    return {
        "analysis": found.pk,
        "study": found.study.code,
        "state": found.job.state,
        "coupons": found.coupons,
        "choice": found.choice,
        "beside": None if found.beside_id is None else reverse("api-analysis", args=[found.beside_id]),
        "inputs_sha256": found.inputs_sha256,
        "result_sha256": found.result_sha256 or None,
        "code_version": found.code_version,
        "requested_by": str(found.requested_by),
        "requested_at": found.requested_at,
        "finished_at": found.finished_at,
        "job": reverse("api-job", args=[found.job_id]),
        "result": reverse("api-result", args=[found.pk]) if found.finished_at else None,
        "url": reverse("api-analysis", args=[found.pk]),
    }
