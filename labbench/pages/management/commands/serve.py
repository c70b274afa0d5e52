"""Serve the pages, and run the worker of the embedded queue beside them."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor

from labbench.jobs.worker_process import WorkerProcess
from labbench.pages.server import PortTaken, address_of, interruptible, listen, serve


class Command(BaseCommand):
    help = "Serve the pages until Ctrl-C or SIGTERM; with the embedded queue, a worker runs beside them."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default="127.0.0.1", help="address to listen at (default: this machine only)")
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument("--no-worker", action="store_true", help="start no worker (one is run elsewhere)")

    def handle(self, *args: Any, host: str, port: int, no_worker: bool, **options: Any) -> None:
        refuse_outdated_database()
        worker = WorkerProcess() if settings.QUEUE_IS_EMBEDDED and not no_worker else None
        try:
            with interruptible():
                listening = listen(host, port)
                serve(listening, worker=worker, say=self.say, welcome=f"Serving {address_of(listening)} (Ctrl-C stops)")
        except PortTaken as taken:
            raise CommandError(str(taken)) from taken

    def say(self, text: str) -> None:
        self.stdout.write(text)
        self.stdout.flush()


def refuse_outdated_database() -> None:
    """CommandError in words where the tables are not those of this version."""
    try:
        executor = MigrationExecutor(connection)
        outdated = executor.migration_plan(executor.loader.graph.leaf_nodes())
    except DatabaseError as error:
        raise CommandError(f"The database can't be used: {str(error).strip()}") from error
    finally:
        connection.close()
    if outdated:
        raise CommandError("The database is not up to date with this version. Run: python manage.py migrate")
