"""A task that takes its time, so that something can happen to its worker meanwhile."""

import time

from celery import shared_task

from labbench.jobs.services import running


@shared_task(name="tests.slow")
def slow(job_id: str) -> None:
    with running(job_id) as hold:
        if hold is not None:
            steps = hold.job.arguments["steps"]
            for step in range(1, steps + 1):
                time.sleep(0.1)
                hold.progress(step, steps, "slowly")
