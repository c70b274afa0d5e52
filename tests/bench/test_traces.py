"""From a logger's file to the verdict on each soak: kept, mapped, evaluated once, compared with the moves, turned into deviations."""

import hashlib
from datetime import UTC, datetime, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError

from labbench.bench.models import Deviation, LoggerColumns, TraceEvaluation, TraceFile, TraceFinding
from labbench.bench.trace_files import path_of, stored_head, take_in, take_out_trace
from labbench.bench.trace_findings import findings_in_step, record_findings
from labbench.bench.trace_standing import clock_error, combined, compare_moves, files_of, proof_of, soak_proofs
from labbench.bench.traces import (
    confirm_columns,
    evaluated,
    is_current,
    offered_columns,
    read_kept,
    request_evaluation,
    run_evaluation,
)
from labbench.formats.logger_columns import ChannelColumn, ColumnMapping
from labbench.formats.trace_columns import csv_pieces, read_window
from labbench.jobs.models import Job
from labbench.jobs.services import JobRefused, claim
from labbench.lab.models import Chamber
from tests import factories
from tests.bench import traced
from tests.science.trace_makers import true_soak

pytestmark = pytest.mark.django_db


def verdicts(evaluation):
    return [step["verdict"] for step in evaluation.result["document"]["steps"]]


def refusal_of(act, *arguments, **named):
    with pytest.raises(ValidationError) as refused:
        act(*arguments, **named)
    return " ".join(refused.value.messages)


# --- taking in ------------------------------------------------------------------------------------------------------


def test_the_bytes_are_kept_unchanged_under_their_hash():
    data = traced.text(traced.made())
    trace = traced.taken_in(traced.load_of(), data)
    assert trace.sha256 == hashlib.sha256(data).hexdigest()
    assert path_of(trace.file.name).read_bytes() == data
    assert trace.size_bytes == len(data)
    assert trace.history.first().history_type == "+"


def test_the_same_file_twice_with_a_load_is_refused_kindly_and_allowed_with_another():
    data, first = traced.text(traced.made()), traced.load_of()
    by = factories.person(username="mira")
    traced.taken_in(first, data, by=by, filename="one.csv")
    said = refusal_of(traced.taken_in, first, data, filename="two.csv")
    assert said.startswith("This file is with Load 1 already: one.csv, uploaded ")
    assert said.endswith("by mira. Nothing is stored a second time.")
    other = traced.taken_in(traced.load_of(), data)
    assert TraceFile.objects.count() == 2
    assert other.file.name == TraceFile.objects.get(load=first).file.name


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "the file is empty"),
        (b"%PDF-1.7 something", "is a PDF document"),
        (b"PK\x03\x04" + b"\0" * 100, "is no text"),
        (b"a,b\n1,2\n3,4\n", "no header is found"),
        (b"time,air_c,air_c\n2026-12-07T08:00:00,1,2\n", "occurs twice"),
        (b"when,where\n2026-12-07 08:00:00,here\n", "no header is found"),
    ],
)
def test_what_is_no_logger_file_is_refused_in_words_and_leaves_nothing(data, words):
    assert words in refusal_of(traced.taken_in, traced.load_of(), data)
    assert not TraceFile.objects.exists()
    left = [path for path in path_of("traces").rglob("*") if path.name.startswith(".")]
    assert left == []


def test_too_many_bytes_are_refused_while_they_come(settings):
    settings.MAX_TRACE_BYTES = 1000
    assert "has more than 0 MB" in refusal_of(traced.taken_in, traced.load_of(), b"x" * 1001)


def test_a_closed_study_takes_no_file():
    load = traced.load_of(factories.study(state="closed", rounds_planned=2))
    assert "is closed" in refusal_of(traced.taken_in, load, traced.text(traced.made()))
    assert not TraceFile.objects.exists()


