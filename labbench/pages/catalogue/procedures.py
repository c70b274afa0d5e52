"""Procedures: their versions, what changed between them, drafts and approval."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labbench.bench.uses import repairs_by_study
from labbench.lab import procedures as services
from labbench.lab.models import Procedure, ProcedureVersion
from labbench.lab.records import newest_version
from labbench.pages.catalogue.keeping import KeepPage, kept, sent
from labbench.pages.catalogue.record_forms import DraftForm, ProcedureForm, WhyForm
from labbench.pages.meanwhile import given, watched


@require_safe
def procedure_version(request: HttpRequest, pk: int) -> HttpResponse:
    """The text of one version, and what changed since the one before (or since ?against=, a version's number)."""
    # Read before the text: a draft that is written on in between is not approved by this page.
    seen = newest_version(get_object_or_404(ProcedureVersion, pk=pk))
    version = get_object_or_404(
        ProcedureVersion.objects.select_related("procedure", "approved_by", "written_by"), pk=pk
    )
    versions = list(version.procedure.versions.order_by("-number"))
    approved = [row for row in versions if not row.is_draft]
    wanted = request.GET.get("against", "")
    earlier = [row for row in approved if row.number < version.number]
    before = next((row for row in earlier if str(row.number) == wanted), earlier[0] if earlier else None)
    context = {
        "version": version,
        "seen": seen,
        "versions": versions,
        "newest": approved[0] if approved else None,
        "draft": next((row for row in versions if row.is_draft), None),
        "earlier": earlier,
        "before": before,
        "lines": services.compared(before.text, version.text) if before else [],
        "used": repairs_by_study(procedure_version=version),
        "is_own": version.written_by_id == request.user.pk,
    }
    return render(request, "catalogue/procedure_version.html", context)


def address(version: ProcedureVersion) -> str:
    return reverse("procedure-version", args=[version.pk])


@permission_required("lab.add_procedure", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def new_procedure(request: HttpRequest) -> HttpResponse:
    form = ProcedureForm(sent(request))
    form.fields.pop("retired_on")

    def store() -> tuple[str, str]:
        found = services.store_procedure(procedure=form.save(commit=False), by=request.user)
        return reverse(
            "procedure-draft", args=[found.pk]
        ), f"{found.code} is in the catalogue. Now write its first version."

    page = KeepPage("Add a procedure", reverse("catalogue") + "#procedures", button="Store and write its text")
    return kept(request, form, page, store)


@permission_required("lab.change_procedure", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def edit_procedure(request: HttpRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(Procedure, pk=pk)
    heading, back = f"Change {found.code}", reverse("catalogue") + "#procedures"
    form = watched(lambda row, data: ProcedureForm(data, instance=row), found, sent(request))

    def store() -> tuple[str, str]:
        services.store_procedure(procedure=form.save(commit=False), by=request.user, reason=form.given_reason)
        return back, "The procedure was changed."

    return kept(request, form, KeepPage(heading, back), store)


@permission_required("lab.add_procedureversion", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def write_draft(request: HttpRequest, pk: int) -> HttpResponse:
    """The next version: what was drafted so far, else the text in force to begin with."""
    procedure = get_object_or_404(Procedure, pk=pk)
    versions = procedure.versions.order_by("-number")
    draft, approved = versions.filter(is_draft=True).first(), versions.filter(is_draft=False).first()
    begin = draft or approved

    def draft_form(row: ProcedureVersion | None, data: Any) -> DraftForm:
        initial = {
            "text": row.text if row else "",
            "effective_on": row.effective_on if row and row.is_draft else timezone.localdate(),
            "change_note": row.change_note if row and row.is_draft else "",
        }
        form = DraftForm(data, initial=initial)
        if approved is None:
            form.fields.pop("change_note")
        else:
            form.fields["change_note"].required = True
        return form

    form = watched(draft_form, begin, sent(request)) if begin else draft_form(None, sent(request))

    def store() -> tuple[str, str]:
        stored = services.write_draft(procedure=procedure, by=request.user, **given(form))
        return address(stored), "The draft is stored. Look at what changed, then have it approved."

    number = (approved.number if approved else 0) + 1
    trail = [(str(row), address(row)) for row in (approved,) if row]
    intro = ["Repairs go on by the version in force until this one is approved. An approved version is never changed."]
    back = address(begin) if begin else reverse("catalogue") + "#procedures"
    page = KeepPage(f"Write {procedure.code} version {number}", back, trail, intro, "Store the draft")
    return kept(request, form, page, store)


@permission_required("lab.approve_procedureversion", raise_exception=True)
@require_POST
def approve_version(request: HttpRequest, pk: int) -> HttpResponse:
    version = get_object_or_404(ProcedureVersion, pk=pk)
    sent = request.POST.get("seen", "")
    # What does not say which text was read approves none.
    seen = int(sent) if sent.isdecimal() and len(sent) < 19 else -1
    try:
        services.approve(version=version, by=request.user, seen=seen)
    except ValidationError as refused:
        messages.warning(request, " ".join(refused.messages))
    else:
        messages.success(request, f"Version {version.number} is approved; it stays as it is from now on.")
    return redirect("procedure-version", pk)


@permission_required("lab.add_procedureversion", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def discard_draft(request: HttpRequest, pk: int) -> HttpResponse:
    version = get_object_or_404(ProcedureVersion.objects.select_related("procedure"), pk=pk)
    back = reverse("catalogue") + "#procedures"
    form = WhyForm(sent(request))

    def store() -> tuple[str, str]:
        services.discard_draft(version=version, by=request.user, **form.cleaned_data)
        return back, "The draft was taken out; the history keeps it."

    page = KeepPage(f"Discard the draft of {version}", address(version), (), (), "Discard the draft", True)
    return kept(request, form, page, store)
