"""Which coupons somebody chose in the table: those ticked, or all that match its filters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet
from django.http import HttpRequest, QueryDict

from labbench.bench.models import Load
from labbench.pages.studies.filters import CouponFilter
from labbench.studies.models import Coupon, Factor, Study

TICKED, ALL = "ticked", "all"
NO_FILTER = {"page", "sort", "selected", "which", "csrfmiddlewaretoken", "part"}


@dataclass(frozen=True, slots=True)
class Selection:
    """The coupons chosen, and how to say so."""

    coupons: list[Coupon]
    words: str

    def __len__(self) -> int:
        return len(self.coupons)


def coupon_filter(request: HttpRequest, study: Study, factors: Sequence[Factor], loads: Sequence[Load]) -> CouponFilter:
    """The filter of a study's coupons as the address states it."""
    return CouponFilter(
        request.GET or None,
        queryset=Coupon.objects.filter(study=study),
        factors=factors,
        loads=[(load.pk, load.name) for load in loads],
    )


def stated_filters(query: QueryDict) -> list[tuple[str, str]]:
    """What the address says of filters, to be carried on in a form."""
    return [(name, value) for name in query if name not in NO_FILTER for value in query.getlist(name) if value]


def selection(request: HttpRequest, study: Study, factors: Sequence[Factor]) -> Selection:
    """The coupons that the address chooses; none where it states a filter that can't be understood."""
    if request.GET.get("which") == ALL:
        filtered = coupon_filter(request, study, factors, list(study.loads.all()))
        if not filtered.is_valid() and filtered.is_bound:
            return Selection([], "no coupon: the filter could not be read")
        return chosen(
            filtered.qs, "all that match the filter" if stated_filters(request.GET) else "all coupons of the study"
        )
    keys = {int(key) for key in request.GET.getlist("selected") if key.isascii() and key.isdigit() and len(key) < 18}
    return chosen(Coupon.objects.filter(study=study, pk__in=keys), "those ticked in the table")


def chosen(rows: QuerySet[Coupon], words: str) -> Selection:
    coupons: list[Any] = list(rows.select_related("study").order_by("pk"))
    return Selection(coupons, words)
