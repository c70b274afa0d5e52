"""Studies and their coupons for scripts."""

from __future__ import annotations

from typing import Any

from django.db.models import Count, Prefetch, Q
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.http import content_disposition_header

from labbench.analysis.covariates import with_measured
from labbench.analysis.sheets import study_sheet
from labbench.api.answers import BadQuestion, endpoint, open_to, page_of
from labbench.formats.coupon_sheet_export import write_coupon_sheet_csv
from labbench.studies.blinding import is_blinded
from labbench.studies.models import Coupon, CouponLevel, Study


@endpoint
def index(request: HttpRequest) -> HttpResponse:
    """What there is."""
    return JsonResponse(
        {
            "studies": reverse("api-studies"),
            "study": "/api/studies/{code}/",
            "coupons": "/api/studies/{code}/coupons/?page=1&per_page=100",
            "sheet": "/api/studies/{code}/sheet.csv",
            "sheet_with_measured_values": "/api/studies/{code}/sheet.csv?measured=1",
            "analyses": "/api/studies/{code}/analyses/",
            "analysis": "/api/analyses/{number}/",
            "result": "/api/analyses/{number}/result/",
            "trace evaluations": "/api/studies/{code}/trace-evaluations/",
            "trace evaluation": "/api/trace-evaluations/{number}/",
            "job": "/api/jobs/{id}/",
        }
    )


@endpoint
def study_list(request: HttpRequest) -> HttpResponse:
    rows = Study.objects.annotate(coupons_in_all=Count("coupons")).order_by("code")
    return page_of(request, rows, study_shape)


@endpoint
def study(request: HttpRequest, code: str) -> HttpResponse:
    """One study with its factors and their levels; who inspects it blind gets `factors` null."""
    rows = Study.objects.annotate(coupons_in_all=Count("coupons")).prefetch_related("factors__levels")
    found = get_object_or_404(rows, code=code)
    factors = [
        {
            "factor": factor.name,
            "kind": "numeric" if factor.is_numeric else "categorical",
            "levels": [level.name if level.number is None else level.number for level in factor.levels.all()],
        }
        for factor in found.factors.all()
    ]
    hides = is_blinded(request.user, found)
    return JsonResponse({**study_shape(found), "question": found.question, "factors": None if hides else factors})


@endpoint
def coupon_list(request: HttpRequest, code: str) -> HttpResponse:
    """The coupons of a study, page by page; who inspects it blind gets them without levels."""
    found = get_object_or_404(Study, code=code)
    hides = is_blinded(request.user, found)
    levels = CouponLevel.objects.filter(Q(pk__in=[]) if hides else Q()).select_related("factor", "level")
    rows = (
        Coupon.objects.filter(study=found)
        .order_by("code")
        .select_related("strength_test")
        .prefetch_related(Prefetch("coupon_levels", queryset=levels))
    )
    return page_of(request, rows, lambda coupon: coupon_shape(coupon, found, hides=hides))


@endpoint
def sheet(request: HttpRequest, code: str) -> HttpResponse:
    """The coupon sheet of the study as it stands, unfinished coupons with it; `measured=1`: with what was measured as further columns."""
    found = get_object_or_404(Study, code=code)
    open_to(request, found)
    if request.GET.get("measured", "") not in {"", "0", "1"}:
        raise BadQuestion("measured must be 0 or 1")
    drawn = study_sheet(found, with_unfinished=True)
    text = write_coupon_sheet_csv(with_measured(found, drawn) if request.GET.get("measured") == "1" else drawn.sheet)
    answer = HttpResponse(text, content_type="text/csv; charset=utf-8")
    answer.headers["Content-Disposition"] = content_disposition_header(True, f"{found.code}.csv") or "attachment"
    return answer


def study_shape(found: Any) -> dict[str, Any]:
    return {
        "code": found.code,
        "title": found.title,
        "state": found.state,
        "rounds_planned": found.rounds_planned,
        "confidence": found.confidence,
        "margin": found.margin,
        "strength_margin": found.strength_margin,
        "is_blind": found.is_blind,
        "started_on": found.started_on,
        "closed_on": found.closed_on,
        "coupons": found.coupons_in_all,
        "url": reverse("api-study", args=[found.code]),
    }


def coupon_shape(coupon: Coupon, of: Study, *, hides: bool) -> dict[str, Any]:
    return {
        "coupon": coupon.code,
        "role": coupon.role,
        "stage": coupon.stage,
        "rounds_planned": coupon.rounds_planned or of.rounds_planned,
        "rounds_survived": coupon.rounds_survived,
        "failed_round": coupon.failed_round,
        "break_type": coupon.break_type or None,
        "size_mm": coupon.size_mm,
        "edge_distance_mm": coupon.edge_distance_mm,
        "withdrawn_on": coupon.withdrawn_on,
        "strength_mpa": coupon.strength_test.stress_mpa if hasattr(coupon, "strength_test") else None,
        "levels": None
        if hides
        else {
            given.factor.name: given.level.name if given.level.number is None else given.level.number
            for given in coupon.coupon_levels.all()
        },
    }
