"""What happens to jobs: queued, claimed, beating, ended, cancelled, tried again, recovered.

A worker may die at any moment and a broker may lose or repeat a message. The row decides: a job is claimed by one
conditional update, every later write carries the claim's token, and whoever finds a claim whose heartbeat has stopped
may take it over. Tasks must be safe to run twice.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

from celery import current_app
from django.core.exceptions import ValidationError
from django.db import close_old_connections, connection, transaction
from django.db.models import F, Q
from django.utils import timezone

from labbench.jobs.models import Job

log = logging.getLogger(__name__)

HEARTBEAT_SECONDS = 3
STALE_SECONDS = 20
LOST_MESSAGE_SECONDS = 60
MOST_RUNS = 3


class JobStopped(Exception):
    """Raised inside a task at its next sign of progress: the job was cancelled, or another worker has taken it over."""


class JobRefused(Exception):
    """Raised by a task for a reason that its user should read; trying again without a change would not help."""


@transaction.atomic
def enqueue(*, task: str, title: str, arguments: dict[str, Any], requested_by: Any = None) -> Job:
    """Store a job and send its number to the queue when the transaction is through."""
    now = timezone.now()
    job = Job(
        task=task, title=title[:200], arguments=arguments, requested_by=requested_by, created_at=now, queued_at=now
    )
    job.save()
    transaction.on_commit(lambda: send(job))
    return job


def send(job: Job) -> None:
    """Put the job's number on the queue. A broker that can't be reached is no loss: the workers' sweep finds the row."""
    try:
        current_app.send_task(job.task, args=[str(job.pk)]) if not current_app.conf.task_always_eager else run_here(job)
    except current_app.connection().connection_errors as error:
        log.warning("The queue can't be reached (%s); job %s waits as a row.", error, job.pk)


def run_here(job: Job) -> None:
    """Run the job's task in this process (tests)."""
    current_app.loader.import_default_modules()
    current_app.tasks[job.task].apply(args=[str(job.pk)], throw=True)


@transaction.atomic
def cancel(*, job: Job) -> Job:
    """Ask a job to stop: at once if it waits, else at its next sign of progress. No effect on an ended job."""
    now = timezone.now()
    Job.objects.filter(pk=job.pk, state=Job.State.QUEUED).update(
        state=Job.State.CANCELLED, finished_at=now, is_cancel_requested=True, reason="Cancelled before it started."
    )
    Job.objects.filter(pk=job.pk, state=Job.State.RUNNING).update(is_cancel_requested=True)
    job.refresh_from_db()
    return job


@transaction.atomic
def retry(*, job: Job) -> Job:
    """Queue a failed or cancelled job again. ValidationError if it is waiting, running or done."""
    now = timezone.now()
    changed = Job.objects.filter(pk=job.pk, state__in=[Job.State.FAILED, Job.State.CANCELLED]).update(
        state=Job.State.QUEUED,
        queued_at=now,
        finished_at=None,
        started_at=None,
        heartbeat_at=None,
        run_token=None,
        is_cancel_requested=False,
        reason="",
        message="",
        done=0,
        total=0,
        runs=0,
    )
    job.refresh_from_db()
    if not changed:
        raise ValidationError(
            f"This job is {job.get_state_display()}; only one that failed or was cancelled can be tried again."
        )
    transaction.on_commit(lambda: send(job))
    return job


class Running:
    """The hold of one worker on one job; `progress` keeps the row up to date and stops the task when it must stop."""

    def __init__(self, job: Job, token: UUID) -> None:
        self.job = job
        self.token = token
        self._last: datetime | None = None

    def _own(self) -> Any:
        return Job.objects.filter(pk=self.job.pk, run_token=self.token, state=Job.State.RUNNING)

    def progress(self, done: int, total: int, message: str = "") -> None:
        """Note how far the work is; at most about two writes a second. JobStopped if cancelled or taken over."""
        now = timezone.now()
        if self._last and now - self._last < timedelta(seconds=0.5) and done < total:
            return
        self._last = now
        if (
            not self._own()
            .filter(is_cancel_requested=False)
            .update(done=min(done, total), total=total, message=message[:200], heartbeat_at=now)
        ):
            raise JobStopped

    def beat(self) -> None:
        self._own().update(heartbeat_at=timezone.now())

    def end(self, state: str, reason: str = "") -> bool:
        """Close the row; False if it is no longer ours."""
        return bool(self._own().update(state=state, reason=reason, finished_at=timezone.now(), run_token=None))


