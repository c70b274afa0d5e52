"""Handing in a coupon sheet, looking at what was read, and having it taken in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from labbench.bench.intake import IntakePlan, plan_intake
from labbench.bench.intake_undo import undo_intake, why_not_undone
from labbench.bench.models import Load
from labbench.bench.staging import discard, job_of, read_staged, request_intake, stage
from labbench.formats.coupon_sheet import SheetReading
from labbench.formats.number_texts import number_text
from labbench.jobs.models import Job
from labbench.pages.refusals import add_refusal
from labbench.pages.studies.forms import ReasonForm
from labbench.pages.studies.import_forms import ConfirmForm, NewStudyForm, SheetForm
from labbench.pages.studies.preview import preview_of
from labbench.studies.models import ImportedSheet, Study

STAGED = "staged_sheets"
MOST_STAGED = 20
may_import = permission_required("studies.add_coupon", raise_exception=True)


@may_import
@require_http_methods(["GET", "POST"])
def hand_in(request: HttpRequest, code: str = "") -> HttpResponse:
    """The drop zone; without a code the sheet gets a study of its own."""
    study = get_object_or_404(Study, code=code) if code else None
    form = SheetForm(
        request.POST if request.method == "POST" else None, request.FILES if request.method == "POST" else None
    )
    if request.method == "POST" and form.is_valid():
        sheet = form.cleaned_data["sheet"]
        token = stage(sheet)
        kept = dict(list(request.session.get(STAGED, {}).items())[-MOST_STAGED:])
        kept[str(token)] = {"filename": sheet.name, "study": study.pk if study else None}
        request.session[STAGED] = kept
        return redirect("sheet", token)
    factors = study.factors.all() if study else []
    limits = {
        "max_coupons": number_text(settings.MAX_COUPONS_PER_STUDY),
        "max_megabytes": settings.MAX_UPLOAD_BYTES // 2**20,
    }
    return render(request, "studies/hand_in.html", {"study": study, "form": form, "factors": factors, **limits})


@dataclass(frozen=True, slots=True)
class Staged:
    """A sheet between upload and confirmation, as its uploader's session knows it."""

    token: UUID
    filename: str
    study: Study | None


def staged_or_404(request: HttpRequest, token: UUID) -> Staged:
    known = request.session.get(STAGED, {}).get(str(token))
    if known is None:
        raise Http404("This sheet was not handed in from here, or was put aside.")
    study = get_object_or_404(Study, pk=known["study"]) if known["study"] else None
    return Staged(token, known["filename"], study)


@may_import
@require_http_methods(["GET", "POST"])
def sheet(request: HttpRequest, token: UUID) -> HttpResponse:
    """What was read, every fault at its cell; without faults it can be taken in."""
    staged = staged_or_404(request, token)
    if (job := job_of(token)) is not None:
        return redirect("job", job.pk)
    reading = read_staged(token, staged.filename)
    if reading is None:
        messages.error(request, "The uploaded file is no longer here; please hand it in again.")
        return redirect("import-sheet", staged.study.code) if staged.study else redirect("import-new")
    findings = compared(staged, reading)
    data = request.POST if request.method == "POST" else None
    confirm = ConfirmForm(data, asks_for_levels=bool(findings["asked_levels"]))
    new_study = None if staged.study else NewStudyForm(data, initial={"title": titled(staged.filename)})
    if request.method == "POST" and findings["can_be_taken"]:
        job = queued(request, staged, confirm, new_study)
        if job is not None:
            return redirect("job", job.pk)
    context = {"staged": staged, "reading": reading, "confirm": confirm, "new_study": new_study, **findings}
    return render(request, "studies/sheet.html", context)


