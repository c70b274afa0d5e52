"""The same logger file handed in twice at once; a worker that dies while it evaluates; traces of all kinds against their truth."""

import os
import signal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from labbench.bench.models import LoggerColumns, TraceEvaluation, TraceFile
from labbench.bench.trace_files import path_of, stored_head, take_in
from labbench.bench.traces import confirm_columns, offered_columns, request_evaluation
from labbench.jobs.models import Job
from tests import factories
from tests.bench import traced
from tests.bench.test_two_people import at_once, refusals
from tests.installation import installed
from tests.science.trace_makers import true_soak


@pytest.mark.django_db(transaction=True)
def test_of_two_people_with_the_same_file_one_is_told():
    load, data = traced.load_of(), traced.text(traced.made())
    people = [factories.person("technician") for _ in range(3)]

    def hand_in(by):
        return lambda: take_in(loads=[load], pieces=[data[:1000], data[1000:]], filename=f"{by}.csv", by=by)

    outcomes = at_once(*(hand_in(by) for by in people))
    assert TraceFile.objects.count() == 1
    assert len(refusals(outcomes)) == 2
    assert all("This file is with Load 1 already" in words for words in refusals(outcomes))
    assert path_of(TraceFile.objects.get().file.name).read_bytes() == data
    assert [path for path in path_of("traces").rglob(".*") if path.is_file()] == []


@pytest.mark.django_db(transaction=True)
def test_the_same_file_for_two_loads_at_once_is_kept_with_both():
    loads, data = [traced.load_of(), traced.load_of()], traced.text(traced.made())
    by = factories.person()
    at_once(*(lambda load=load: take_in(loads=[load], pieces=[data], filename="x.csv", by=by) for load in loads))
    assert TraceFile.objects.count() == 2
    assert path_of(TraceFile.objects.first().file.name).read_bytes() == data


@pytest.mark.django_db(transaction=True)
def test_columns_confirmed_and_evaluations_asked_for_at_once_are_one():
    load, by = traced.load_of(), factories.person()
    trace = traced.taken_in(load, traced.text(traced.made()), by=by)
    mapping, _ = offered_columns(trace, stored_head(trace))

    def confirm():
        confirmed = confirm_columns(trace=trace, mapping=mapping, clock_behind_minutes=0, by=by)
        return request_evaluation(trace=confirmed, by=by)

    outcomes = at_once(confirm, confirm, confirm)
    assert refusals(outcomes) == []
    assert LoggerColumns.objects.count() == 1
    assert TraceEvaluation.objects.count() == 1
    assert Job.objects.count() == 1


HAND_IN = """
from django.conf import settings
from labbench.bench.models import Load
from labbench.bench.trace_files import stored_head, take_in
from labbench.bench.traces import confirm_columns, offered_columns, request_evaluation
from labbench.bench.services import create_load
from tests import factories
from tests.bench import traced
load, by = traced.load_of(), factories.person()
trace = traced.taken_in(load, traced.text(traced.made()), by=by)
mapping, _ = offered_columns(trace, stored_head(trace))
trace = confirm_columns(trace=trace, mapping=mapping, clock_behind_minutes=0, by=by)
request_evaluation(trace=trace, by=by)
"""


@pytest.mark.worker
def test_a_worker_killed_in_the_middle_leaves_one_evaluation(tmp_path):
    with installed(tmp_path) as lab:
        lab.manage("shell", "-v", "0", "-c", HAND_IN)
        file = lab.folder / "uploads" / lab.row("SELECT file FROM bench_tracefile")[0]
        data = file.read_bytes()
        # A pipe in the place of the file: the worker is held up in the middle of its work, for as long as nobody writes.
        file.unlink()
        os.mkfifo(file)
        first = lab.start("worker")
        lab.wait(
            lambda: lab.row("SELECT state, message FROM jobs_job") == ("running", "reading the file"), "the reading"
        )
        os.killpg(first.pid, signal.SIGKILL)
        first.wait()
        file.unlink()
        file.write_bytes(data)
        lab.start("worker")
        lab.wait(lambda: lab.row("SELECT state FROM jobs_job")[0] == "done", "the evaluation's end")
        count, finished, met, whole = lab.row(
            "SELECT COUNT(*), COUNT(finished_at), MAX(steps_met), MAX(steps_in_all) FROM bench_traceevaluation"
        )
        assert (count, finished) == (1, 1)
        assert lab.row("SELECT runs FROM jobs_job") == (2,)
        # The load's study plans two rounds.
        assert (met, whole) == (6, 6)