def test_a_file_taken_out_needs_a_reason_and_takes_its_deviations_with_it():
    load, by = traced.load_of(), factories.person()
    evaluation = traced.evaluated(load, traced.text(traced.made(minutes={"freeze": 40.0})), by=by)
    record_findings(evaluation=evaluation, by=by)
    trace = evaluation.trace
    pk = trace.pk
    assert Deviation.objects.filter(load=load).exists()
    assert "Say why" in refusal_of(take_out_trace, trace=trace, by=by, reason=" ")
    take_out_trace(trace=trace, by=by, reason="belongs to load 2")
    assert not Deviation.objects.exists()
    assert not TraceFile.objects.exists()
    assert TraceFile.history.filter(id=pk).first().history_change_reason == "belongs to load 2"
    assert path_of(trace.file.name).exists()


# --- columns --------------------------------------------------------------------------------------------------------


LOGGER = (
    "Recorder 12\nSite;bench\n\n"
    "Date time;Oven T;Glass 1;Glass 2;Battery\n;°F;°F;°F;%\n"
    "07.12.2026 08:00:00;68,0;69,1;70,2;98\n07.12.2026 08:01:00;68,1;69,0;70,1;98\n"
)


def test_columns_are_offered_corrected_and_remembered_for_files_of_the_same_kind():
    by, load = factories.person(), traced.load_of()
    trace = traced.taken_in(load, LOGGER.encode())
    mapping, is_known = offered_columns(trace, stored_head(trace))
    assert not is_known
    assert [(c.header, c.channel, c.unit) for c in mapping.channels] == [
        ("Oven T", "air_c", "degF"), ("Glass 1", "coupon_Glass_1_c", "degF"), ("Glass 2", "coupon_Glass_2_c", "degF"),
    ]  # fmt: skip
    corrected = ColumnMapping(
        (0,),
        (ChannelColumn(1, "Oven T", "air_c", "degF"), ChannelColumn(3, "Glass 2", "coupon_K9QZ_c", "degC")),
        (),
        False,
    )
    confirm_columns(trace=trace, mapping=corrected, clock_behind_minutes=0, by=by)
    another = traced.taken_in(load, LOGGER.replace("70,1", "70,3").encode())
    again, is_known = offered_columns(another, stored_head(another))
    assert is_known
    assert [(c.position, c.channel, c.unit) for c in again.channels] == [
        (1, "air_c", "degF"),
        (3, "coupon_K9QZ_c", "degC"),
    ]
    other_kind = traced.taken_in(load, LOGGER.replace("Glass 1", "Glass 3").encode())
    assert not offered_columns(other_kind, stored_head(other_kind))[1]
    assert LoggerColumns.objects.count() == 1


@pytest.mark.parametrize(
    ("time", "channels", "words"),
    [
        ((), [(1, "air_c", "degC")], "Choose the column of times"),
        ((0,), [], "at least one column that is a temperature"),
        ((0,), [(1, "air_c", "degC"), (2, "air_c", "degC")], "Two columns are the air"),
        ((0,), [(1, "coupon_A_c", "degC"), (2, "coupon_A_c", "degC")], "Two columns are coupon “A”"),
        ((0,), [(1, "air_c", None)], "does not say whether it is in degC or degF"),
    ],
)
def test_a_mapping_that_is_not_possible_is_refused(time, channels, words):
    trace = traced.taken_in(traced.load_of(), LOGGER.encode())
    mapping = ColumnMapping(time, tuple(ChannelColumn(p, "x", c, u) for p, c, u in channels), (), False)
    said = refusal_of(confirm_columns, trace=trace, mapping=mapping, clock_behind_minutes=0, by=factories.person())
    assert words in said
    trace.refresh_from_db()
    assert trace.mapping is None


