"""A real worker over the queue of this run: killed, cancelled, stopped, started late."""

import os
import signal

import pytest

from tests.installation import installed

pytestmark = pytest.mark.worker


@pytest.fixture
def lab(tmp_path):
    with installed(tmp_path, settings="tests.jobs.slow_settings") as made:
        yield made


def enqueue(lab, steps):
    code = (
        "from labbench.jobs.services import enqueue; "
        f"print(enqueue(task='tests.slow', title='slow', arguments={{'steps': {steps}}}).pk)"
    )
    return lab.manage("shell", "-v", "0", "-c", code).strip().splitlines()[-1]


def job(lab):
    return lab.row("SELECT state, runs, done FROM jobs_job")


def is_at_work(lab):
    row = job(lab)
    return row[0] == "running" and row[2] > 0


def test_a_job_queued_before_the_worker_starts_is_done(lab):
    enqueue(lab, 3)
    lab.start("worker")
    lab.wait(lambda: job(lab)[:2] == ("done", 1), "the job's end")


def test_the_job_of_a_killed_worker_is_done_again_by_the_next(lab):
    enqueue(lab, 60)
    first = lab.start("worker")
    lab.wait(lambda: is_at_work(lab), "the job's start")
    os.killpg(first.pid, signal.SIGKILL)
    lab.start("worker")
    lab.wait(lambda: job(lab)[:2] == ("done", 2), "the second run's end")


def test_a_running_job_is_cancelled(lab):
    enqueue(lab, 6000)
    lab.start("worker")
    lab.wait(lambda: is_at_work(lab), "the job's start")
    lab.manage(
        "shell",
        "-v",
        "0",
        "-c",
        "from labbench.jobs.models import Job; from labbench.jobs.services import cancel; cancel(job=Job.objects.get())",
    )
    lab.wait(lambda: job(lab)[0] == "cancelled", "the cancellation")


def test_a_worker_asked_to_stop_finishes_its_job_first(lab):
    enqueue(lab, 20)
    worker = lab.start("worker")
    lab.wait(lambda: is_at_work(lab), "the job's start")
    os.kill(worker.pid, signal.SIGTERM)
    assert worker.wait(timeout=60) == 0
    assert job(lab)[:2] == ("done", 1)
