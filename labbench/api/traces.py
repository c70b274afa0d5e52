"""Temperature traces and what they prove, for scripts."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse

from labbench.api.answers import endpoint, page_of
from labbench.bench.models import TraceEvaluation
from labbench.bench.trace_fit import misfit_of, misfits
from labbench.bench.traces import evaluation_document
from labbench.studies.models import Study


@endpoint
def evaluation_list(request: HttpRequest, code: str) -> HttpResponse:
    """The evaluated logger files of a study's loads, the newest evaluation first."""
    found = get_object_or_404(Study, code=code)
    rows = (
        TraceEvaluation.objects.filter(trace__load__study=found)
        .select_related("trace__load", "job", "requested_by", "profile")
        .defer("result", "inputs", "faults")
    )
    said = misfits(rows.order_by().values_list("pk", flat=True))
    return page_of(request, rows, lambda row: evaluation_shape(row, said.get(row.pk, "")))


@endpoint
def evaluation(request: HttpRequest, pk: int) -> HttpResponse:
    """The document of an evaluation, as the command `trace` writes it, with what it was made from; 404 while there is none."""
    rows = TraceEvaluation.objects.filter(finished_at__isnull=False).select_related("trace__load__study")
    found = get_object_or_404(rows, pk=pk)
    misfit = misfit_of(found)
    return JsonResponse(
        {**evaluation_document(found), "counts_for_load": not misfit, "why_not_counted": misfit or None}
    )


def evaluation_shape(found: TraceEvaluation, misfit: str) -> dict[str, Any]:
    return {
        "evaluation": found.pk,
        "load": found.trace.load.name,
        "file": found.trace.filename,
        "file_sha256": found.trace.sha256,
        "starts_at": found.trace.starts_at,
        "ends_at": found.trace.ends_at,
        "state": found.job.state,
        "profile": str(found.profile),
        "soaks": found.steps_in_all,
        "met": found.steps_met,
        "counts_for_load": None if found.finished_at is None else not misfit,
        "why_not_counted": misfit or None,
        "code_version": found.code_version,
        "inputs_sha256": found.inputs_sha256,
        "result_sha256": found.result_sha256 or None,
        "requested_by": str(found.requested_by),
        "requested_at": found.requested_at,
        "finished_at": found.finished_at,
        "job": reverse("api-job", args=[found.job_id]),
        "document": reverse("api-trace-evaluation", args=[found.pk]) if found.finished_at else None,
    }
