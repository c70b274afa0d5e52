"""Glass stock: what it is, what is left, which studies it went into."""

from __future__ import annotations

from django.contrib.auth.decorators import permission_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from labbench.bench.stock import glass_stock
from labbench.lab import glass as services
from labbench.lab.models import GlassCount, GlassStock
from labbench.pages.bench.cautions import caution
from labbench.pages.catalogue.keeping import KeepPage, kept, sent
from labbench.pages.catalogue.record_forms import GlassCountForm, GlassForm, WhyForm
from labbench.pages.meanwhile import watched
from labbench.studies.queries import coupons_of_glass


@require_safe
def glass(request: HttpRequest, pk: int) -> HttpResponse:
    """One lot of glass."""
    found = get_object_or_404(GlassStock, pk=pk)
    context = {
        "glass": found,
        "stock": glass_stock(found),
        "counts": found.counts.select_related("counted_by"),
        "used": coupons_of_glass(found),
    }
    return render(request, "catalogue/glass.html", context | caution(request, "glass"))


def address(found: GlassStock) -> str:
    return reverse("glass", args=[found.pk])


@permission_required("lab.add_glassstock", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def new_glass(request: HttpRequest) -> HttpResponse:
    form = GlassForm(sent(request), initial={"received_on": timezone.localdate()})

    def store() -> tuple[str, str]:
        found = services.store_glass(glass=form.save(commit=False), by=request.user)
        return address(found), f"Glass {found.code} is in the catalogue."

    page = KeepPage("Add glass", reverse("catalogue") + "#glass", caution=caution(request, "glass"))
    return kept(request, form, page, store)


@permission_required("lab.change_glassstock", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def edit_glass(request: HttpRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(GlassStock, pk=pk)
    name, back = f"Glass {found.code}", address(found)
    form = watched(lambda row, data: GlassForm(data, instance=row), found, sent(request))

    def store() -> tuple[str, str]:
        services.store_glass(glass=form.save(commit=False), by=request.user, reason=form.given_reason)
        return back, "The glass was changed."

    return kept(request, form, KeepPage(f"Change glass {found.code}", back, [(name, back)]), store)


@permission_required("lab.add_glasscount", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def count_glass(request: HttpRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(GlassStock, pk=pk)
    name, back = f"Glass {found.code}", address(found)
    form = GlassCountForm(sent(request))

    def store() -> tuple[str, str]:
        services.count_glass(glass=found, by=request.user, **form.cleaned_data)
        return back, "Counted. From here on coupons are subtracted from this."

    intro = ["What is left is what was received, or last counted, minus the coupons entered since."]
    page = KeepPage(f"Pieces left of {found.code}", back, [(name, back)], intro, caution=caution(request, "glass"))
    return kept(request, form, page, store)


@require_http_methods(["GET", "HEAD", "POST"])
def remove_glass_count(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a count out: whoever made it, and the lab lead."""
    count = get_object_or_404(GlassCount.objects.select_related("glass"), pk=pk)
    if not request.user.has_perm("lab.delete_glasscount") and count.counted_by_id != request.user.pk:
        raise PermissionDenied
    name, back = f"Glass {count.glass.code}", address(count.glass)
    form = WhyForm(sent(request))

    def store() -> tuple[str, str]:
        services.take_out_count(count, by=request.user, **form.cleaned_data)
        return back, "The count was taken out; the history keeps it."

    page = KeepPage(f"Take out the count of {count.pieces_left} pieces", back, [(name, back)], (), "Take it out", True)
    return kept(request, form, page, store)
