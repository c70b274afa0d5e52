"""What scripts and plots take of an evaluated trace: points of a window, the document, the columns."""

from __future__ import annotations

from django.http import FileResponse, Http404, HttpRequest, HttpResponse, JsonResponse, StreamingHttpResponse
from django.shortcuts import get_object_or_404
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_safe

from labbench.bench.models import TraceEvaluation
from labbench.bench.trace_files import path_of
from labbench.bench.traces import evaluation_document
from labbench.formats.trace_columns import csv_pieces, read_window
from labbench.pages.traces.forms import WindowForm


def finished_or_404(pk: int) -> TraceEvaluation:
    """An evaluation with a result."""
    rows = TraceEvaluation.objects.filter(finished_at__isnull=False).select_related("trace__load__study", "job")
    return get_object_or_404(rows, pk=pk)


@require_safe
def points(request: HttpRequest, pk: int) -> HttpResponse:
    """Readings between two times, as many points as the plot has columns of pixels; `seconds` count from the first reading."""
    form = WindowForm(request.GET)
    if not form.is_valid():
        faults = {name: [str(error) for error in errors] for name, errors in form.errors.items()}
        return JsonResponse({"error": faults}, status=400)
    evaluation = get_object_or_404(TraceEvaluation.objects.exclude(columns="").only("columns"), pk=pk)
    given = form.cleaned_data
    try:
        window = read_window(
            path_of(evaluation.columns), points=given["points"], from_s=given["from_s"], to_s=given["to_s"]
        )
    except FileNotFoundError as lost:
        raise Http404("The columns of this trace are no longer on the disk; evaluate it again.") from lost
    answer = JsonResponse(
        {
            "seconds": window.seconds,
            "channels": window.values_c,
            "rows": window.rows,
            "is_every_reading": window.is_every_reading,
        }
    )
    # The columns of an evaluation never change.
    answer["Cache-Control"] = "private, max-age=3600"
    return answer


@require_safe
def document(request: HttpRequest, pk: int) -> HttpResponse:
    evaluation = finished_or_404(pk)
    answer = JsonResponse(evaluation_document(evaluation), json_dumps_params={"indent": 1, "ensure_ascii": False})
    answer["Content-Disposition"] = attachment(evaluation, "json")
    return answer


@require_safe
def parquet(request: HttpRequest, pk: int) -> FileResponse:
    """The columns in order of time, in degC, impossible readings left out."""
    evaluation = finished_or_404(pk)
    try:
        file = path_of(evaluation.columns).open("rb")
    except FileNotFoundError as lost:
        raise Http404("The columns of this trace are no longer on the disk; evaluate it again.") from lost
    answer = FileResponse(file, content_type="application/vnd.apache.parquet")
    answer["Content-Disposition"] = attachment(evaluation, "parquet")
    return answer


@require_safe
def csv(request: HttpRequest, pk: int) -> StreamingHttpResponse:
    """The same as CSV with the agreed names, piece by piece."""
    evaluation = finished_or_404(pk)
    path = path_of(evaluation.columns)
    if not path.exists():
        raise Http404("The columns of this trace are no longer on the disk; evaluate it again.")
    answer = StreamingHttpResponse(csv_pieces(path), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = attachment(evaluation, "csv")
    return answer


def attachment(evaluation: TraceEvaluation, ending: str) -> str:
    stem = evaluation.trace.filename.rpartition(".")[0] or evaluation.trace.filename
    return content_disposition_header(True, f"{stem}-{evaluation.pk}.{ending}") or "attachment"
