"""The planner of a study: what a plan has to keep to, the plans side by side, the one that is used."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from labbench.pages.planning.comparisons import plans_part
from labbench.pages.planning.forms import CompareForm, ImpossibleForm, PlanForm
from labbench.pages.planning.three_per_arm import three_per_arm
from labbench.pages.refusals import add_refusal
from labbench.studies.blinding import is_blinded
from labbench.studies.models import Factor, ImpossibleCombination, Study
from labbench.studies.planning import add_impossible, remove_impossible, save_plan, settings_of
from labbench.studies.queries import factors_with_levels, level_counts


@require_http_methods(["GET", "HEAD", "POST"])
def plan(request: HttpRequest, code: str) -> HttpResponse:
    """The planner; what is posted are its settings."""
    study = get_object_or_404(Study.objects.select_related("profile"), code=code)
    if is_blinded(request.user, study):
        return render(request, "planning/blind.html", {"study": study})
    factors = list(factors_with_levels(study))
    if request.method == "POST":
        form = plan_form(study, factors, request.POST)
        if stored(request, study, form):
            messages.success(request, "Stored. Compare the plans again: they follow what they have to keep to.")
            return redirect("study-plan", code)
    else:
        form = plan_form(study, factors)
    return page(request, study, factors, form=form)


def plan_form(study: Study, factors: list[Factor], *data: Any) -> PlanForm:
    return PlanForm(*data, instance=settings_of(study), factors=factors, level_counts=level_counts(factors))


def stored(request: HttpRequest, study: Study, form: PlanForm) -> bool:
    """Whether the settings were good and are kept now."""
    if not request.user.has_perm("studies.change_plansettings"):
        raise PermissionDenied("A lab lead plans the studies.")
    if not form.is_valid():
        return False
    try:
        save_plan(study=study, settings=form.settings(), factors=form.limits(), stock=form.stock(), by=request.user)
    except ValidationError as refused:
        add_refusal(form, refused)
        return False
    return True


def page(
    request: HttpRequest,
    study: Study,
    factors: list[Factor],
    *,
    form: PlanForm,
    impossible_form: ImpossibleForm | None = None,
) -> HttpResponse:
    """The whole page, with the forms as they are."""
    settings = settings_of(study)
    may_plan = request.user.has_perm("studies.change_plansettings") and study.state != Study.State.CLOSED
    if not may_plan:
        for field in form.fields.values():
            field.disabled = True
    context = {
        "study": study,
        "factors": factors,
        "form": form,
        "rows": form.rows(),
        "settings": settings,
        "may_plan": may_plan,
        "impossible": study.impossible_combinations.prefetch_related("levels__factor", "levels__level"),
        "impossible_form": impossible_form or ImpossibleForm(factors=factors),
        **plans_part(study, CompareForm(initial={"size": settings.test_places * settings.loads_ready})),
        "three": three_per_arm(settings.holding_share, settings.failing_share),
    }
    return render(request, "planning/plan.html", context)


@require_POST
@permission_required("studies.change_plansettings", raise_exception=True)
def impossible(request: HttpRequest, code: str) -> HttpResponse:
    """One more combination that can't be made."""
    study = get_object_or_404(Study.objects.select_related("profile"), code=code)
    factors = list(factors_with_levels(study))
    form = ImpossibleForm(request.POST, factors=factors)
    if form.is_valid():
        try:
            made = add_impossible(
                study=study, levels=form.chosen(), by=request.user, reason=form.cleaned_data["reason"]
            )
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"No plan makes {made} any more.")
            return redirect("study-plan", code)
    return page(request, study, factors, form=plan_form(study, factors), impossible_form=form)


@require_POST
@permission_required("studies.change_plansettings", raise_exception=True)
def possible(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    """A combination can be made after all."""
    found = get_object_or_404(ImpossibleCombination, study__code=code, pk=pk)
    words = str(found)
    remove_impossible(combination=found, by=request.user, reason="can be made after all")
    messages.success(request, f"{words} counts as possible again.")
    return redirect("study-plan", code)