# --- evaluation -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("minutes", "expected"),
    [
        ({}, ["met"] * 6),
        ({"freeze": 70.0}, ["short", "met", "met"] * 2),
        ({"heat": 80.0}, ["met", "long", "met"] * 2),
        # So short that the glass does not get there, though its air does.
        ({"heat": 12.0}, ["met", "not reached", "met"] * 2),
    ],
)
def test_the_verdicts_are_those_of_the_truth_the_trace_was_made_from(minutes, expected):
    trace = traced.made(minutes=minutes, noise_k=0.1)
    evaluation = traced.evaluated(traced.load_of(), traced.text(trace))
    assert verdicts(evaluation) == expected
    for step in evaluation.result["document"]["steps"]:
        _, _, _, _, target_c, tolerance_k, _, _ = next(row for row in traced.STEPS if row[0] == step["step"])
        true = true_soak(trace, step["step"], step["round"], target_c - tolerance_k, target_c + tolerance_k) or 0.0
        # Noise at the edge of the band: within three readings.
        assert step["soak_minutes"] == pytest.approx(true, abs=3.0)
    assert (evaluation.steps_met, evaluation.steps_in_all) == (expected.count("met"), 6)
    assert evaluation.job.state == Job.State.DONE


def test_the_result_is_frozen_with_what_it_came_from_and_can_be_computed_again():
    evaluation = traced.evaluated(traced.load_of(), traced.text(traced.made()), clock_behind_minutes=7.0)
    trace = evaluation.trace
    assert evaluation.inputs["file_sha256"] == trace.sha256
    assert evaluation.inputs["profile"]["name"] == str(evaluation.profile)
    assert evaluation.inputs["clock_behind_minutes"] == 7.0
    again = evaluated(read_kept(trace, evaluation.inputs["mapping"]).trace, evaluation.inputs)[1]
    assert again == evaluation.result
    assert is_current(evaluation)
    assert request_evaluation(trace=trace, by=factories.person()).pk == evaluation.pk
    assert TraceEvaluation.objects.count() == 1


def test_a_changed_profile_is_evaluated_anew_and_the_old_result_stays():
    load = traced.load_of()
    first = traced.evaluated(load, traced.text(traced.made()))
    load.profile.steps.filter(name="freeze").update(min_minutes=200)
    assert not is_current(first)
    second = traced.asked(first.trace)
    assert second.pk != first.pk
    assert verdicts(second) == ["short", "met", "met"] * 2
    first.refresh_from_db()
    assert verdicts(first) == ["met"] * 6
    # The newest counts.
    assert proof_of(load).words == "4 of 6 met"


def test_an_evaluation_is_stored_once_though_its_job_runs_twice(monkeypatch):
    load = traced.load_of()
    monkeypatch.setattr("tests.bench.traced.run_here", lambda job: None)
    evaluation = traced.evaluated(load, traced.text(traced.made()))
    assert evaluation.result is None
    # A worker took the job, computed, and died before it closed the row: the next one finds the row filled.
    first = claim(evaluation.job_id)
    run_evaluation(first)
    evaluation.refresh_from_db()
    stored, at = evaluation.result_sha256, evaluation.finished_at
    Job.objects.filter(pk=evaluation.job_id).update(heartbeat_at=datetime(2026, 1, 1, tzinfo=UTC))
    second = claim(evaluation.job_id)
    assert second.job.runs == 2
    run_evaluation(second)
    evaluation.refresh_from_db()
    assert (evaluation.result_sha256, evaluation.finished_at) == (stored, at)
    assert TraceEvaluation.objects.count() == 1


def test_faults_are_told_with_row_and_column_and_nothing_is_stored():
    lines = traced.text(traced.made()).decode().splitlines()
    lines[40] = lines[40].replace(",", ",cold", 1)
    lines[50] = "yesterday" + lines[50][19:]
    evaluation = traced.evaluated(traced.load_of(), "\n".join(lines).encode())
    assert evaluation.result is None
    assert evaluation.job.state == Job.State.FAILED
    assert evaluation.faults[0].startswith("row 41, column air_c: ")
    assert evaluation.faults[1].startswith('row 51, column time: "yesterday" is no time')
    assert "row 41, column air_c" in evaluation.job.reason
    assert evaluation.trace.starts_at is None


