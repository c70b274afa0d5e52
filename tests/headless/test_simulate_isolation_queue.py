"""The benchmark spread over the workers of a queue, one of which is killed in the middle."""

import json
import os
import signal

import pytest

from tests.installation import installed

pytestmark = pytest.mark.worker
STUDIES = ("simulate_isolation", "--studies", "75", "--plan", "array of 16")


@pytest.fixture
def lab(tmp_path):
    with installed(tmp_path) as made:
        yield made


def test_a_worker_killed_in_the_middle_costs_no_study(lab, tmp_path):
    chunks, answer = tmp_path / "chunks", tmp_path / "queue.json"
    first = lab.start("worker")
    asking = lab.start(*STUDIES, "--queue", "--folder", str(chunks), "--out", str(answer))
    lab.wait(lambda: len(list(chunks.glob("array*.json"))) >= 2, "the first studies", seconds=120)
    os.killpg(first.pid, signal.SIGKILL)
    lab.start("worker")
    lab.wait(lambda: asking.poll() is not None, "the end of the command", seconds=240)
    assert asking.returncode == 0
    here = tmp_path / "here.json"
    lab.manage(*STUDIES, "--processes", "1", "--folder", str(tmp_path / "again"), "--out", str(here))
    assert json.loads(answer.read_text()) == json.loads(here.read_text())