def queued(request: HttpRequest, staged: Staged, confirm: ConfirmForm, new_study: NewStudyForm | None) -> Job | None:
    """The job that takes the sheet in; None, with the reason in a form, where it can't be."""
    # Both forms are looked at, so that all that is missing is said at once.
    if [form for form in (confirm, new_study) if form is not None and not form.is_valid()]:
        # Of two confirmations at once the later may find its code taken by the first; it is the same job.
        return job_of(staged.token)
    return request_intake(
        study=staged.study,
        new_study=new_study.cleaned_data if new_study is not None else None,
        token=staged.token,
        filename=staged.filename,
        may_add_levels=bool(confirm.cleaned_data.get("may_add_levels")),
        by=request.user,
    )


def compared(staged: Staged, reading: SheetReading) -> dict[str, Any]:
    """What the sheet would bring, what is in the way, and what has to be asked."""
    study = staged.study or Study()
    strict = plan_intake(study=study, reading=reading, may_add_levels=False)
    # Only new levels are in the way: then they may be added, if somebody says so.
    opened = plan_intake(study=study, reading=reading, may_add_levels=True) if strict.faults else strict
    asks = bool(strict.faults) and not opened.faults
    elsewhere = ImportedSheet.objects.filter(sha256=reading.sha256).exclude(study=staged.study).select_related("study")
    return {
        # That its coupons are in the study already is no news of a file that was taken in.
        "preview": preview_of(reading, reading.faults if strict.earlier else strict.faults),
        "plan": opened,
        "asked_levels": opened.new_levels if asks else (),
        "new_loads": new_loads(staged.study, reading),
        "elsewhere": elsewhere[:5] if reading.sha256 else [],
        "can_be_taken": not opened.faults and opened.earlier is None and reading.sheet is not None,
        **counted(reading, opened),
    }


def counted(reading: SheetReading, plan: IntakePlan) -> dict[str, Any]:
    """How many coupons of what kind."""
    if reading.sheet is None:
        return {"coupons": 0, "cracked_out": 0, "broken": 0}
    return {
        "coupons": len(reading.sheet.coupons),
        "cracked_out": int(reading.sheet.is_failed.sum()),
        "broken": int((reading.sheet.strength_mpa > 0).sum()),
    }


def new_loads(study: Study | None, reading: SheetReading) -> list[str]:
    """Loads that the sheet names and the study does not have."""
    if reading.sheet is None:
        return []
    present = set(Load.objects.filter(study=study).values_list("name", flat=True)) if study else set()
    return [name for name in dict.fromkeys(reading.sheet.blocks.tolist()) if name and name not in present]


def titled(filename: str) -> str:
    """A file's name as a first title."""
    return filename.rpartition(".")[0].replace("_", " ")[:160] or filename[:160]


@permission_required("studies.delete_importedsheet", raise_exception=True)
@require_http_methods(["GET", "POST"])
def undo_import(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    """Take a sheet out again that came in by mistake, while nobody has built on it."""
    sheet = get_object_or_404(ImportedSheet.objects.select_related("study", "imported_by"), study__code=code, pk=pk)
    form = ReasonForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        try:
            count = undo_intake(sheet=sheet, by=request.user, reason=form.cleaned_data["reason"])
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(
                request,
                f"{sheet.filename} was taken out again with its {number_text(count)} coupons; their history is kept.",
            )
            return redirect("study", code)
    context = {"sheet": sheet, "study": sheet.study, "form": form, "refusal": why_not_undone(sheet)}
    return render(request, "studies/undo_import.html", context)


@may_import
@require_POST
def put_aside(request: HttpRequest, token: UUID) -> HttpResponse:
    """Forget a sheet that was handed in and not confirmed."""
    staged = staged_or_404(request, token)
    if (job := job_of(token)) is not None:
        return redirect("job", job.pk)
    discard(token)
    kept = request.session.get(STAGED, {})
    kept.pop(str(token), None)
    request.session[STAGED] = kept
    messages.info(request, f"{staged.filename} was put aside; nothing was stored.")
    return redirect("study", staged.study.code) if staged.study else redirect("studies")
