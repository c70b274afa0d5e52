"""Queue tasks of the analyses: each takes the number of a job and calls one service."""

from celery import shared_task

from labbench.analysis.plan_comparisons import TASK as PLANS_TASK
from labbench.analysis.plan_comparisons import compute_comparison
from labbench.analysis.services import TASK, compute_analysis
from labbench.jobs.services import running

STUDIES_TASK = "labbench.analysis.play_studies"


@shared_task(name=TASK)
def analyse(job_id: str) -> None:
    with running(job_id) as hold:
        if hold is not None:
            compute_analysis(hold)


@shared_task(name=STUDIES_TASK)
def play_studies(job_id: str) -> None:
    # slow import: scipy
    from labbench.analysis.simulated_studies import play_for_queue

    with running(job_id) as hold:
        if hold is not None:
            play_for_queue(hold)


@shared_task(name=PLANS_TASK)
def compare_plans(job_id: str) -> None:
    with running(job_id) as hold:
        if hold is not None:
            compute_comparison(hold)
