"""Recording a strength test."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from labbench.bench import services
from labbench.bench.queries import next_action
from labbench.pages.bench.cautions import caution
from labbench.pages.bench.forms import StrengthForm, strength_defaults
from labbench.pages.bench.records import add_refusal, open_coupon, sent_again, stored_once, why_not


@permission_required("bench.add_strengthtest", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def record_strength(request: HttpRequest, pk: int) -> HttpResponse:
    coupon = open_coupon(pk)
    if request.method != "POST" and (refusal := why_not(coupon, "strength")):
        messages.warning(request, refusal)
        return redirect("coupon", pk)
    form = StrengthForm(request.POST or None, person=request.user, initial=strength_defaults(coupon, request.user))
    if form.is_valid():
        given = form.cleaned_data
        try:
            stored = services.record_strength(coupon=coupon, by=request.user, **given)
        except ValidationError as refused:
            same = {"method": given["method"], "force_n": given["force_n"]}
            if twin := sent_again("strength", coupon, request.user, **same):
                return stored_once(request, "strength", twin)
            add_refusal(form, refused)
        else:
            return redirect("recorded", "strength", stored.record.pk)
    context = {"coupon": coupon, "form": form, "is_early": next_action(coupon) != "strength"}
    return render(request, "bench/strength.html", context | caution(request, "strength"))
