"""Where the result of a finished job is to be seen."""

from __future__ import annotations

from django.urls import reverse

from labbench.analysis.models import Analysis
from labbench.analysis.plan_comparisons import TASK as PLANS
from labbench.analysis.services import TASK as ANALYSIS
from labbench.bench.chamber_gains import TASK as GAINS
from labbench.bench.chamber_plans import TASK as CHAMBERS
from labbench.bench.traces import TASK as TRACE
from labbench.jobs.models import Job
from labbench.studies.models import Study


def study_of(job: Job) -> Study | None:
    """The study that a job works for."""
    if job.task == ANALYSIS:
        analysis = Analysis.objects.filter(job=job).select_related("study").only("study").first()
        return analysis.study if analysis else None
    return Study.objects.filter(pk=job.arguments.get("study")).first()


def place_of(job: Job, study: Study | None) -> str:
    """The address of what a job made; "" where it has none."""
    if job.task == CHAMBERS:
        return reverse("chamber-plan", args=[job.chamber_plan.pk])
    if job.task == GAINS:
        return f"{reverse('chamber-plan', args=[job.plan_alternatives.plan_id])}#gains"
    if study is None:
        return ""
    if job.task == TRACE:
        return reverse("trace", args=[job.arguments["trace"]])
    page = {ANALYSIS: "study-results", PLANS: "study-plan"}.get(job.task, "study")
    return reverse(page, kwargs={"code": study.code})
