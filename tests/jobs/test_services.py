"""Jobs: claimed once, cancelled, tried again, recovered; whatever brokers lose or repeat."""

from datetime import timedelta
from uuid import uuid4

import pytest
from celery import current_app, shared_task
from django.core.exceptions import ValidationError
from django.utils import timezone

from labbench.jobs.models import Job
from labbench.jobs.services import (
    LOST_MESSAGE_SECONDS,
    MOST_RUNS,
    STALE_SECONDS,
    JobRefused,
    cancel,
    claim,
    enqueue,
    recover,
    retry,
    running,
)

pytestmark = pytest.mark.django_db


@shared_task(name="tests.count")
def count_to_three(job_id: str) -> None:
    with running(job_id) as hold:
        if hold is not None:
            for step in range(1, 4):
                hold.progress(step, 3, f"step {step}")


def job(**details) -> Job:
    now = timezone.now()
    return Job.objects.create(task="tests.count", title="count", created_at=now, queued_at=now, **details)


def silent_since(seconds: float, **details) -> Job:
    before = timezone.now() - timedelta(seconds=seconds)
    return job(state="running", runs=1, run_token=uuid4(), started_at=before, heartbeat_at=before, **details)


def test_a_job_runs_to_its_end(eager_queue, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True):
        made = enqueue(task="tests.count", title="count", arguments={})
    made.refresh_from_db()
    assert (made.state, made.done, made.total, made.runs) == ("done", 3, 3, 1)


def test_a_repeated_message_finds_nothing_to_do():
    made = job()
    assert claim(made.pk) is not None
    assert claim(made.pk) is None


def test_a_job_whose_worker_went_silent_can_be_taken_over_and_the_first_worker_must_stop():
    made = job()
    first = claim(made.pk)
    Job.objects.filter(pk=made.pk).update(heartbeat_at=timezone.now() - timedelta(seconds=STALE_SECONDS + 1))
    second = claim(made.pk)
    assert second is not None
    assert not first.end("done")
    assert second.end("done")


def test_a_failure_keeps_its_reason():
    made = job()
    with running(made.pk):
        raise JobRefused("There is nothing to analyse yet.")
    made.refresh_from_db()
    assert (made.state, made.reason) == ("failed", "There is nothing to analyse yet.")


def test_an_unexpected_error_is_named_without_its_traceback(caplog):
    made = job()
    with running(made.pk):
        raise ZeroDivisionError("secret path")
    made.refresh_from_db()
    assert made.state == "failed"
    assert "ZeroDivisionError" in made.reason
    assert "secret path" not in made.reason
    assert "secret path" in caplog.text


def test_cancelling_a_waiting_job_ends_it():
    assert cancel(job=job()).state == "cancelled"


def test_cancelling_a_running_job_stops_it_at_its_next_sign_of_progress():
    made = job()
    with running(made.pk) as hold:
        hold.progress(1, 10)
        cancel(job=made)
        hold.progress(10, 10)
        pytest.fail("progress after a cancellation must stop the task")
    made.refresh_from_db()
    assert made.state == "cancelled"


def test_a_failed_job_can_be_tried_again_and_a_done_one_can_not():
    failed = job(state="failed", finished_at=timezone.now(), runs=2, reason="no")
    assert (retry(job=failed).state, failed.runs, failed.reason) == ("queued", 0, "")
    with pytest.raises(ValidationError, match="This job is done"):
        retry(job=job(state="done", finished_at=timezone.now()))


def test_the_only_worker_takes_up_every_open_job_at_its_start(eager_queue):
    made = [silent_since(0), job()]
    assert recover(alone_since=timezone.now()) == 2
    assert {Job.objects.get(pk=m.pk).state for m in made} == {"done"}


def test_the_only_worker_leaves_alone_what_was_queued_or_begun_since_its_start(eager_queue):
    start = timezone.now()
    waiting, own = job(), job()
    assert claim(own.pk) is not None
    assert recover(alone_since=start) == 0
    assert [Job.objects.get(pk=m.pk).state for m in (waiting, own)] == ["queued", "running"]
    assert claim(own.pk) is None


def test_a_message_lost_after_the_start_of_the_only_worker_is_sent_again_by_a_later_sweep(eager_queue):
    start = timezone.now()
    made = job()
    assert recover(alone_since=start) == 0
    Job.objects.filter(pk=made.pk).update(queued_at=start - timedelta(seconds=LOST_MESSAGE_SECONDS + 1))
    assert recover() == 1
    assert Job.objects.get(pk=made.pk).state == "done"


def test_several_workers_go_by_the_heartbeat(eager_queue):
    alive, silent = silent_since(1), silent_since(STALE_SECONDS + 5)
    assert recover() == 1
    assert (Job.objects.get(pk=alive.pk).state, Job.objects.get(pk=silent.pk).state) == ("running", "done")


def test_a_job_that_kills_its_worker_is_given_up():
    made = silent_since(STALE_SECONDS + 5)
    Job.objects.filter(pk=made.pk).update(runs=MOST_RUNS)
    assert claim(made.pk) is None
    made.refresh_from_db()
    assert made.state == "failed"
    assert "stopped 3 times" in made.reason


def test_an_unreachable_queue_loses_nothing(monkeypatch, django_capture_on_commit_callbacks, caplog):
    def unreachable(*_args, **_kwargs):
        raise current_app.connection().connection_errors[0]("no route")

    monkeypatch.setattr(current_app, "send_task", unreachable)
    with django_capture_on_commit_callbacks(execute=True):
        made = enqueue(task="tests.count", title="count", arguments={})
    assert Job.objects.get(pk=made.pk).state == "queued"
    assert "waits as a row" in caplog.text
