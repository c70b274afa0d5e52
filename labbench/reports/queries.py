"""Named questions to the reports."""

from __future__ import annotations

from django.db.models import QuerySet

from labbench.analysis.models import Analysis
from labbench.reports.models import Report


def reports_of(analysis: Analysis) -> QuerySet[Report]:
    """The reports issued on an analysis, newest first, with their signatures, without their bytes."""
    return (
        Report.objects.filter(analysis=analysis)
        .select_related("created_by")
        .prefetch_related("signatures__person")
        .defer("pdf")
        .order_by("-number")
    )
