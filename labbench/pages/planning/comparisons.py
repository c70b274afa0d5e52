"""Asking for plans side by side, watching the job, and using one of the plans."""

from __future__ import annotations

import secrets
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labbench.analysis.models import PlanComparison
from labbench.analysis.plan_comparisons import (
    is_as_the_plan_stands,
    newest_comparison,
    newest_finished,
    request_comparison,
)
from labbench.bench.allocations import PlannedCoupon, use_plan
from labbench.jobs.services import cancel, retry
from labbench.pages.planning.forms import CompareForm, UseForm
from labbench.pages.planning.plan_table import plan_lines
from labbench.pages.refusals import add_refusal
from labbench.studies.blinding import is_blinded
from labbench.studies.models import Study


def plans_part(study: Study, form: CompareForm | None = None) -> dict[str, Any]:
    """What templates/planning/parts/plans.html needs."""
    shown, newest = newest_finished(study), newest_comparison(study)
    return {
        "study": study,
        "comparison": shown,
        "waiting": newest if newest is not None and newest != shown and not newest.finished_at else None,
        "plans": plan_lines(shown) if shown else (),
        "notes": (shown.result or {}).get("notes", ()) if shown else (),
        "is_current": is_as_the_plan_stands(shown) if shown else True,
        "compare_form": form,
    }


def comparison_or_404(request: HttpRequest, pk: int) -> PlanComparison:
    found = get_object_or_404(PlanComparison.objects.select_related("study__profile", "job", "requested_by"), pk=pk)
    if is_blinded(request.user, found.study):
        raise PermissionDenied(
            "You inspect in this study without knowing the levels; its plan opens when it is closed."
        )
    return found


@require_POST
@permission_required("studies.change_plansettings", raise_exception=True)
def compare(request: HttpRequest, code: str) -> HttpResponse:
    """Ask for the plans as the study stands."""
    study = get_object_or_404(Study.objects.select_related("profile"), code=code)
    form = CompareForm(request.POST)
    if form.is_valid():
        request_comparison(study=study, by=request.user, **form.cleaned_data)
    else:
        for field in form:
            for error in field.errors:
                messages.error(request, f"{field.label}: {error}".capitalize())
    return redirect(f"{study_plan(code)}#plans")


def study_plan(code: str) -> str:
    return redirect("study-plan", code).url


@require_safe
def progress(request: HttpRequest, pk: int) -> HttpResponse:
    """The job while it is open; then the plans, in the place of the whole part."""
    found = comparison_or_404(request, pk)
    if found.job.is_open:
        return render(request, "planning/parts/job.html", {"waiting": found})
    answer = render(
        request,
        "planning/parts/plans.html",
        plans_part(found.study) | {"may_plan": request.user.has_perm("studies.change_plansettings")},
    )
    answer["HX-Retarget"], answer["HX-Reswap"] = "#plans-part", "outerHTML"
    return answer


@require_POST
@permission_required("studies.change_plansettings", raise_exception=True)
def cancel_comparison(request: HttpRequest, pk: int) -> HttpResponse:
    found = comparison_or_404(request, pk)
    cancel(job=found.job)
    return redirect(f"{study_plan(found.study.code)}#plans")


@require_POST
@permission_required("studies.change_plansettings", raise_exception=True)
def retry_comparison(request: HttpRequest, pk: int) -> HttpResponse:
    found = comparison_or_404(request, pk)
    try:
        retry(job=found.job)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    return redirect(f"{study_plan(found.study.code)}#plans")


@require_http_methods(["GET", "HEAD", "POST"])
@permission_required("studies.add_allocation", raise_exception=True)
def use(request: HttpRequest, pk: int, key: str) -> HttpResponse:
    """Put one of the compared plans up: coupons, levels, loads, places, order of repair."""
    # slow import: numpy
    from labbench.analysis.plan_draws import drawn_coupons

    found = comparison_or_404(request, pk)
    row = next((plan for plan in (found.result or {}).get("plans", ()) if plan["key"] == key), None)
    if row is None or not row["arms"]:
        raise Http404("This comparison has no such plan.")
    study = found.study
    is_current = is_as_the_plan_stands(found)
    form = UseForm(
        request.POST if request.method == "POST" else None,
        has_technician_factor=study.factors.filter(source="technician").exists(),
        initial={"seed": secrets.randbelow(2**31)},
    )
    if request.method == "POST" and form.is_valid():
        people = list(form.cleaned_data.get("technicians", ()))
        seed = form.cleaned_data["seed"]
        coupons = [
            PlannedCoupon(
                one.role,
                one.levels,
                one.load,
                one.place,
                one.repair_order,
                people[one.person] if people and one.repair_order else None,
            )
            for one in drawn_coupons(row, found.inputs, seed=seed, people=max(1, len(people)))
        ]
        try:
            if not is_current:
                raise ValidationError("The study has changed since these plans were compared: compare them again.")
            made = use_plan(
                study=study, plan=row["plan"], title=title_of(row), seed=seed, coupons=coupons, by=request.user
            )
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"{len(coupons)} coupons are put up at random. Look at the list, then lock it.")
            return redirect("allocation", made.pk)
    context = {"study": study, "comparison": found, "plan": row, "form": form, "is_current": is_current}
    return render(
        request,
        "planning/use.html",
        context | {"title": title_of(row), "coupons": sum(arm["count"] for arm in row["arms"])},
    )


def title_of(row: dict[str, Any]) -> str:
    return f"{row['title']}: first load" if row["is_sequential"] else str(row["title"])
