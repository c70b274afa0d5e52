"""One coupon: who it is, what is next, and its whole history."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from labbench.bench import services
from labbench.bench.doses import dose_standings
from labbench.bench.models import TraceFile
from labbench.bench.queries import allocation, next_action, next_round, possible_actions, rounds_of
from labbench.bench.refusals import closed_words
from labbench.pages.bench.forms import WithdrawForm
from labbench.pages.bench.levels import shown_levels
from labbench.pages.bench.records import WORDS, add_refusal, may_change, open_coupon
from labbench.pages.bench.repair_doses import standing_part
from labbench.pages.bench.scan import RECORD_PAGES, RECORD_PERMISSIONS
from labbench.pages.bench.timeline import Timeline
from labbench.studies.blinding import is_blinded
from labbench.studies.models import Coupon

BUTTONS = {"repair": "Record the repair", "inspection": "Record an inspection", "strength": "Record the strength test"}


@require_safe
def coupon(request: HttpRequest, pk: int) -> HttpResponse:
    row = open_coupon(pk)
    is_blind = is_blinded(request.user, row.study)
    closed = closed_words(row.study)
    following = "" if closed else next_action(row)
    actions = [
        {"name": name, "page": RECORD_PAGES[name], "text": BUTTONS[name], "is_next": name == following}
        for name in possible_actions(row)
        if request.user.has_perm(RECORD_PERMISSIONS[name])
    ]
    load = row.load_place.load if hasattr(row, "load_place") else None
    context: dict[str, Any] = {
        "coupon": row,
        "load": load,
        "traces": TraceFile.objects.filter(load=load).select_related("uploaded_by"),
        "levels": [] if is_blind else shown_levels(allocation(row)),
        "is_blind": is_blind,
        "actions": actions,
        "closed": closed,
        "following": WORDS.get(following, ""),
        "round_number": next_round(row) if following == "inspection" else None,
        "rounds": rounds_of(row),
        "entries": Timeline(row, request.user, is_blinded=is_blind).entries(),
        "can_withdraw": not closed
        and row.stage in {Coupon.Stage.PREPARED, Coupon.Stage.REPAIRED, Coupon.Stage.CYCLING, Coupon.Stage.SURVIVED},
    }
    # Whoever repaired it knows how, and is kept from inspecting it: its history tells them, and so does the dose.
    if hasattr(row, "repair") and (not is_blind or row.repair.technician_id == request.user.pk):
        context["dose"] = standing_part(dose_standings([row.repair])[0])
        context["may_recompute"] = may_change(request.user, row.repair)
    return render(request, "bench/coupon.html", context)


@permission_required("bench.add_inspection", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def withdraw(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a coupon out of the work, e.g. broken in handling; it stays in the count."""
    row = open_coupon(pk)
    form = WithdrawForm(request.POST or None)
    if form.is_valid():
        try:
            services.withdraw(coupon=row, by=request.user, on=timezone.localdate(), reason=form.cleaned_data["reason"])
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"Coupon {row.code} is withdrawn; the deviation is recorded.")
            return redirect("coupon", pk)
    return render(request, "bench/withdraw.html", {"coupon": row, "form": form})
