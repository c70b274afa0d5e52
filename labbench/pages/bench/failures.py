"""Why repairs failed, across studies."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from typing import Any

from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe
from django_tables2 import RequestConfig

from labbench.bench.failure_tallies import Choice, FailureCount, FailureCounts, failure_counts
from labbench.bench.models import Inspection, Repair
from labbench.bench.queries import failures
from labbench.formats.cell_text import guarded
from labbench.lab.models import Lamp, ResinLot
from labbench.pages.bench.filters import FailureFilter
from labbench.pages.bench.tables import FailureTable
from labbench.studies.blinding import hidden_from, inspects_blind
from labbench.studies.models import Study

MOST_ROWS_OF_A_COUNT = 12
COLUMNS = (
    "study", "coupon", "role", "outcome", "failure_mode", "round", "step", "crack_growth_mm", "seen_at", "inspector",
    "resin", "resin_lot", "lamp", "cover", "distance_mm", "cure_time_s", "irradiance_mw_cm2", "dose_mj_cm2",
    "technician", "repaired_at", "break_type", "size_mm", "legs", "edge_distance_mm", "near_edge",
)  # fmt: skip
SHOWN = (
    "coupon__study", "coupon__repair__resin_lot__resin", "coupon__repair__lamp", "coupon__repair__technician", "inspector",
)  # fmt: skip


def hidden_studies(request: HttpRequest) -> frozenset[int]:
    """Studies in which this person inspects blind: lot and lamp would give the arm away."""
    if not inspects_blind(request.user):
        return frozenset()
    return frozenset(Study.objects.filter(hidden_from(request.user)).values_list("pk", flat=True))


def visible_failures(hidden: frozenset[int]) -> QuerySet[Inspection]:
    """All failures but those of the hidden studies."""
    return failures().exclude(coupon__study__in=hidden) if hidden else failures()


@require_safe
def failure_list(request: HttpRequest) -> HttpResponse:
    hidden = hidden_studies(request)
    chosen = FailureFilter(request.GET, queryset=visible_failures(hidden))
    is_valid = chosen.form.is_valid()
    found = chosen.qs if is_valid else chosen.queryset.none()
    counts = failure_counts(choice_of(chosen, hidden)) if is_valid else FailureCounts()
    # The counts have counted them all already.
    table = FailureTable((found if counts.seen else found.none()).select_related(*SHOWN).order_by("-seen_at"))
    table.data._length = counts.seen
    RequestConfig(request, paginate={"per_page": 25}).configure(table)
    context = {
        "filter": chosen,
        "table": table,
        "counts": [
            ("By mode", "mode", most(counts.modes.values()), False),
            (
                "By resin lot",
                "lot",
                most(named(counts.lots, ResinLot.objects.select_related("resin"))),
                True,
            ),
            ("By lamp", "lamp", most(named(counts.lamps, Lamp.objects.all())), True),
        ],
        "query": request.GET.urlencode(),
        "is_narrowed": inspects_blind(request.user),
    }
    return render(request, "bench/failures.html", context)


def choice_of(chosen: FailureFilter, hidden: frozenset[int]) -> Choice:
    """What the filters say, as it is counted."""
    given = {name: value for name, value in chosen.form.cleaned_data.items() if value not in {None, ""}}
    keys = {name: given[name].pk for name in ("study", "lot", "lamp", "technician") if name in given}
    lots = {keys["lot"]} if "lot" in keys else None
    if "resin" in given:
        of_resin = set(ResinLot.objects.filter(resin=given["resin"]).values_list("pk", flat=True))
        lots = of_resin if lots is None else lots & of_resin
    # Which words fit is the database's to say, so that the counts are of the rows shown.
    modes = failures().filter(failure_mode__icontains=given.get("mode", "")).order_by()
    return Choice(
        studies=frozenset({keys["study"]}) if "study" in keys else None,
        not_studies=hidden,
        lots=None if lots is None else frozenset(lots),
        lamp=keys.get("lamp"),
        technician=keys.get("technician"),
        modes=frozenset(modes.values_list("failure_mode", flat=True).distinct()) if "mode" in given else None,
        **{name: given[name] for name in ("edge", "outcome", "seen_from", "seen_to") if name in given},
    )


def named(counts: dict[int | None, FailureCount], records: QuerySet[Any]) -> list[FailureCount]:
    """The counts with the names of their records."""
    names = {record.pk: str(record) for record in records.filter(pk__in=[key for key in counts if key is not None])}
    for key, row in counts.items():
        row.name = names.get(key, "not recorded")
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
    rows = visible_failures(hidden_studies(request))
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
