"""A queue worker as a child process: started again when it dies, and never left behind."""

from __future__ import annotations

import logging
import subprocess
import sys
import threading
from collections.abc import Sequence
from typing import Any

from django.conf import settings
from django.utils import timezone

log = logging.getLogger(__name__)

FIRST_DELAY_SECONDS = 1.0
LONGEST_DELAY_SECONDS = 60.0
SETTLED_SECONDS = 60.0
GRACE_SECONDS = 15.0
# Whoever starts the server chooses the account; the worker's own word about it would be said at every start.
QUIETLY = ["-W", "ignore:You're running the worker with superuser"]
WORKER = [sys.executable, *QUIETLY, "manage.py", "worker", "--stop-with-parent"]


class WorkerProcess:
    """Keeps one worker running until `stop`.

    The child reads its standard input and ends when that is closed: by `stop`, or by the system when this process is
    killed. It is in a session of its own, so that Ctrl-C in a terminal reaches this process only.
    """

    def __init__(self, command: Sequence[str] | None = None) -> None:
        self._given = command
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._watcher = threading.Thread(target=self._watch, name="worker-watcher", daemon=True)

    @property
    def command(self) -> list[str]:
        """The worker is told when it was started: until it can look at the clock itself jobs may have been queued."""
        return list(self._given or [*WORKER, "--since", timezone.now().isoformat()])

    def start(self) -> None:
        self._spawn()
        self._watcher.start()

    @property
    def pid(self) -> int | None:
        return self._process.pid if self._process else None

    def stop(self, *, grace_seconds: float = GRACE_SECONDS) -> None:
        """Ask the worker to finish, wait, then kill it. A second interrupt while waiting kills it at once."""
        self._stopping.set()
        with self._lock:
            process = self._process
        if process is None:
            return
        try:
            if process.stdin:
                process.stdin.close()
            process.wait(grace_seconds)
        except subprocess.TimeoutExpired:
            log.warning(
                "The worker did not finish in %.0f s and is killed; its job is done again at the next start.",
                grace_seconds,
            )
        except KeyboardInterrupt:
            log.warning("The worker is killed; its job is done again at the next start.")
        finally:
            if process.poll() is None:
                process.kill()
                process.wait()

    def _spawn(self) -> None:
        with self._lock:
            if self._stopping.is_set():
                return
            own_group: dict[str, Any] = (
                {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}  # type: ignore[attr-defined]
                if sys.platform == "win32"
                else {"start_new_session": True}
            )
            self._process = subprocess.Popen(
                self.command,
                cwd=settings.BASE_DIR,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,  # only a banner; what matters goes to standard error
                **own_group,
            )

    def _watch(self) -> None:
        """Start the worker again whenever it ends, later each time unless it had run well in between."""
        delay = FIRST_DELAY_SECONDS
        while not self._stopping.is_set():
            try:
                assert self._process is not None
                self._process.wait(SETTLED_SECONDS)
            except subprocess.TimeoutExpired:
                delay = FIRST_DELAY_SECONDS
                continue
            if self._stopping.is_set():
                return
            if self._process.stdin:
                self._process.stdin.close()
            log.warning("The worker ended (%s); it is started again in %.0f s.", self._process.returncode, delay)
            if self._stopping.wait(delay):
                return
            delay = min(2 * delay, LONGEST_DELAY_SECONDS)
            try:
                self._spawn()
            except OSError:
                log.exception("The worker could not be started")
