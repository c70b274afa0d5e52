"""New studies, changed studies, their state, and the end of empty ones."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods

from labbench.bench.revision import revise_study
from labbench.lab.models import ThermalProfile
from labbench.pages.refusals import add_refusal
from labbench.pages.studies.forms import ReasonForm, StateForm, StudyForm
from labbench.studies.models import Study
from labbench.studies.services import delete_study, save_study, why_not_deleted


@permission_required("studies.add_study", raise_exception=True)
@require_http_methods(["GET", "POST"])
def new_study(request: HttpRequest) -> HttpResponse:
    initial = {"lead": request.user, "profile": ThermalProfile.objects.first()}
    form = StudyForm(request.POST if request.method == "POST" else None, initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            study = save_study(study=form.save(commit=False), by=request.user)
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"{study.code} is put up. Now name its factors and their levels.")
            return redirect("study-factors", study.code)
    return render(request, "studies/new_study.html", {"form": form})


@permission_required("studies.change_study", raise_exception=True)
@require_http_methods(["GET", "POST"])
def edit_study(request: HttpRequest, code: str) -> HttpResponse:
    study = get_object_or_404(Study, code=code)
    form = StudyForm(request.POST if request.method == "POST" else None, instance=study)
    if request.method == "POST" and form.is_valid():
        try:
            saved = revise_study(
                study=form.save(commit=False), by=request.user, reason=form.cleaned_data.get("reason", "")
            )
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, "The study was changed.")
            return redirect("study", saved.code)
    return render(request, "studies/edit_study.html", {"form": form, "study": study, "code": code})


@permission_required("studies.change_study", raise_exception=True)
@require_http_methods(["GET", "POST"])
def study_state(request: HttpRequest, code: str) -> HttpResponse:
    study = get_object_or_404(Study, code=code)
    form = StateForm(request.POST if request.method == "POST" else None, study=study)
    if request.method == "POST" and form.is_valid():
        study.state = form.cleaned_data["state"]
        try:
            revise_study(study=study, by=request.user, reason=form.cleaned_data["reason"])
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"{study.code} is {study.get_state_display()} now.")
            return redirect("study", code)
    return render(request, "studies/study_state.html", {"form": form, "study": study, "code": code})


@permission_required("studies.delete_study", raise_exception=True)
@require_http_methods(["GET", "POST"])
def remove_study(request: HttpRequest, code: str) -> HttpResponse:
    study = get_object_or_404(Study, code=code)
    form = ReasonForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        try:
            delete_study(study=study, by=request.user, reason=form.cleaned_data["reason"])
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"{code} was deleted; its history is kept.")
            return redirect("studies")
    context = {"form": form, "study": study, "refusal": why_not_deleted(study)}
    return render(request, "studies/delete_study.html", context)
