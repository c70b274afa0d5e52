"""Recording deviations, and the list of them."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_safe
from django_tables2 import RequestConfig

from labbench.bench import services
from labbench.bench.models import Deviation, Load
from labbench.pages.bench.filters import DeviationFilter
from labbench.pages.bench.forms import DeviationForm
from labbench.pages.bench.records import add_refusal, open_coupon, sent_again, stored_once
from labbench.pages.bench.tables import DeviationTable
from labbench.studies.blinding import hidden_from


@permission_required("bench.add_deviation", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def of_coupon(request: HttpRequest, pk: int) -> HttpResponse:
    coupon = open_coupon(pk)
    return record(request, study=coupon.study, coupon=coupon)


@permission_required("bench.add_deviation", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def of_load(request: HttpRequest, pk: int) -> HttpResponse:
    load = get_object_or_404(Load.objects.select_related("study"), pk=pk)
    return record(request, study=load.study, load=load)


def record(request: HttpRequest, **about: Any) -> HttpResponse:
    """Store a deviation of a coupon or of a load."""
    form = DeviationForm(request.POST or None)
    if form.is_valid():
        given = form.cleaned_data
        try:
            stored = services.record_deviation(by=request.user, **about, **given)
        except ValidationError as refused:
            same = {"kind": given["kind"], "description": given["description"], "load": about.get("load")}
            if twin := sent_again("deviation", about.get("coupon"), request.user, **same):
                return stored_once(request, "deviation", twin)
            add_refusal(form, refused)
        else:
            if "load" in about:
                messages.success(request, "The deviation is recorded.")
                return redirect("load", about["load"].pk)
            return redirect("recorded", "deviation", stored.pk)
    return render(request, "bench/deviation.html", {"form": form, **about})


@require_safe
def deviations(request: HttpRequest) -> HttpResponse:
    """All deviations across studies, newest first."""
    rows = Deviation.objects.select_related("study", "coupon", "load", "recorded_by")
    # What a rule found of a coupon tells its arm; what it found of a whole load does not.
    of_coupon = Q(coupon__isnull=False) | Q(load=None)
    rows = rows.exclude(hidden_from(request.user, "study__"), of_coupon, is_found_by_rule=True)
    chosen = DeviationFilter(request.GET, queryset=rows)
    table = DeviationTable(chosen.qs)
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    return render(request, "bench/deviations.html", {"filter": chosen, "table": table})
