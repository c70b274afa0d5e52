"""The list of studies."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe
from django_tables2 import RequestConfig

from labbench.analysis.verdicts import last_verdicts
from labbench.pages.studies.filters import StudyFilter
from labbench.pages.studies.tables import StudyTable
from labbench.studies.blinding import is_blinded
from labbench.studies.queries import stage_counts, studies_with_lead

PER_PAGE = 20


@require_safe
def studies(request: HttpRequest) -> HttpResponse:
    """All studies; coupons and verdicts are looked up for those of the page alone."""
    filtered = StudyFilter(request.GET or None, queryset=studies_with_lead())
    table = StudyTable(filtered.qs)
    RequestConfig(request, paginate={"per_page": PER_PAGE}).configure(table)
    shown = [row.record for row in table.paginated_rows]
    ids = [one.pk for one in shown]
    # A verdict names the arms that fail.
    table.hidden = {one.pk for one in shown if is_blinded(request.user, one)}
    table.coupons, table.verdicts = stage_counts(ids), last_verdicts([pk for pk in ids if pk not in table.hidden])
    is_filtered = any(request.GET.get(name) for name in ("q", "state"))
    context = {"table": table, "filter": filtered, "is_filtered": is_filtered, "has_rows": bool(ids)}
    return render(request, "studies/studies.html", context)