@pytest.mark.django_db
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    freeze=st.sampled_from([45.0, 70.0, 100.0, 150.0]),
    heat=st.sampled_from([8.0, 45.0, 60.0, 90.0]),
    noise_k=st.sampled_from([0.0, 0.1, 0.3]),
    interval_s=st.sampled_from([30.0, 60.0]),
    as_written=st.sampled_from(["agreed", "degF", "decimal comma", "zoned", "reversed"]),
    gap=st.booleans(),
    seed=st.integers(0, 10_000),
)
def test_the_whole_road_gives_the_verdicts_of_the_truth(db, freeze, heat, noise_k, interval_s, as_written, gap, seed):
    made = traced.made(1, minutes={"freeze": freeze, "heat": heat}, interval_s=interval_s, noise_k=noise_k, seed=seed)
    rows = list(range(len(made.seconds)))
    if gap:
        # Too short to end a soak: three readings.
        rows = [at for at in rows if not 40 <= at < 43]
    evaluation = traced.evaluated(
        traced.load_of(rounds=1), written(made, as_written, rows), filename=f"{as_written}.csv"
    )
    assert evaluation.job.state == Job.State.DONE, evaluation.job.reason
    for step in evaluation.result["document"]["steps"]:
        _, _, _, _, target_c, tolerance_k, least, longest = next(row for row in traced.STEPS if row[0] == step["step"])
        true = true_soak(made, step["step"], 1, target_c - tolerance_k, target_c + tolerance_k)
        if true is None:
            assert step["verdict"] in {"not reached", "missing"}
            continue
        # Readings and noise at the edge of the band move either end by a few readings.
        slack = 4 * interval_s / 60 + 8 * noise_k
        assert abs(step["soak_minutes"] - true) <= slack, (step, true)
        if true < least - slack:
            assert step["verdict"] == "short"
        elif longest is not None and true > longest + slack:
            assert step["verdict"] == "long"
        elif true > least + slack and (longest is None or true < longest - slack):
            assert step["verdict"] == "met"


def written(made, how, rows):
    """The trace as another logger writes it."""
    if how == "reversed":
        return traced.text(made, rows=rows[::-1])
    lines = traced.text(made, rows=rows, decimals=3).decode().splitlines()
    if how == "agreed":
        return "\n".join(lines).encode()
    header, *body = lines
    cells = [line.split(",") for line in body]
    if how == "zoned":
        return "\n".join([header, *(",".join([f"{c[0]}+01:00", *c[1:]]) for c in cells)]).encode()
    if how == "degF":
        names = ["Date and time", *(f"{name.removesuffix('_c')} (°F)" for name in header.split(",")[1:])]
        cells = [[c[0], *(f"{float(v) * 1.8 + 32:.3f}" for v in c[1:])] for c in cells]
        return "\n".join([",".join(names), *(",".join(c) for c in cells)]).encode()
    names = ["Zeit", "Luft (°C)", *(f"Probe {n} (°C)" for n in range(1, len(header.split(",")) - 1))]
    body = [
        ";".join([f"{c[0][8:10]}.{c[0][5:7]}.{c[0][:4]} {c[0][11:]}", *(v.replace(".", ",") for v in c[1:])])
        for c in cells
    ]
    return "\n".join(["Recorder 12", "", ";".join(names), *body]).encode("cp1252")
