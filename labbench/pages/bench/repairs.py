"""Recording a repair."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from labbench.bench import services
from labbench.bench.queries import allocation
from labbench.pages.bench.cautions import caution
from labbench.pages.bench.forms import RepairForm, repair_defaults
from labbench.pages.bench.levels import shown_levels
from labbench.pages.bench.records import add_refusal, open_coupon, sent_again, stored_once, why_not
from labbench.studies.models import Coupon


@permission_required("bench.add_repair", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def record_repair(request: HttpRequest, pk: int) -> HttpResponse:
    coupon = open_coupon(pk)
    # Only while the repair is still to be made: afterwards this page would tell an inspector the arm.
    if request.method != "POST" and (refusal := why_not(coupon, "repair")):
        messages.warning(request, refusal)
        return redirect("coupon", pk)
    planned = allocation(coupon)
    form = RepairForm(
        request.POST or None,
        person=request.user,
        allocation=planned,
        now=timezone.now(),
        initial=repair_defaults(coupon, request.user, planned),
    )
    if form.is_valid():
        given = form.cleaned_data
        try:
            stored = services.record_repair(coupon=coupon, by=request.user, **given)
        except ValidationError as refused:
            same = {name: given[name] for name in ("resin_lot", "lamp", "cure_time_s")}
            if twin := sent_again("repair", coupon, request.user, **same):
                return stored_once(request, "repair", twin)
            add_refusal(form, refused)
        else:
            return redirect("recorded", "repair", stored.record.pk)
    is_open = not why_not(coupon, "repair")
    levels = shown_levels(planned) if is_open else []
    context = {"coupon": coupon, "form": form, "allocation": levels}
    if is_open and not levels and coupon.role == Coupon.Role.TEST:
        context["is_unallocated"] = coupon.study.factors.exists()
    return render(request, "bench/repair.html", context | caution(request, "repair"))