def test_a_file_that_was_changed_on_the_disk_is_no_evidence():
    evaluation = traced.evaluated(traced.load_of(), traced.text(traced.made()))
    path = path_of(evaluation.trace.file.name)
    path.write_bytes(path.read_bytes() + b"\n")
    with pytest.raises(JobRefused, match="SHA-256 is another"):
        read_kept(evaluation.trace, evaluation.inputs["mapping"])


def test_a_profile_that_can_not_be_judged_by_is_told():
    load = traced.load_of()
    load.profile.steps.filter(name="heat").update(target_c=None)
    assert "no coupon target and tolerance for heat" in refusal_of(traced.evaluated, load, traced.text(traced.made()))
    bare = traced.load_of(name="Load 2")
    type(bare).objects.filter(pk=bare.pk).update(profile=None)
    assert "has no thermal profile" in refusal_of(traced.evaluated, bare, traced.text(traced.made()))


def test_the_columns_are_kept_and_read_again_in_windows_and_as_csv():
    evaluation = traced.evaluated(traced.load_of(), traced.text(traced.made()))
    path = path_of(evaluation.columns)
    rows = evaluation.result["document"]["rows"]
    whole = read_window(path, points=10_000)
    assert whole.is_every_reading
    assert len(whole.seconds) == rows
    few = read_window(path, points=50)
    assert len(few.seconds) <= 2 * 51
    assert min(few.values_c["air_c"]) == min(whole.values_c["air_c"])
    assert max(few.values_c["air_c"]) == max(whole.values_c["air_c"])
    csv = b"".join(csv_pieces(path)).decode().splitlines()
    assert csv[0] == '"time","air_c","coupon_A_c","coupon_B_c"'
    assert len(csv) == rows + 1


def test_a_gap_is_never_bridged():
    made = traced.made()
    rows = [at for at in range(len(made.seconds)) if not 100 <= at < 140]
    evaluation = traced.evaluated(traced.load_of(), traced.text(made, rows=rows))
    for points in (10_000, 60):
        window = read_window(path_of(evaluation.columns), points=points)
        inside = [at for at, s in enumerate(window.seconds) if 99 * 60 < s < 140 * 60]
        assert [window.values_c["air_c"][at] for at in inside] == [None]


# --- clocks and moves -----------------------------------------------------------------------------------------------


def test_local_times_are_the_labs_and_the_clock_is_corrected(settings):
    settings.TIME_ZONE = "Europe/Paris"
    evaluation = traced.evaluated(traced.load_of(), traced.text(traced.made()), clock_behind_minutes=7.0)
    # 08:00 in Paris in November is 07:00 UTC; the logger was 7 min behind.
    assert evaluation.trace.__class__.objects.get(pk=evaluation.trace_id).starts_at == datetime(
        2026, 11, 2, 7, 7, tzinfo=UTC
    )


def test_times_with_a_zone_are_taken_as_they_are(settings):
    settings.TIME_ZONE = "Europe/Paris"
    made = traced.made()
    lines = traced.text(made).decode().splitlines()
    zoned = [lines[0], *(line.replace(",", "-05:00,", 1) for line in lines[1:])]
    evaluation = traced.evaluated(traced.load_of(), "\n".join(zoned).encode())
    evaluation.trace.refresh_from_db()
    assert evaluation.trace.starts_at == datetime(2026, 11, 2, 13, 0, tzinfo=UTC)


def test_moves_that_agree_with_the_trace_are_not_pointed_out():
    load, made = traced.load_of(), traced.made()
    traced.booked(load, made)
    comparison = compare_moves(traced.evaluated(load, traced.text(made)))
    assert len(comparison.moves) == 6
    assert comparison.disagreements == 0
    assert comparison.clock_minutes is None
    assert comparison.remarks == ()


