"""The worker as a child: started again when it dies, stopped by closing its input, killed when it does not listen."""

import sys
import time

import pytest
from django.utils import timezone

from labbench.jobs import worker_process
from labbench.jobs.management.commands.worker import moment
from labbench.jobs.worker_process import WorkerProcess

LISTENS = [sys.executable, "-c", "import sys; sys.stdin.read()"]
IS_DEAF = [sys.executable, "-c", "import time; time.sleep(60)"]


def is_running(pid):
    try:
        return b"python" in open(f"/proc/{pid}/cmdline", "rb").read()
    except FileNotFoundError:
        return False


def until(reached):
    end = time.monotonic() + 20
    while not reached():
        assert time.monotonic() < end
        time.sleep(0.02)


def test_a_worker_that_listens_ends_by_itself():
    worker = WorkerProcess(LISTENS)
    worker.start()
    child = worker._process
    worker.stop()
    assert child.returncode == 0


def test_the_worker_is_told_when_it_was_started():
    before = timezone.now()
    *_, option, at = WorkerProcess().command
    assert option == "--since"
    assert before <= moment(at) <= timezone.now()


def test_a_start_without_a_zone_is_refused():
    with pytest.raises(ValueError, match="2026-11-02T12:00"):
        moment("2026-11-02T12:00")


def test_a_worker_that_does_not_listen_is_killed():
    worker = WorkerProcess(IS_DEAF)
    worker.start()
    child = worker._process
    worker.stop(grace_seconds=0.2)
    assert child.returncode == -9


def test_a_worker_that_dies_is_started_again(monkeypatch):
    monkeypatch.setattr(worker_process, "FIRST_DELAY_SECONDS", 0.05)
    worker = WorkerProcess(LISTENS)
    worker.start()
    first = worker.pid
    worker._process.kill()
    until(lambda: worker.pid != first)
    worker.stop()
    assert not is_running(worker.pid)


def test_each_restart_waits_longer(monkeypatch, caplog):
    monkeypatch.setattr(worker_process, "FIRST_DELAY_SECONDS", 0.01)
    worker = WorkerProcess([sys.executable, "-c", "raise SystemExit(3)"])
    worker.start()
    until(lambda: len(caplog.records) >= 4)
    worker.stop()
    delays = [record.args[1] for record in caplog.records[:4]]
    assert delays == [0.01, 0.02, 0.04, 0.08]


@pytest.mark.parametrize("times", [1, 2])
def test_stopping_again_or_before_the_start_does_nothing(times):
    worker = WorkerProcess(LISTENS)
    for _ in range(times):
        worker.stop()
    assert worker.pid is None
