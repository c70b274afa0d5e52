"""One study on one long page."""

from __future__ import annotations

from typing import Any

from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe
from django_tables2 import RequestConfig

from labbench.analysis.choices import TOUCHED, touched_coupons
from labbench.analysis.models import Analysis
from labbench.analysis.verdicts import last_verdicts
from labbench.bench.models import Deviation, Load
from labbench.bench.progress import loads_with_counts, study_progress
from labbench.bench.trace_standing import soak_proofs
from labbench.pages.studies.selection import coupon_filter, stated_filters
from labbench.pages.studies.tables import CouponTable, coupon_rows, stage_parts
from labbench.studies.blinding import is_blinded
from labbench.studies.models import Coupon, Factor, Study
from labbench.studies.queries import factors_with_levels, level_counts, role_counts, stage_counts

COUPONS_PER_PAGE = 50
LAST_DEVIATIONS = 10
TOUCHED_NAMED = 60
LAST_ANALYSES = 10
MOST_LOADS = 20


def study_or_404(code: str) -> Study:
    """The study with what its facts name."""
    return get_object_or_404(Study.objects.select_related("lead", "profile", "procedure_version__procedure"), code=code)


@require_safe
def study(request: HttpRequest, code: str) -> HttpResponse:
    """Question, factors, progress, loads, coupons, deviations, sheets, analyses; a constant number of queries."""
    shown = study_or_404(code)
    hidden = is_blinded(request.user, shown)
    factors = list(factors_with_levels(shown))
    loads = loads_with_counts(shown)
    listed = loads if request.GET.get("loads") == "all" else first_loads(loads)
    context = {
        "study": shown,
        "is_hidden": hidden,
        "loads": loads,
        "listed_loads": with_proofs(listed),
        **coupon_part(request, shown, [] if hidden else factors, loads),
    }
    if request.htmx and request.htmx.target == "coupons-part":  # type: ignore[attr-defined]
        return render(request, "studies/parts/coupons.html", context)
    roles = role_counts(shown)
    parts = stage_parts(stage_counts([shown.pk]).get(shown.pk, {}))
    context |= {
        "factors": [] if hidden else with_counts(factors, level_counts(factors)),
        "factor_count": len(factors),
        "parts": parts,
        "total": sum(roles.values()),
        "roles": roles,
        "steps": study_progress(shown, roles),
        # A verdict names the arms that fail.
        "verdict": None if hidden else last_verdicts([shown.pk]).get(shown.pk),
        **records(shown, hidden=hidden),
    }
    return render(request, "studies/study.html", context)


def first_loads(loads: list[Any]) -> list[Any]:
    """As many loads as can be read at a glance: those not done; where all are done, the last ones."""
    if len(loads) <= MOST_LOADS:
        return loads
    is_over = Load.State.DONE
    return [load for load in loads if load.state != is_over][:MOST_LOADS] or loads[-MOST_LOADS:]


def with_proofs(loads: list[Any]) -> list[Any]:
    """The loads, each with what its temperature traces prove (`proof`)."""
    proofs = soak_proofs([load.pk for load in loads])
    for load in loads:
        load.proof = proofs.get(load.pk)
    return loads


def coupon_part(request: HttpRequest, study: Study, factors: list[Factor], loads: list[Any]) -> dict[str, Any]:
    """The filtered, sorted table of coupons, and what choosing among them needs."""
    filtered = coupon_filter(request, study, factors, loads)
    may_edit = request.user.has_perm("studies.change_coupon")
    table = CouponTable(
        # Coupons are added arm by arm: whoever must not know the arms gets them in the order of their codes.
        coupon_rows(filtered.qs).order_by("code" if is_blinded(request.user, study) else "pk"),
        study=study,
        factors=factors,
        exclude=() if may_edit else ("selected",),
    )
    RequestConfig(request, paginate={"per_page": COUPONS_PER_PAGE}).configure(table)
    return {
        "table": table,
        "filter": filtered,
        "matching": table.page.paginator.count,
        "stated_filters": stated_filters(request.GET),
        "may_edit": may_edit,
    }


def with_counts(factors: list[Factor], counts: dict[int, int]) -> list[dict[str, Any]]:
    """Factors and their levels with the coupons that carry them."""
    return [
        {
            "factor": factor,
            "levels": [{"level": level, "coupons": counts.get(level.pk, 0)} for level in factor.levels.all()],
        }
        for factor in factors
    ]


def records(study: Study, *, hidden: bool) -> dict[str, Any]:
    """The last deviations, the sheets taken in, the last analyses without their results."""
    deviations = Deviation.objects.filter(study=study).select_related("coupon", "load", "recorded_by")
    if hidden:
        # What a rule found of a coupon names its lot, lamp or technician; what it found of a whole load does not.
        deviations = deviations.exclude(Q(coupon__isnull=False) | Q(load=None), is_found_by_rule=True)
    analyses = (
        Analysis.objects.filter(study=study)
        .select_related("job", "requested_by")
        .defer("sheet_csv", "result", "parameters")
    )
    return {
        "deviations": deviations[:LAST_DEVIATIONS],
        "deviation_count": deviations.count(),
        "touched": touched_in_cycling(study),
        "allocations": study.allocations.all(),
        "sheets": study.imported_sheets.select_related("imported_by"),
        "analyses": analyses[:LAST_ANALYSES],
    }


def touched_in_cycling(study: Study) -> dict[str, Any]:
    """Coupons that went through a late transfer, a soak or a chamber that did not go by the profile, by what it was. Three queries."""
    touched = {
        pk: tuple(Deviation.Kind(kind).label for kind in TOUCHED if kind in kinds)
        for pk, kinds in touched_coupons(study).kinds.items()
        if kinds & set(TOUCHED)
    }
    by_kind: dict[tuple[str, ...], list[Coupon]] = {}
    for coupon in Coupon.objects.filter(pk__in=touched).order_by("code"):
        by_kind.setdefault(touched[coupon.pk], []).append(coupon)
    groups = [
        {"words": " and ".join(labels), "coupons": coupons[:TOUCHED_NAMED], "more": len(coupons[TOUCHED_NAMED:])}
        for labels, coupons in sorted(by_kind.items())
    ]
    return {"count": len(touched), "groups": groups}
