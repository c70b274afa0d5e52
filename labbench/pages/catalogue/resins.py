"""Resins and their lots: what they are, what is left, what was repaired with them and how that held."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.decorators import permission_required
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from labbench.bench.stock import lot_stock, lot_stocks
from labbench.bench.uses import outcomes_by_study, repairs_with
from labbench.lab import lots
from labbench.lab.due import due
from labbench.lab.models import LotCount, Resin, ResinLot
from labbench.pages.bench.cautions import caution
from labbench.pages.catalogue.keeping import KeepPage, kept, sent
from labbench.pages.catalogue.record_forms import LotCountForm, LotForm, ResinForm, WhyForm
from labbench.pages.meanwhile import watched
from labbench.studies.blinding import hidden_from

COUPONS_A_PAGE = 25


@require_safe
def resin(request: HttpRequest, pk: int) -> HttpResponse:
    """One resin with its lots."""
    found = get_object_or_404(Resin, pk=pk)
    rows = list(found.lots.select_related("resin").order_by("retired_on", "-received_on", "code"))
    stocks, today = lot_stocks(rows), timezone.localdate()
    context = {
        "resin": found,
        "lots": [(lot, due(None if lot.retired_on else lot.expires_on, today=today), stocks[lot.pk]) for lot in rows],
    }
    return render(request, "catalogue/resin.html", context)


@require_safe
def resin_lot(request: HttpRequest, pk: int) -> HttpResponse:
    """One lot: what is left, and what was repaired with it. Whoever inspects blind does not see how those coupons hold."""
    lot = get_object_or_404(ResinLot.objects.select_related("resin"), pk=pk)
    hidden = hidden_from(request.user, "coupon__study__")
    repairs = Paginator(repairs_with(lot).exclude(hidden), COUPONS_A_PAGE)
    context = {
        "lot": lot,
        "due": due(None if lot.retired_on else lot.expires_on, today=timezone.localdate()),
        "stock": lot_stock(lot),
        "counts": lot.counts.select_related("counted_by"),
        "used": outcomes_by_study(lot, hidden=hidden),
        "repairs": repairs.get_page(request.GET.get("page")),
    }
    return render(request, "catalogue/resin_lot.html", context | caution(request, "resin"))


def resin_address(found: Resin) -> str:
    return reverse("resin", args=[found.pk])


def lot_address(lot: ResinLot) -> str:
    return reverse("resin-lot", args=[lot.pk])


@permission_required("lab.add_resin", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def new_resin(request: HttpRequest) -> HttpResponse:
    form = ResinForm(sent(request))

    def store() -> tuple[str, str]:
        found = lots.store_resin(resin=form.save(commit=False), by=request.user)
        return resin_address(found), f"{found.name} is in the catalogue. Now add the lot that was received."

    return kept(request, form, KeepPage("Add a resin", reverse("catalogue") + "#resins"), store)


@permission_required("lab.change_resin", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def edit_resin(request: HttpRequest, pk: int) -> HttpResponse:
    found = get_object_or_404(Resin, pk=pk)
    name, back = found.name, resin_address(found)
    form = watched(lambda row, data: ResinForm(data, instance=row), found, sent(request))

    def store() -> tuple[str, str]:
        lots.store_resin(resin=form.save(commit=False), by=request.user, reason=form.given_reason)
        return back, "The resin was changed."

    return kept(request, form, KeepPage(f"Change {name}", back, [(name, back)]), store)


@permission_required("lab.add_resinlot", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def new_lot(request: HttpRequest) -> HttpResponse:
    wanted = request.GET.get("resin", "")
    initial: dict[str, Any] = {"received_on": timezone.localdate()}
    if wanted.isdecimal() and len(wanted) < 19:
        initial["resin"] = Resin.objects.filter(pk=wanted).first()
    form = LotForm(sent(request), initial=initial)
    form.fields["resin"].queryset = Resin.objects.filter(retired_on=None)  # type: ignore[attr-defined]

    def store() -> tuple[str, str]:
        lot = lots.store_lot(lot=form.save(commit=False), by=request.user)
        return lot_address(lot), f"{lot} is in the catalogue."

    page = KeepPage("Add a resin lot", reverse("catalogue") + "#resins", caution=caution(request, "resin"))
    return kept(request, form, page, store)


@permission_required("lab.change_resinlot", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def edit_lot(request: HttpRequest, pk: int) -> HttpResponse:
    lot = get_object_or_404(ResinLot.objects.select_related("resin"), pk=pk)
    name, back = str(lot), lot_address(lot)
    form = watched(lambda row, data: LotForm(data, instance=row), lot, sent(request))

    def store() -> tuple[str, str]:
        lots.store_lot(lot=form.save(commit=False), by=request.user, reason=form.given_reason)
        return back, "The lot was changed."

    return kept(request, form, KeepPage(f"Change {name}", back, [(name, back)]), store)


@permission_required("lab.change_resinlot", raise_exception=True)
@require_POST
def open_lot(request: HttpRequest, pk: int) -> HttpResponse:
    """The lot was opened today."""
    lot = get_object_or_404(ResinLot, pk=pk)
    if lot.opened_on is None:
        lot.opened_on = timezone.localdate()
        lots.store_lot(lot=lot, by=request.user, reason="opened")
    return redirect("resin-lot", pk)


@permission_required("lab.add_lotcount", raise_exception=True)
@require_http_methods(["GET", "HEAD", "POST"])
def count_lot(request: HttpRequest, pk: int) -> HttpResponse:
    lot = get_object_or_404(ResinLot.objects.select_related("resin"), pk=pk)
    name, back = str(lot), lot_address(lot)
    form = LotCountForm(sent(request))

    def store() -> tuple[str, str]:
        lots.count_lot(lot=lot, by=request.user, **form.cleaned_data)
        return back, "Counted. From here on use is subtracted from this."

    intro = [
        "What is left is what was received, or last counted, minus the use per repair of each repair recorded since."
    ]
    return kept(request, form, KeepPage(f"What is left of {name}", back, [(name, back)], intro), store)


@require_http_methods(["GET", "HEAD", "POST"])
def remove_lot_count(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a count out: whoever made it, and the lab lead."""
    count = get_object_or_404(LotCount.objects.select_related("lot__resin"), pk=pk)
    if not request.user.has_perm("lab.delete_lotcount") and count.counted_by_id != request.user.pk:
        raise PermissionDenied
    name, back = str(count.lot), lot_address(count.lot)
    form = WhyForm(sent(request))

    def store() -> tuple[str, str]:
        lots.take_out_count(count, by=request.user, **form.cleaned_data)
        return back, "The count was taken out; the history keeps it."

    page = KeepPage(f"Take out the count of {count.left_ml:g} ml", back, [(name, back)], (), "Take it out", True)
    return kept(request, form, page, store)
