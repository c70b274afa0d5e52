"""Run a queue worker: it takes jobs until it is stopped, and picks up what dead workers left."""

from __future__ import annotations

import logging
import os
import signal
import sys
import threading
from datetime import datetime
from typing import Any

from celery import current_app
from celery.signals import worker_ready
from django.conf import settings
from django.core.management.base import BaseCommand, CommandParser
from django.db import close_old_connections, connection
from django.utils import timezone

from labbench.jobs.services import recover

log = logging.getLogger(__name__)
SWEEP_SECONDS = 10


class Command(BaseCommand):
    help = "Run a queue worker until it is stopped (Ctrl-C or SIGTERM: the running job is finished first)."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--concurrency", type=int, default=1, help="jobs at the same time (default 1)")
        parser.add_argument(
            "--stop-with-parent",
            action="store_true",
            help="stop when standard input is closed (set by `serve` and `demo`)",
        )

        parser.add_argument(
            "--since",
            type=moment,
            help="when this worker was started, as ISO time with a zone (set by `serve` and `demo`; default now)",
        )

    def handle(
        self, *args: Any, concurrency: int, stop_with_parent: bool, since: datetime | None = None, **options: Any
    ) -> None:
        if stop_with_parent:
            threading.Thread(target=stop_on_end_of_input, daemon=True).start()
        # No worker before this one can have taken and lost what is queued from here on.
        started_at = since or timezone.now()
        worker_ready.connect(lambda **_: start_sweeping(started_at), weak=False)
        # Threads: prefork does not exist on Windows, and SQLite has one writer anyway.
        pool = "threads" if settings.QUEUE_IS_EMBEDDED or sys.platform == "win32" else "prefork"
        current_app.worker_main(
            [
                "worker",
                "-P",
                pool,
                "-c",
                str(concurrency),
                "--without-gossip",
                "--without-mingle",
                "--loglevel",
                "WARNING",
                "-Q",
                settings.CELERY_TASK_DEFAULT_QUEUE,
            ]
        )


def moment(text: str) -> datetime:
    """An ISO time with its zone. ValueError without one."""
    at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError(text)
    return at


def stop_on_end_of_input() -> None:
    """Ask this process to stop when the parent closes the pipe or dies; one signal, not the terminal's as well."""
    while os.read(0, 64):
        pass
    os.kill(os.getpid(), signal.SIGTERM)


def start_sweeping(started_at: datetime) -> None:
    threading.Thread(target=sweep, args=(started_at,), daemon=True).start()


def sweep(started_at: datetime) -> None:
    """At the start and from time to time: put back on the queue what nobody works on."""
    alone_since = started_at if settings.QUEUE_IS_EMBEDDED else None
    while True:
        try:
            if count := recover(alone_since=alone_since):
                log.info("%d job(s) sent to the queue again", count)
            alone_since = None
        except Exception:  # the sweep must outlive a database that restarts
            log.warning("The sweep for abandoned jobs failed; it is tried again", exc_info=True)
            close_old_connections()
        finally:
            connection.close()
        threading.Event().wait(SWEEP_SECONDS)
