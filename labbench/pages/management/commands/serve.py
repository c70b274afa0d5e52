"""Serve the pages, and run the worker of the embedded queue beside them."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor

from labbench.jobs.worker_process import WorkerProcess
from labbench.pages.server import PortTaken, address_of, collect_static, interruptible, listen, server_on


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
                serve(self, host=host, port=port, worker=worker)
        except PortTaken as taken:
            raise CommandError(str(taken)) from taken


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


def serve(
    command: BaseCommand,
    *,
    host: str,
    port: int,
    worker: WorkerProcess | None,
    further_ports: int = 0,
    welcome: str = "",
) -> None:
    """Serve until interrupted, then stop the worker too. `welcome` may say {address}."""
    listening = listen(host, port, further_ports=further_ports)
    server = None
    try:
        if worker is not None and worker.pid is None:
            worker.start()
        collect_static()
        server = server_on(listening)
        command.stdout.write((welcome or "Serving {address}  (Ctrl-C stops)").format(address=address_of(listening)))
        command.stdout.flush()
        server.run()
    except KeyboardInterrupt:
        pass
    finally:
        # `run` itself takes an interrupt as the end and finishes the answers under way.
        if server is not None:
            server.close()
        listening.close()
        if worker is not None:
            command.stdout.write("Stopping ...")
            worker.stop()
    command.stdout.write("Stopped.")
