"""Why repairs failed, across studies."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from hashlib import sha256
from typing import Any

from django.core.cache import cache
from django.db.models import Count, Max, QuerySet
from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe
from django_tables2 import RequestConfig

from labbench.bench.models import Inspection, Repair
from labbench.bench.queries import FailureCount, failure_counts, failures
from labbench.formats.cell_text import guarded
from labbench.lab.models import Lamp, ResinLot
from labbench.pages.bench.filters import FailureFilter, edge_condition
from labbench.pages.bench.tables import FailureTable
from labbench.studies.blinding import hidden_from, inspects_blind
from labbench.studies.models import Coupon

MOST_ROWS_OF_A_COUNT = 12
COLUMNS = (
    "study", "coupon", "role", "outcome", "failure_mode", "round", "step", "crack_growth_mm", "seen_at", "inspector",
    "resin", "resin_lot", "lamp", "cover", "distance_mm", "cure_time_s", "irradiance_mw_cm2", "dose_mj_cm2",
    "technician", "repaired_at", "break_type", "size_mm", "legs", "edge_distance_mm", "near_edge",
)  # fmt: skip
SHOWN = (
    "coupon__study", "coupon__repair__resin_lot__resin", "coupon__repair__lamp", "coupon__repair__technician", "inspector",
)  # fmt: skip


def visible_failures(request: HttpRequest) -> QuerySet[Inspection]:
    """All failures but those of studies in which this person inspects blind: lot and lamp would give the arm away."""
    return failures().exclude(hidden_from(request.user, "coupon__study__"))


@require_safe
def failure_list(request: HttpRequest) -> HttpResponse:
    rows = visible_failures(request)
    chosen = FailureFilter(request.GET, queryset=rows)
    found = chosen.qs if chosen.form.is_valid() else rows.none()
    modes, lots, lamps, lots_of, lamps_of = counts_of(request, chosen, found)
    table = FailureTable(found.select_related(*SHOWN).order_by("-seen_at"))
    # The counts have counted them all already.
    table.data._length = sum(row.seen for row in modes.values())
    RequestConfig(request, paginate={"per_page": 50}).configure(table)
    context = {
        "filter": chosen,
        "table": table,
        "counts": [
            ("By mode", "mode", most(modes.values()), False),
            (
                "By resin lot",
                "lot",
                most(named(lots, ResinLot.objects.select_related("resin"), lots_of)),
                True,
            ),
            ("By lamp", "lamp", most(named(lamps, Lamp.objects.all(), lamps_of)), True),
        ],
        "query": request.GET.urlencode(),
        "is_narrowed": inspects_blind(request.user),
    }
    return render(request, "bench/failures.html", context)


def repairs_like(chosen: FailureFilter, request: HttpRequest) -> QuerySet[Repair]:
    """Repairs that fit what the filters say about coupons: the number that failures are counted out of."""
    rows = Repair.objects.order_by().exclude(hidden_from(request.user, "coupon__study__"))
    given = chosen.form.cleaned_data if chosen.form.is_valid() else {}
    paths = {
        "study": "coupon__study",
        "resin": "resin_lot__resin",
        "lot": "resin_lot",
        "lamp": "lamp",
        "technician": "technician",
    }
    rows = rows.filter(**{path: given[name] for name, path in paths.items() if given.get(name)})
    return rows.filter(edge_condition(given["edge"], "coupon__")) if given.get("edge") else rows


def counts_of(request: HttpRequest, chosen: FailureFilter, found: QuerySet[Inspection]) -> tuple[dict[Any, Any], ...]:
    """The failures by mode, lot and lamp, and the repairs by lot and lamp.

    Counting looks at every failure of the lab, so it is kept until something is recorded: each record and each
    correction adds a row to a history, whose last number is part of the key.
    """
    # What a blind inspector sees also depends on which studies are open.
    is_kept = not inspects_blind(request.user)
    last = [model.history.aggregate(Max("history_id"))["history_id__max"] for model in (Inspection, Repair, Coupon)]
    given = chosen.form.cleaned_data if chosen.form.is_valid() else {"refused": True}
    asked = [(name, str(getattr(value, "pk", value))) for name, value in given.items()]
    key = f"failures-{sha256(repr((last, asked)).encode()).hexdigest()}"
    counts = cache.get(key) if is_kept else None
    if counts is None:
        repaired = repairs_like(chosen, request)
        out_of = [dict(repaired.values_list(path).annotate(Count("pk"))) for path in ("resin_lot", "lamp")]
        # Plain dicts: those that make up missing keys can not be kept.
        counts = (*(dict(one) for one in failure_counts(found)), *out_of)
        if is_kept:
            cache.set(key, counts, 3600)
    return counts


def named(counts: dict[Any, FailureCount], records: QuerySet[Any], out_of: dict[Any, int]) -> list[FailureCount]:
    """The counts with the names of their records, and how many coupons were repaired with each."""
    names = {record.pk: str(record) for record in records.filter(pk__in=[key for key in counts if key is not None])}
    for key, row in counts.items():
        row.name = names.get(key, "not recorded")
        row.of = out_of.get(key, 0)
    return list(counts.values())


def most(rows: Any) -> dict[str, Any]:
    """The rows with the most failures, and how many more there are."""
    ordered = sorted(rows, key=lambda row: (-row.cracked_out, -row.other, row.name))
    shown = ordered[:MOST_ROWS_OF_A_COUNT]
    return {"rows": shown, "left": len(ordered) - len(shown), "largest": max((row.seen for row in shown), default=1)}


class Echo:
    """A file that gives back what is written to it."""

    def write(self, text: str) -> str:
        return text


@require_safe
def failure_csv(request: HttpRequest) -> StreamingHttpResponse:
    """The list with its filters, every row, as CSV."""
    rows = visible_failures(request)
    chosen = FailureFilter(request.GET, queryset=rows)
    found = chosen.qs if chosen.form.is_valid() else rows.none()
    writer = csv.writer(Echo())

    def lines() -> Iterator[str]:
        yield writer.writerow(COLUMNS)
        for row in found.select_related(*SHOWN).order_by("-seen_at", "pk").iterator(chunk_size=2000):
            yield writer.writerow([cell(value) for value in values_of(row)])

    answer = StreamingHttpResponse(lines(), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="failures-{timezone.localdate()}.csv"'
    return answer


def values_of(look: Inspection) -> list[Any]:
    coupon = look.coupon
    repair: Repair | None = getattr(coupon, "repair", None)
    made: list[Any] = [None] * 10
    if repair is not None:
        made = [
            repair.resin_lot.resin.name, repair.resin_lot.code, repair.lamp.code, "on" if repair.is_cover_on else "off",
            repair.distance_mm, repair.cure_time_s, repair.irradiance_mw_cm2, repair.dose_mj_cm2,
            str(repair.technician), repair.repaired_at,
        ]  # fmt: skip
    return [
        coupon.study.code, coupon.code, coupon.role, look.outcome, look.failure_mode, look.round_number, look.step_number,
        look.crack_growth_mm, look.seen_at, str(look.inspector), *made, coupon.break_type, coupon.size_mm, coupon.legs,
        coupon.edge_distance_mm, "yes" if coupon.is_near_edge else "" if coupon.edge_distance_mm is None else "no",
    ]  # fmt: skip


def cell(value: Any) -> Any:
    """A value as a spreadsheet may read it: no text that would be run as a formula, times in the lab's own time."""
    if value is None:
        return ""
    if hasattr(value, "tzinfo"):
        return timezone.localtime(value).isoformat(timespec="minutes")
    return guarded(value) if isinstance(value, str) else value
