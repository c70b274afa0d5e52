"""A real installation of its own for tests that need more than one process: database, queue, worker, server.

It stands on the same kind of database and broker as the test run: SQLite and the embedded queue, or what DATABASE_URL and
LABBENCH_BROKER_URL name (then in a database of its own on that server).
"""

from __future__ import annotations

import atexit
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from shutil import copyfile, rmtree
from tempfile import mkdtemp
from urllib.parse import urlsplit, urlunsplit
from uuid import uuid4

import psycopg

ROOT = Path(__file__).resolve().parent.parent


class Installation:
    """Environment, processes and a plain look into the database."""

    def __init__(
        self, folder: Path, *, settings: str = "labbench.config.settings", embedded: bool = False, pattern: str = ""
    ) -> None:
        self.folder = folder
        self.processes: list[subprocess.Popen[bytes]] = []
        server = None if embedded else os.environ.get("DATABASE_URL")
        self.database = f"labbench_{uuid4().hex[:12]}" if server else ""
        self.server_url = server or ""
        self.environment = {
            **{
                k: v
                for k, v in os.environ.items()
                if k not in {"DATABASE_URL", "LABBENCH_BROKER_URL", "LABBENCH_DEBUG"}
            },
            "LABBENCH_DATA_DIR": str(folder),
            "DJANGO_SETTINGS_MODULE": settings,
            "PYTHONPATH": str(ROOT),
            "PYTHONUNBUFFERED": "1",
        }
        if server:
            with psycopg.connect(server, autocommit=True) as connection:
                copied = f' TEMPLATE "{pattern}"' if pattern else ""
                connection.execute(f'CREATE DATABASE "{self.database}"{copied}')
            self.url = urlunsplit(urlsplit(server)._replace(path=f"/{self.database}"))
            self.environment["DATABASE_URL"] = self.url
        if not embedded and (broker := os.environ.get("LABBENCH_BROKER_URL")):
            self.environment["LABBENCH_BROKER_URL"] = broker
            # Else the worker of another installation takes its messages.
            self.environment["LABBENCH_QUEUE"] = f"labbench_{uuid4().hex[:12]}"

    def manage(self, *arguments: str) -> str:
        """Run a command to its end and give what it printed."""
        done = subprocess.run(
            [sys.executable, "manage.py", *arguments],
            cwd=ROOT,
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=300,
        )
        assert done.returncode == 0, done.stderr or done.stdout
        return done.stdout

    def start(self, *arguments: str) -> subprocess.Popen[bytes]:
        """Start a command in a process group of its own."""
        with (self.folder / f"process-{len(self.processes)}.log").open("wb") as log:
            process = subprocess.Popen(
                [sys.executable, "manage.py", *arguments],
                cwd=ROOT,
                env=self.environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        self.processes.append(process)
        return process

    def logs(self) -> str:
        return "\n".join(path.read_text(errors="replace") for path in sorted(self.folder.glob("process-*.log")))

    def row(self, query: str) -> tuple | None:
        """The first row of a query."""
        if self.database:
            with psycopg.connect(self.url) as connection:
                return connection.execute(query).fetchone()
        connection = sqlite3.connect(self.folder / "labbench.sqlite3", timeout=20)
        try:
            return connection.execute(query).fetchone()
        finally:
            connection.close()

    def wait(self, reached: Callable[[], bool], what: str, seconds: float = 90) -> None:
        """Wait until something is so; fail with the processes' logs if it never is."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if reached():
                return
            time.sleep(0.1)
        raise AssertionError(f"{what} did not happen within {seconds} s\n{self.logs()}")

    def stop(self) -> None:
        for process in self.processes:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        if self.database:
            with psycopg.connect(self.server_url, autocommit=True) as connection:
                connection.execute(f'DROP DATABASE IF EXISTS "{self.database}" WITH (FORCE)')


@cache
def pattern(*, embedded: bool) -> Installation:
    """An installation with its tables made that the others are copies of: making them takes seconds."""
    made = Installation(Path(mkdtemp(prefix="labbench-pattern-")), embedded=embedded)
    atexit.register(rmtree, made.folder)
    atexit.register(made.stop)
    made.manage("migrate", "-v", "0")
    return made


@contextmanager
def installed(folder: Path, *, embedded: bool = False, **options) -> Iterator[Installation]:
    """An installation with its tables made, taken down afterwards whatever happens."""
    filled = pattern(embedded=embedded)
    made = Installation(folder, embedded=embedded, pattern=filled.database, **options)
    try:
        if not made.database:
            copyfile(filled.folder / "labbench.sqlite3", folder / "labbench.sqlite3")
        yield made
    finally:
        made.stop()
