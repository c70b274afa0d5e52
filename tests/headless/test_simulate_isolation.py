"""The command simulate_isolation: goes on where it stopped, the same numbers by any way, clear words for bad input."""

import json

import pytest
from django.core.management import call_command

from labbench.analysis import simulated_studies
from labbench.jobs.models import Job

BY_EYE = "one at a time, 3 per arm by eye"


@pytest.fixture
def simulate(tmp_path, capsys):
    def run(*arguments, plan=BY_EYE, folder="chunks"):
        out = tmp_path / "answer.json"
        place = tmp_path / folder
        try:
            call_command("simulate_isolation", *arguments, "--plan", plan, "--folder", str(place), "--out", str(out))
        except SystemExit as ended:
            return ended.code, capsys.readouterr().err.splitlines()
        return json.loads(out.read_text()), capsys.readouterr().out.splitlines()

    return run


def test_a_table_of_truths_and_mixtures(simulate):
    answer, lines = simulate("--studies", "30", "--processes", "1")
    assert [row["truth"] for row in answer["rows"]][:5] == ["single", "both", "either", "graded", "none"]
    assert all(row["studies"] in (30, 150) and row["median_coupons"] == 21 for row in answer["rows"])
    assert len(lines) == 2 + 7
    assert lines[2].startswith(f"| {BY_EYE} | single | ")


def test_it_goes_on_where_it_stopped(simulate, tmp_path, monkeypatch):
    whole, _ = simulate("--studies", "50", "--processes", "1", folder="at once")
    half, _ = simulate("--studies", "25", "--processes", "1")
    played = []
    play = simulated_studies.play_chunk
    monkeypatch.setattr(
        simulated_studies, "play_chunk", lambda chunk, seed: (played.append(chunk.first), play(chunk, seed=seed))[1]
    )
    rest, _ = simulate("--studies", "50", "--processes", "1")
    assert played == [25] * 5
    assert rest == whole != half


def test_results_of_another_seed_or_of_other_code_are_not_added(simulate, monkeypatch):
    simulate("--studies", "1", "--processes", "1")
    code, lines = simulate("--studies", "1", "--seed", "5")
    assert code == 2
    assert "another seed" in lines[0]
    monkeypatch.setattr(simulated_studies, "benchmark_code", lambda: "other")
    code, lines = simulate("--studies", "1")
    assert code == 2
    assert "another version of the code" in lines[0]


def test_bad_input_is_named(simulate):
    code, lines = simulate("--studies", "0", "--processes", "0", "--seed=-1", plan="guess")
    assert code == 2
    assert [line.split(":")[0] for line in lines] == ["--plan", "--studies", "--processes", "--seed"]


def test_processes_give_the_same_numbers(simulate):
    alone, _ = simulate("--studies", "30", "--processes", "1", folder="alone")
    assert simulate("--studies", "30", "--processes", "2", folder="two")[0] == alone


@pytest.mark.django_db(transaction=True)
def test_the_queue_gives_the_same_numbers(simulate, eager_queue):
    alone, _ = simulate("--studies", "2", "--processes", "1", folder="alone")
    queued, _ = simulate("--studies", "2", "--queue", folder="queue")
    assert queued == alone
    assert list(Job.objects.values_list("state", flat=True)) == ["done"] * 5


@pytest.mark.django_db(transaction=True)
def test_a_worker_that_cannot_see_the_folder_says_so(tmp_path, eager_queue):
    from labbench.science.isolation_benchmark import PLANS, chunks

    chunk = chunks(1, plans=[plan for plan in PLANS if plan.name == BY_EYE])[0]
    job = simulated_studies.enqueue_chunk(tmp_path / "elsewhere", chunk, 1)
    job.refresh_from_db()
    assert (job.state, "can't see the folder" in job.reason) == ("failed", True)


def test_the_fingerprint_covers_the_search():
    assert len(simulated_studies.benchmark_code()) == 12
    assert simulated_studies.benchmark_code() == simulated_studies.benchmark_code()
