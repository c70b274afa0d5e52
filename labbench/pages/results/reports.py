"""Reports: made from an analysis, frozen, read, signed."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.http import content_disposition_header
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from labbench.pages.results.forms import ReportForm, SignatureForm
from labbench.pages.results.views import readable_analysis
from labbench.reports.models import Report
from labbench.reports.services import is_whole, issue_report, meanings_open_to, sign
from labbench.studies.blinding import is_blinded


@require_POST
@permission_required("reports.add_report", raise_exception=True)
def create_report(request: HttpRequest, pk: int) -> HttpResponse:
    """Freeze a report of an analysis."""
    found = readable_analysis(request, pk)
    form = ReportForm(request.POST)
    if form.is_valid():
        try:
            made = issue_report(analysis=found, title=form.cleaned_data["title"], by=request.user)
        except ValidationError as refused:
            form.add_error(None, refused)
        else:
            return redirect("report", made.pk)
    for errors in form.errors.values():
        messages.error(request, " ".join(str(error) for error in errors))
    return redirect("analysis", found.pk)


@require_GET
def report(request: HttpRequest, pk: int) -> HttpResponse:
    """A report with its signatures, and whether its bytes are still those that were signed."""
    return report_page(request, readable_report(request, pk), form=None)


@require_GET
@never_cache
def report_pdf(request: HttpRequest, pk: int) -> HttpResponse:
    """The frozen document."""
    found = readable_report(request, pk)
    answer = HttpResponse(bytes(found.pdf), content_type="application/pdf")
    name = f"{found.analysis.study.code}-report-{found.number}.pdf"
    answer.headers["Content-Disposition"] = content_disposition_header(True, name) or "attachment"
    return answer


@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
@permission_required("reports.add_signature", raise_exception=True)
def sign_report(request: HttpRequest, pk: int) -> HttpResponse:
    """Sign a report; the form is on the report's own page."""
    found = readable_report(request, pk)
    if request.method == "GET":
        return redirect("report", pk)
    form = SignatureForm(request.POST, person=request.user)
    if form.is_valid():
        stated = {name: form.cleaned_data[name] for name in ("meaning", "note")}
        try:
            sign(report=found, person=request.user, **stated)
        except ValidationError as refused:
            form.add_error(None, refused)
        else:
            messages.success(request, "Signed.")
            return redirect("report", pk)
    return report_page(request, found, form=form)


def report_page(request: HttpRequest, found: Report, *, form: SignatureForm | None) -> HttpResponse:
    """The page of a report, with the form for those who may still sign."""
    may_sign = request.user.has_perm("reports.add_signature")
    still_open = meanings_open_to(report=found, person=request.user) if may_sign else []
    if form is None and still_open:
        form = SignatureForm(person=request.user)
    if form is not None:
        form.fields["meaning"].choices = still_open or form.fields["meaning"].choices  # type: ignore[attr-defined]
    signatures = list(found.signatures.all())
    context = {
        "report": found,
        "analysis": found.analysis,
        "study": found.analysis.study,
        "form": form,
        "size_kb": round(len(bytes(found.pdf)) / 1024),
        "is_whole": is_whole(found),
        "signatures": [(signature, signature.report_sha256 == found.sha256) for signature in signatures],
    }
    status = 422 if form is not None and form.is_bound and form.errors else 200
    return render(request, "results/report.html", context, status=status)


def readable_report(request: HttpRequest, pk: int) -> Report:
    """The report, unless the reader inspects its study blind."""
    rows = Report.objects.select_related("analysis__study", "created_by").prefetch_related("signatures__person")
    found = get_object_or_404(rows, pk=pk)
    if is_blinded(request.user, found.analysis.study):
        raise PermissionDenied(
            "You inspect in this study without knowing the levels; its results open when it is closed."
        )
    return found
