"""The factors of a study and their levels."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods

from labbench.formats.factor_levels import level_text
from labbench.formats.factor_names import factor_heading
from labbench.pages.refusals import add_refusal
from labbench.pages.studies.forms import FactorForm, ReasonForm, level_form
from labbench.reports.wording import counted
from labbench.studies.models import Factor, Level, Study
from labbench.studies.queries import factors_with_levels, level_counts
from labbench.studies.services import add_factor, add_level, level_name, remove_factor, remove_level, set_baseline


@permission_required("studies.change_study", raise_exception=True)
@require_http_methods(["GET", "POST"])
def factors(request: HttpRequest, code: str) -> HttpResponse:
    """All factors with their levels, and a form for one more; each factor has its own address for more levels."""
    study = get_object_or_404(Study, code=code)
    form = FactorForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        try:
            made = add_factor(study=study, by=request.user, **form.cleaned_data)
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"{factor_heading(made.name)} is a factor now. Which levels does it have?")
            return redirect("study-levels", code, made.pk)
    present = list(factors_with_levels(study))
    counts = level_counts(present)
    shown = [
        {
            "factor": factor,
            "levels": [{"level": level, "coupons": counts.get(level.pk, 0)} for level in factor.levels.all()],
        }
        for factor in present
    ]
    return render(request, "studies/factors.html", {"study": study, "factors": shown, "form": form})


@permission_required("studies.change_study", raise_exception=True)
@require_http_methods(["GET", "POST"])
def levels(request: HttpRequest, code: str, factor_pk: int) -> HttpResponse:
    """Levels for one factor: names, numbers or records of the catalogue."""
    factor = get_object_or_404(Factor.objects.select_related("study"), study__code=code, pk=factor_pk)
    form = level_form(factor, request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        try:
            with transaction.atomic():
                for level in form.cleaned_data["levels"]:
                    stored(factor, level, by=request.user)
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(
                request, f"{counted(len(form.cleaned_data['levels']), 'level')} added to {factor_heading(factor.name)}."
            )
            return redirect("study-factors", code)
    return render(request, "studies/levels.html", {"study": factor.study, "factor": factor, "form": form})


def stored(factor: Factor, level: dict[str, Any], *, by: Any) -> None:
    """Add one level; ValidationError says which one was refused."""
    name = level.get("name") or (level_text(level["number"]) if "number" in level else level_name(level["record"]))
    if factor.levels.filter(name=name).exists():
        raise ValidationError({"levels": f"{name} is a level of {factor_heading(factor.name)} already."})
    try:
        add_level(factor=factor, by=by, **level)
    except ValidationError as refused:
        raise ValidationError({"levels": f"{name}: {' '.join(refused.messages)}"}) from refused


@permission_required("studies.change_study", raise_exception=True)
@require_http_methods(["GET", "POST"])
def baseline(request: HttpRequest, code: str, level_pk: int) -> HttpResponse:
    level = get_object_or_404(Level.objects.select_related("factor__study"), factor__study__code=code, pk=level_pk)
    return with_reason(
        request,
        level.factor.study,
        heading=f"Make {level.name} the baseline of {factor_heading(level.factor.name)}",
        text="The baseline is the level that was used when the repairs failed. The former one is the baseline no more.",
        action="Make it the baseline",
        act=lambda reason: set_baseline(level=level, by=request.user, reason=reason),
        done=f"{level.name} is the baseline of {factor_heading(level.factor.name)}.",
    )


@permission_required("studies.change_study", raise_exception=True)
@require_http_methods(["GET", "POST"])
def take_level(request: HttpRequest, code: str, level_pk: int) -> HttpResponse:
    level = get_object_or_404(Level.objects.select_related("factor__study"), factor__study__code=code, pk=level_pk)
    return with_reason(
        request,
        level.factor.study,
        heading=f"Remove {level.name} from {factor_heading(level.factor.name)}",
        text="Only a level that no coupon carries can be removed.",
        action="Remove the level",
        act=lambda reason: remove_level(level=level, by=request.user, reason=reason),
        done=f"{level.name} is no level of {factor_heading(level.factor.name)} any more.",
        dangerous=True,
    )


@permission_required("studies.change_study", raise_exception=True)
@require_http_methods(["GET", "POST"])
def take_factor(request: HttpRequest, code: str, factor_pk: int) -> HttpResponse:
    factor = get_object_or_404(Factor.objects.select_related("study"), study__code=code, pk=factor_pk)
    return with_reason(
        request,
        factor.study,
        heading=f"Remove the factor {factor_heading(factor.name)}",
        text="Its levels go with it. A factor whose levels coupons carry can't be removed.",
        action="Remove the factor",
        act=lambda reason: remove_factor(factor=factor, by=request.user, reason=reason),
        done=f"{factor_heading(factor.name)} is no factor of this study any more.",
        dangerous=True,
    )


def with_reason(
    request: HttpRequest,
    study: Study,
    *,
    heading: str,
    text: str,
    action: str,
    act: Callable[[str], Any],
    done: str,
    dangerous: bool = False,
) -> HttpResponse:
    """A page that asks why, then acts."""
    form: forms.Form = ReasonForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        try:
            act(form.cleaned_data["reason"])
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, done)
            return redirect("study-factors", study.code)
    context = {"study": study, "form": form, "heading": heading, "text": text, "action": action, "dangerous": dangerous}
    return render(request, "studies/with_reason.html", context)
