"""What the columns of a logger's file are: offered, looked at with the first rows as understood, corrected, confirmed."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods

from labbench.bench.models import TraceFile
from labbench.bench.refusals import refuse_closed
from labbench.bench.trace_files import stored_head
from labbench.bench.traces import confirm_columns, offered_columns, request_evaluation
from labbench.formats.logger_columns import ColumnMapping
from labbench.formats.logger_head import LoggerHead, Preview, coupon_of, mapping_faults, preview_of
from labbench.pages.refusals import add_refusal
from labbench.pages.traces.forms import ColumnsForm, coupon_codes


@permission_required("bench.add_tracefile", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def columns(request: HttpRequest, pk: int) -> HttpResponse:
    """Confirming the columns evaluates the file. `show` in the form only shows its rows as understood."""
    trace = get_object_or_404(TraceFile.objects.select_related("load__study", "load__profile", "chamber"), pk=pk)
    try:
        head = stored_head(trace)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
        return redirect("trace", pk)
    mapping, is_known = offered_columns(trace, head)
    data = request.POST if request.method == "POST" else None
    form = ColumnsForm(
        data, layout=head.layout, mapping=mapping, initial={"clock_behind_minutes": trace.clock_behind_minutes or None}
    )
    if data is not None and form.is_valid() and "show" not in data:
        given = form.cleaned_data
        try:
            refuse_closed(trace.load.study)
            trace = confirm_columns(
                trace=trace,
                mapping=given["mapping"],
                clock_behind_minutes=given["clock_behind_minutes"],
                by=request.user,
            )
            request_evaluation(trace=trace, by=request.user)
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            return redirect("trace", pk)
    preview = shown_rows(head, form, mapping)
    context = {
        "trace": trace,
        "load": trace.load,
        "layout": head.layout,
        "form": form,
        "rows": list(form.rows()),
        "preview": preview,
        "channels_shown": [coupon_of(channel) or "air" for channel in preview.channels] if preview else [],
        "is_known": is_known,
        "is_agreed": mapping.is_agreed,
        "codes": coupon_codes(trace.load),
    }
    return render(request, "traces/columns.html", context)


def shown_rows(head: LoggerHead, form: ColumnsForm, offered: ColumnMapping) -> Preview | None:
    """The first rows under what the form says; None while that is not possible."""
    mapping = form.cleaned_data.get("mapping") if form.is_bound and form.is_valid() else offered
    if mapping is None or (form.is_bound and form.errors) or mapping_faults(mapping):
        return None
    return preview_of(head, mapping)
