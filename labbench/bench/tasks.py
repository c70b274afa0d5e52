"""Queue tasks of the bench."""

from celery import shared_task
from django.utils import timezone

from labbench.bench.chamber_gains import TASK as GAINS_TASK
from labbench.bench.chamber_gains import run_gains
from labbench.bench.chamber_plans import TASK as PLAN_TASK
from labbench.bench.chamber_plans import run_plan
from labbench.bench.staging import TASK, run_intake
from labbench.bench.traces import TASK as TRACE_TASK
from labbench.bench.traces import run_evaluation
from labbench.jobs.services import running


@shared_task(name=TASK)
def take_in_sheet(job_id: str) -> None:
    with running(job_id) as hold:
        if hold is not None:
            run_intake(hold, now=timezone.now())


@shared_task(name=TRACE_TASK)
def evaluate_trace(job_id: str) -> None:
    with running(job_id) as hold:
        if hold is not None:
            run_evaluation(hold)


@shared_task(name=PLAN_TASK)
def plan_the_chambers(job_id: str) -> None:
    with running(job_id) as hold:
        if hold is not None:
            run_plan(hold)


@shared_task(name=GAINS_TASK)
def find_gains(job_id: str) -> None:
    with running(job_id) as hold:
        if hold is not None:
            run_gains(hold)
