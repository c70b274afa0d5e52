"""Recording inspections, and showing their photos. Nothing of the repair is shown here: whoever looks is blind."""

from __future__ import annotations

from pathlib import Path

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_safe

from labbench.bench import services
from labbench.bench.models import Inspection
from labbench.pages.bench.cautions import caution
from labbench.pages.bench.fields import PHOTO_ENDINGS
from labbench.pages.bench.forms import InspectionForm
from labbench.pages.bench.records import add_refusal, open_coupon, sent_again, stored_once, why_not
from labbench.studies.models import Study

TYPES = {ending: f"image/{kind.lower()}" for kind, ending in PHOTO_ENDINGS.items() if kind != "MPO"}


def failure_modes(study: Study) -> list[str]:
    """Words already used in this study, to be chosen instead of typed."""
    used = Inspection.objects.filter(coupon__study=study).exclude(failure_mode="")
    return list(used.order_by("failure_mode").values_list("failure_mode", flat=True).distinct()[:30])


@permission_required("bench.add_inspection", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def record_inspection(request: HttpRequest, pk: int) -> HttpResponse:
    coupon = open_coupon(pk)
    if request.method != "POST" and (refusal := why_not(coupon, "inspection")):
        messages.warning(request, refusal)
        return redirect("coupon", pk)
    form = InspectionForm(request.POST or None, request.FILES or None, coupon=coupon, person=request.user)
    if form.is_valid():
        given = form.cleaned_data | {"photo": form.cleaned_data["photo"] or ""}
        try:
            stored = services.record_inspection(coupon=coupon, by=request.user, **given)
        except ValidationError as refused:
            same = {name: given[name] for name in ("round_number", "step_number", "outcome")}
            if twin := sent_again("inspection", coupon, request.user, **same):
                return stored_once(request, "inspection", twin)
            add_refusal(form, refused)
        else:
            return redirect("recorded", "inspection", stored.record.pk)
    context = {
        "coupon": coupon,
        "form": form,
        "modes": failure_modes(coupon.study),
        "is_own_repair": coupon.study.is_blind
        and hasattr(coupon, "repair")
        and coupon.repair.technician == request.user,
        "looks": coupon.inspections.select_related("inspector"),
    }
    return render(request, "bench/inspection.html", context | caution(request, "inspection"))


@require_safe
def photo(request: HttpRequest, pk: int) -> FileResponse:
    """The photo of an inspection, for whoever is signed in; its type by what was checked when it came in."""
    look = get_object_or_404(Inspection, pk=pk)
    ending = Path(look.photo.name or "").suffix
    kind = TYPES.get(ending.lower())
    if not look.photo or kind is None:
        raise Http404("This inspection has no photo.")
    try:
        file = look.photo.open("rb")
    except FileNotFoundError as error:
        raise Http404("The file of this photo is missing.") from error
    answer = FileResponse(file, content_type=kind, filename=f"{look.coupon_id}-round-{look.round_number}{ending}")
    answer["X-Content-Type-Options"] = "nosniff"
    answer["Cache-Control"] = "private, max-age=3600"
    return answer
