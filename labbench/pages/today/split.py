"""A coupon that was found in another chamber than its load."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods

from labbench.bench.loads import GONE, MadeAlready
from labbench.bench.models import Load
from labbench.bench.split_loads import record_split
from labbench.pages.bench.cautions import caution
from labbench.pages.today.forms import SplitForm
from labbench.pages.today.which_time import ask_which
from labbench.studies.models import Coupon


@permission_required(["bench.add_deviation", "bench.change_loadplace"], raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def split(request: HttpRequest, pk: int) -> HttpResponse:
    """Which coupon was found where, and what becomes of it."""
    row = get_object_or_404(Load.objects.select_related("study"), pk=pk)
    coupons = Coupon.objects.filter(load_place__load=row).exclude(stage__in=GONE).order_by("load_place__place", "code")
    others = Load.objects.filter(study=row.study_id, state=Load.State.RUNNING).exclude(pk=row.pk).order_by("name")
    form = SplitForm(request.POST or None, coupons=coupons, others=others)
    if (which := ask_which(request, form)) is not None:
        return which
    if form.is_valid():
        try:
            kept = record_split(by=request.user, **form.cleaned_data)
        except MadeAlready as told:
            messages.info(request, " ".join(told.messages))
            return redirect("load", row.pk)
        except ValidationError as refused:
            form.add_error(None, ValidationError(refused.messages))
        else:
            messages.success(request, kept.description)
            return redirect("load", row.pk)
    context = {"load": row, "form": form}
    return render(request, "today/split.html", context | caution(request, "load"))
