"""An allocation to read and print: what is repaired in which order and with what; locking and undoing it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST, require_safe

from labbench.bench.allocations import lock_allocation, started, undo_allocation
from labbench.formats.factor_names import factor_heading
from labbench.pages.bench.cautions import CAUTIONS
from labbench.studies.blinding import is_blinded
from labbench.studies.models import AllocatedCoupon, Allocation
from labbench.studies.queries import factors_with_levels, level_names


@dataclass(frozen=True, slots=True)
class RepairLine:
    """One coupon of the list; `levels` in the order of the table's factors, "" where it has none."""

    row: AllocatedCoupon
    place: int | None
    levels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LoadPart:
    """The coupons of one load: first those that are repaired, in order; then the others."""

    name: str
    lines: tuple[RepairLine, ...]


def allocation_or_404(pk: int) -> Allocation:
    return get_object_or_404(
        Allocation.objects.select_related("study__procedure_version__procedure", "made_by", "locked_by"), pk=pk
    )


@require_safe
def allocation(request: HttpRequest, pk: int) -> HttpResponse:
    """The list of repairs, load by load; without arms for whoever inspects blind."""
    shown = allocation_or_404(pk)
    is_hidden = is_blinded(request.user, shown.study)
    factors = [] if is_hidden else [f for f in factors_with_levels(shown.study) if len(f.levels.all())]
    loads = load_parts(shown, [factor.pk for factor in factors])
    may_change = request.user.has_perm("studies.change_allocation")
    context: dict[str, Any] = {
        "allocation": shown,
        "study": shown.study,
        "is_hidden": is_hidden,
        "headings": [factor_heading(factor.name) for factor in factors],
        "loads": loads,
        "coupons": sum(len(load.lines) for load in loads),
        "has_technicians": any(line.row.technician_id for load in loads for line in load.lines),
        "may_lock": may_change and not shown.is_locked,
        "hazards": CAUTIONS["repair"],
        "started": started(shown) if may_change and not shown.is_locked else "",
        "changed": shown.study.deviations.filter(kind="reallocated", coupon__allocated__allocation=shown).count(),
    }
    return render(request, "planning/allocation.html", context)


def load_parts(shown: Allocation, factor_keys: list[int]) -> list[LoadPart]:
    """The rows of an allocation load by load."""
    rows = list(
        shown.rows.select_related("coupon__load_place__load", "technician").order_by(
            "coupon__load_place__load_id", "repair_order", "coupon__load_place__place", "pk"
        )
    )
    names = level_names([row.coupon_id for row in rows]) if factor_keys else {}
    parts = []
    for load, members in groupby(rows, key=load_name):
        lines = tuple(
            RepairLine(
                row,
                row.coupon.load_place.place if hasattr(row.coupon, "load_place") else None,
                tuple(names.get(row.coupon_id, {}).get(key, "") for key in factor_keys),
            )
            for row in sorted(members, key=lambda row: (row.repair_order is None, row.repair_order or 0))
        )
        parts.append(LoadPart(load, lines))
    return parts


def load_name(row: AllocatedCoupon) -> str:
    return row.coupon.load_place.load.name if hasattr(row.coupon, "load_place") else "in no load"


@require_POST
@permission_required("studies.change_allocation", raise_exception=True)
def lock(request: HttpRequest, pk: int) -> HttpResponse:
    found = allocation_or_404(pk)
    try:
        lock_allocation(allocation=found, by=request.user)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    else:
        messages.success(
            request, "Locked. From now on every change of these coupons’ levels, load or place is a deviation."
        )
    return redirect("allocation", pk)


@require_POST
@permission_required("studies.change_allocation", raise_exception=True)
def undo(request: HttpRequest, pk: int) -> HttpResponse:
    found = allocation_or_404(pk)
    try:
        undo_allocation(allocation=found, by=request.user)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
        return redirect("allocation", pk)
    messages.success(request, f"“{found.title}” is undone: its coupons and loads are gone, their histories stay.")
    return redirect("study-plan", found.study.code)