def test_a_move_recorded_long_before_the_air_changes_is_pointed_out():
    load, made = traced.load_of(), traced.made()
    rows = traced.booked(load, made)
    rows[0].ended_at -= timedelta(minutes=32)
    rows[0].save()
    rows[1].started_at -= timedelta(minutes=32)
    rows[1].save()
    comparison = compare_moves(traced.evaluated(load, traced.text(made)))
    assert comparison.disagreements == 2
    assert comparison.moves[0].remarks[0].endswith("later than the move out of the chamber was recorded")
    [remark] = comparison.moves[1].remarks
    assert remark.startswith("the air changes 3")
    assert remark.endswith("min later than the move into the chamber was recorded")


def test_moves_that_all_differ_alike_point_to_the_loggers_clock():
    load, made = traced.load_of(), traced.made()
    traced.booked(load, made, recorded_late_minutes=20.0)
    evaluation = traced.evaluated(load, traced.text(made))
    assert compare_moves(evaluation).clock_minutes == pytest.approx(20.0, abs=1.5)
    assert clock_error([5.0, -3.0, 2.0]) is None
    assert clock_error([6.0, 7.0]) is None


def test_a_file_of_another_week_is_told():
    load, made = traced.load_of(), traced.made()
    for row in traced.booked(load, made):
        for name in ("planned_start", "planned_end", "started_at", "ended_at"):
            setattr(row, name, getattr(row, name) + timedelta(days=30))
        row.save()
    comparison = compare_moves(traced.evaluated(load, traced.text(made)))
    assert comparison.remarks == (
        "No booking of this load lies within the times of the file: is it the right load, day and clock?",
    )


# --- a logger that stays in its chamber -----------------------------------------------------------------------------


def test_a_chambers_logger_judges_the_stays_of_each_load_in_it():
    study = factories.study(rounds_planned=2, is_blind=False)
    made = traced.made()
    loads = [traced.load_of(study, name=name) for name in ("Load 1", "Load 2")]
    freezers = []
    for load in loads:
        rows = traced.booked(load, made)
        freezers += [row for row in rows if row.step.name == "freeze"]
    freezer = freezers[0].chamber
    for row in freezers:
        row.chamber = freezer
        row.save()
    # The second load came out of its second freeze after half an hour.
    freezers[-1].ended_at = freezers[-1].started_at + timedelta(minutes=30)
    freezers[-1].save()
    text = "time,air_c\n" + "".join(
        f"{traced.START + timedelta(minutes=m):%Y-%m-%dT%H:%M:%S},-20.{m % 3}\n"
        for m in range(int(made.seconds[-1] / 60))
    )
    by = factories.person()
    traces = take_in(loads=loads, pieces=[text.encode()], filename="freezer.csv", by=by, chamber=freezer)
    mapping, _ = offered_columns(traces[0], stored_head(traces[0]))
    confirm_columns(trace=traces[0], mapping=mapping, clock_behind_minutes=0, by=by)
    found = []
    for trace in TraceFile.objects.order_by("load__name"):
        evaluation = traced.asked(trace)
        found.append(evaluation)
    assert verdicts(found[0]) == ["met", "met"]
    assert verdicts(found[1]) == ["met", "short"]
    assert [step["step"] for step in found[0].result["document"]["steps"]] == ["freeze", "freeze"]
    proof = proof_of(loads[0])
    assert (proof.words, proof.by_air, proof.not_seen) == ("2 of 6 met", 2, 4)
    assert compare_moves(found[0]).moves == ()


def test_a_programmable_chambers_logger_shows_whole_rounds():
    load, made = traced.load_of(), traced.made()
    cycler = Chamber.objects.create(code="C-9", kind="cycler", capacity_coupons=20)
    assert verdicts(traced.evaluated(load, traced.text(made), chamber=cycler)) == ["met"] * 6


