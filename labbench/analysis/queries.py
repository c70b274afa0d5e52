"""Named questions to the analyses."""

from __future__ import annotations

from django.db.models import QuerySet

from labbench.analysis.models import Analysis
from labbench.studies.models import Study


def analyses_of(study: Study) -> QuerySet[Analysis]:
    """A study's analyses, newest first, without the two large texts."""
    return (
        Analysis.objects.filter(study=study)
        .select_related("job", "requested_by")
        .defer("sheet_csv", "result", "parameters")
        .order_by("-requested_at", "-id")
    )


def newest_analysis(study: Study) -> Analysis | None:
    """The analysis of the study as planned that was asked for last, whatever became of it."""
    return analyses_of(study).filter(choice={}).first()


def other_choices(study: Study) -> QuerySet[Analysis]:
    """Analyses of other choices of factors and coupons, newest first."""
    return analyses_of(study).exclude(choice={})


def newest_answer(study: Study) -> Analysis | None:
    """The newest analysis of the study as planned that has a result, whole."""
    return (
        Analysis.objects.filter(study=study, finished_at__isnull=False, choice={})
        .select_related("job", "requested_by", "study")
        .order_by("-requested_at", "-id")
        .first()
    )


def newest_answer_pk(study: Study) -> int | None:
    """Which analysis the newest answer is, without reading it."""
    answers = Analysis.objects.filter(study=study, finished_at__isnull=False, choice={})
    return answers.order_by("-requested_at", "-id").values_list("pk", flat=True).first()