def claim(job_id: str | UUID) -> Running | None:
    """Take a waiting job, or a running one whose worker has gone silent; None if it is not to be had."""
    now = timezone.now()
    free = Q(state=Job.State.QUEUED) | Q(
        state=Job.State.RUNNING, heartbeat_at__lt=now - timedelta(seconds=STALE_SECONDS)
    )
    token = uuid4()
    taken = Job.objects.filter(free, pk=job_id).update(
        state=Job.State.RUNNING,
        runs=F("runs") + 1,
        run_token=token,
        started_at=now,
        heartbeat_at=now,
        done=0,
        total=0,
        message="",
    )
    if not taken:
        return None
    running = Running(Job.objects.get(pk=job_id), token)
    if running.job.is_cancel_requested:
        running.end(Job.State.CANCELLED, "Cancelled.")
        return None
    if running.job.runs > MOST_RUNS:
        running.end(
            Job.State.FAILED,
            f"Its worker stopped {MOST_RUNS} times without finishing. Try again, or ask for fewer coupons.",
        )
        return None
    return running


@contextmanager
def running(job_id: str | UUID) -> Iterator[Running | None]:
    """Hold a job while its work is done, and close its row whatever happens.

    Yields None where there is nothing to do: a repeated message, or a job that another worker holds.
    """
    hold = claim(job_id)
    if hold is None:
        yield None
        return
    stop = threading.Event()
    # Under a test's eager run the work shares the caller's transaction, so a second connection could not see the row.
    beating = (
        None if connection.in_atomic_block else threading.Thread(target=keep_beating, args=(hold, stop), daemon=True)
    )
    if beating:
        beating.start()
    try:
        yield hold
    except JobStopped:
        hold.end(Job.State.CANCELLED, "Cancelled.")
    except JobRefused as refused:
        hold.end(Job.State.FAILED, str(refused))
    except Exception as error:
        log.exception("Job %s failed", job_id)
        hold.end(
            Job.State.FAILED,
            f"It stopped on an unexpected error ({type(error).__name__}); the log of the worker says more.",
        )
    else:
        hold.end(Job.State.DONE)
    finally:
        stop.set()
        if beating:
            beating.join()


def keep_beating(hold: Running, stop: threading.Event) -> None:
    """Write the heartbeat until told to stop; a computation that says nothing for a minute is still alive."""
    try:
        while not stop.wait(HEARTBEAT_SECONDS):
            try:
                hold.beat()
            except Exception:  # a locked or restarted database must not end the beating
                # On SQLite it waits while the job itself stores much in one transaction.
                log.info("A heartbeat of job %s was not written", hold.job.pk)
                close_old_connections()
    finally:
        connection.close()


def recover(*, alone_since: datetime | None = None) -> int:
    """Send again what nobody works on; gives how many jobs.

    `alone_since` is when the only worker of an embedded queue started: nobody else works, so it takes every row that was open
    then. What was queued since has its message still, and what was started since is its own work. Several workers (None)
    go by the heartbeat, and by how long a row has waited for a message that may be lost.
    """
    now = timezone.now()
    if alone_since is not None:
        left = Q(state=Job.State.RUNNING, started_at__lt=alone_since)
        Job.objects.filter(left).update(heartbeat_at=now - timedelta(seconds=STALE_SECONDS + 1))
        abandoned = left | Q(state=Job.State.QUEUED, queued_at__lt=alone_since)
    else:
        abandoned = Q(state=Job.State.RUNNING, heartbeat_at__lt=now - timedelta(seconds=STALE_SECONDS)) | Q(
            state=Job.State.QUEUED, queued_at__lt=now - timedelta(seconds=LOST_MESSAGE_SECONDS)
        )
    jobs = list(Job.objects.filter(abandoned))
    # A row that waits in a long queue is not sent again at every sweep.
    Job.objects.filter(pk__in=[job.pk for job in jobs]).update(queued_at=now)
    for job in jobs:
        send(job)
    return len(jobs)