# --- proved or not --------------------------------------------------------------------------------------------------


def proof(by_air, *verdicts):
    return {"soaks": 4, "by_air": by_air, "verdicts": [[1, n, verdict] for n, verdict in enumerate(verdicts, start=1)]}


@pytest.mark.parametrize(
    ("proofs", "words", "by_air", "not_seen"),
    [
        ([proof(False, "met", "short", "missing")], "1 of 4 met", 0, 2),
        # A coupon's channel counts before the air, whichever of them is kinder.
        ([proof(True, "met", "met"), proof(False, "short", "met")], "1 of 4 met", 0, 2),
        ([proof(True, "short", "met"), proof(False, "met")], "2 of 4 met", 1, 2),
        # Of two alike the worse.
        ([proof(False, "met"), proof(False, "not reached")], "0 of 4 met", 0, 3),
        ([proof(False, "missing"), proof(False, "met")], "1 of 4 met", 0, 3),
    ],
)
def test_files_of_a_load_are_taken_together(proofs, words, by_air, not_seen):
    together = combined(proofs)
    assert (together.words, together.by_air, together.not_seen) == (words, by_air, not_seen)


def test_how_loads_stand_takes_two_queries(django_assert_num_queries):
    study = factories.study(rounds_planned=2, is_blind=False)
    loads = [traced.load_of(study, name=f"Load {n}") for n in range(3)]
    for load in loads:
        traced.evaluated(load, traced.text(traced.made()))
    for some in (loads[:1], loads):
        with django_assert_num_queries(2):
            assert {p.words for p in soak_proofs([x.pk for x in some]).values()} == {"6 of 6 met"}
    with django_assert_num_queries(4):
        assert [one.state for one in files_of(loads[0])] == ["done"]


# --- deviations -----------------------------------------------------------------------------------------------------


def test_broken_soaks_become_deviations_of_the_load_once():
    load, by = traced.load_of(), factories.person()
    evaluation = traced.evaluated(load, traced.text(traced.made(minutes={"freeze": 70.0})), by=by)
    assert not findings_in_step(evaluation)
    made = record_findings(evaluation=evaluation, by=by)
    assert [row.kind for row in made] == ["soak", "soak"]
    assert made[0].load == load
    assert made[0].is_found_by_rule
    assert made[0].description.startswith(
        "Round 1, freeze: the soak was short by the temperature trace logger.csv (inside -20"
    )
    assert findings_in_step(evaluation)
    assert record_findings(evaluation=evaluation, by=by) == []
    assert Deviation.objects.count() == 2


def test_deviations_follow_an_evaluation_that_reads_otherwise():
    load, by = traced.load_of(), factories.person()
    first = traced.evaluated(load, traced.text(traced.made(minutes={"freeze": 70.0})), by=by)
    record_findings(evaluation=first, by=by)
    load.profile.steps.filter(name="freeze").update(min_minutes=20)
    load.profile.steps.filter(name="heat").update(min_minutes=49)
    second = traced.asked(first.trace)
    assert "evaluated again meanwhile" in refusal_of(record_findings, evaluation=first, by=by)
    record_findings(evaluation=second, by=by)
    kept = Deviation.objects.order_by("happened_at")
    assert ["heat" in row.description for row in kept] == [True, True]
    gone = Deviation.history.filter(history_type="-").first()
    assert gone.history_change_reason == "the trace, evaluated again, no longer shows it"


def test_one_step_of_a_file_has_one_finding():
    load, by = traced.load_of(), factories.person()
    evaluation = traced.evaluated(load, traced.text(traced.made(minutes={"freeze": 70.0})), by=by)
    one, other = record_findings(evaluation=evaluation, by=by)
    kept = TraceFinding.objects.get(deviation=one)
    with pytest.raises(IntegrityError):
        TraceFinding.objects.filter(deviation=other).update(
            round_number=kept.round_number, step_number=kept.step_number
        )
