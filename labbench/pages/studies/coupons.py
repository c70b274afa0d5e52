"""Adding coupons and loads, and changing many coupons at once."""

from __future__ import annotations

import secrets
from random import Random

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods

from labbench.bench.places import put_up_load
from labbench.bench.revision import revise_coupons
from labbench.pages.refusals import add_refusal
from labbench.pages.studies.coupon_forms import CouponEditForm, CouponsForm, LoadForm
from labbench.pages.studies.selection import selection
from labbench.studies.models import Study
from labbench.studies.queries import factors_with_levels
from labbench.studies.services import add_coupons as store_coupons


@permission_required("studies.add_coupon", raise_exception=True)
@require_http_methods(["GET", "POST"])
def add_coupons(request: HttpRequest, code: str) -> HttpResponse:
    study = get_object_or_404(Study, code=code)
    form = CouponsForm(
        request.POST if request.method == "POST" else None, study=study, factors=list(factors_with_levels(study))
    )
    if request.method == "POST" and form.is_valid():
        try:
            made = store_coupons(
                study=study, codes=form.cleaned_data["codes"], by=request.user, levels=form.levels, **form.details
            )
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"{len(made)} coupons added, from {made[0].code} to {made[-1].code}.")
            return redirect("study", code)
    return render(request, "studies/add_coupons.html", {"study": study, "form": form})


@permission_required("studies.change_coupon", raise_exception=True)
@require_http_methods(["GET", "POST"])
def edit_coupons(request: HttpRequest, code: str) -> HttpResponse:
    """The same change for the coupons that the address chooses; all or none."""
    study = get_object_or_404(Study, code=code)
    factors = list(factors_with_levels(study))
    chosen = selection(request, study, factors)
    form = CouponEditForm(
        request.POST if request.method == "POST" else None, study=study, factors=factors, coupons=len(chosen)
    )
    if request.method == "POST" and chosen.coupons and form.is_valid():
        try:
            changed = revise_coupons(
                study=study,
                coupons=chosen.coupons,
                by=request.user,
                reason=form.cleaned_data["reason"],
                changes=form.changes,
                levels=form.levels,
                load=form.new_load,
                withdrawn_on=form.cleaned_data["withdrawn_on"],
            )
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"{changed} coupon{'' if changed == 1 else 's'} changed.")
            return redirect("study", code)
    return render(request, "studies/edit_coupons.html", {"study": study, "form": form, "chosen": chosen})


@permission_required("bench.add_load", raise_exception=True)
@require_http_methods(["GET", "POST"])
def add_load(request: HttpRequest, code: str) -> HttpResponse:
    study = get_object_or_404(Study, code=code)
    chosen = selection(request, study, list(factors_with_levels(study)) if request.GET else [])
    initial = {"codes": "\n".join(coupon.code for coupon in chosen.coupons), "name": next_name(study)}
    form = LoadForm(request.POST if request.method == "POST" else None, study=study, initial=initial)
    if request.method == "POST" and form.is_valid():
        details = dict(form.cleaned_data)
        coupons = details.pop("codes")
        if details.pop("is_shuffled"):
            Random(secrets.randbits(64)).shuffle(coupons)
        try:
            load = put_up_load(study=study, coupons=coupons, by=request.user, **details)
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, f"{load.name} is put up with {len(coupons)} coupons.")
            return redirect("study", code)
    return render(request, "studies/add_load.html", {"study": study, "form": form})


def next_name(study: Study) -> str:
    """A name that no load of the study has yet."""
    taken = set(study.loads.values_list("name", flat=True))
    return next(name for name in (f"Load {number}" for number in range(1, len(taken) + 2)) if name not in taken)
