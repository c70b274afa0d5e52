"""Logger files that are no evidence of a load's soaks: another day, a clock ahead, a few rows, a sensor that is silent."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from labbench.bench.models import Deviation, TraceFile
from labbench.bench.trace_findings import broken_soaks, findings_in_step, reason_words, record_findings, verdict_word
from labbench.bench.trace_fit import AHEAD, OTHER_DAY, UNTIED, misfit_of, why_not
from labbench.bench.trace_standing import combined, compare_moves, files_of, proof_of
from labbench.reports.content import soak_words
from tests import factories
from tests.bench import traced
from tests.pages.bench.conftest import text_of
from tests.pages.conftest import signed_in

pytestmark = pytest.mark.django_db

AT = datetime(2026, 11, 2, 8, tzinfo=UTC)
HOUR = timedelta(hours=1)


@pytest.fixture
def technician(db):
    return signed_in("technician")


@pytest.mark.parametrize(
    ("spans", "uploaded_at", "expected"),
    [
        ([], AT + 9 * HOUR, ""),
        ([(AT + HOUR, AT + 2 * HOUR)], AT + 9 * HOUR, ""),
        ([(AT + 365 * 24 * HOUR, AT + 366 * 24 * HOUR)], AT + 9 * HOUR, OTHER_DAY),
        # Planned for another day, but recorded on this one; and one that is still inside.
        ([(AT - 48 * HOUR, AT - 47 * HOUR), (AT, AT + HOUR)], AT + 9 * HOUR, ""),
        ([(AT - 48 * HOUR, None)], AT + 9 * HOUR, ""),
        ([(AT, AT + HOUR)], AT + 8 * HOUR - timedelta(minutes=4), ""),
        ([(AT, AT + HOUR)], AT + 8 * HOUR - timedelta(minutes=6), AHEAD),
        ([], AT, AHEAD),
    ],
)
def test_the_times_of_a_file_fit_or_not(spans, uploaded_at, expected):
    assert why_not(AT, AT + 8 * HOUR, uploaded_at, spans) == expected


def moved(load, made, days):
    for row in traced.booked(load, made):
        for name in ("planned_start", "planned_end", "started_at", "ended_at"):
            setattr(row, name, getattr(row, name) + timedelta(days=days))
        row.save()


def test_a_file_of_another_year_proves_nothing_and_gives_no_deviation(technician):
    load, made = traced.load_of(), traced.made(minutes={"freeze": 70.0})
    moved(load, made, -365)
    evaluation = traced.evaluated(load, traced.text(made))
    proof = proof_of(load)
    assert (proof.words, proof.short, proof.files, proof.passed_over) == ("0 of 6 met", 0, 0, 1)
    assert soak_words(proof).endswith("; 1 logger file not counted, the times do not fit the load")
    assert [one.misfit for one in files_of(load)] == [OTHER_DAY]
    with pytest.raises(ValidationError, match="Nothing is recorded: the file does not count for Load 1"):
        record_findings(evaluation=evaluation, by=factories.person())
    assert not Deviation.objects.exists()
    html = text_of(technician.get(f"/traces/{evaluation.trace_id}/"))
    assert "The file does not count for Load 1: 4 of 6 soaks are met in it" in html
    assert OTHER_DAY in html
    assert "Record them as deviations" not in html
    assert "365 d" in html
    assert "525" not in " ".join(" ".join(move.remarks) for move in compare_moves(evaluation).moves)
    load_html = text_of(technician.get(f"/loads/{load.pk}/"))
    assert "does not count" in load_html
    assert "1 file not counted: the times do not fit the load" in load_html
    told = technician.get(f"/api/studies/{load.study.code}/trace-evaluations/").json()["rows"][0]
    assert (told["counts_for_load"], told["why_not_counted"]) == (False, OTHER_DAY)
    assert technician.get(told["document"]).json()["counts_for_load"] is False


def test_deviations_recorded_before_the_moves_were_are_taken_back():
    load, made, by = traced.load_of(), traced.made(minutes={"freeze": 70.0}), factories.person()
    evaluation = traced.evaluated(load, traced.text(made))
    assert len(record_findings(evaluation=evaluation, by=by)) == 2
    moved(load, made, 30)
    assert not findings_in_step(evaluation)
    assert record_findings(evaluation=evaluation, by=by) == []
    assert not Deviation.objects.exists()
    assert findings_in_step(evaluation)


def test_a_load_without_bookings_counts_but_is_told_to_be_untied(technician):
    load = traced.load_of()
    evaluation = traced.evaluated(load, traced.text(traced.made()))
    assert proof_of(load).words == "6 of 6 met"
    assert UNTIED in text_of(technician.get(f"/traces/{evaluation.trace_id}/"))


def test_readings_from_the_future_do_not_count():
    load, made = traced.load_of(), traced.made()
    traced.booked(load, made)
    evaluation = traced.evaluated(load, traced.text(made))
    assert misfit_of(evaluation) == ""
    TraceFile.objects.filter(pk=evaluation.trace_id).update(uploaded_at=traced.START + timedelta(hours=1))
    assert misfit_of(evaluation) == AHEAD
    assert "clock is ahead" in AHEAD
    assert (proof_of(load).met, proof_of(load).passed_over) == (0, 1)
    assert timezone.now() > traced.START


def test_a_few_rows_do_not_spoil_a_good_file():
    load, made = traced.load_of(), traced.made()
    traced.booked(load, made)
    traced.evaluated(load, traced.text(made))
    few = traced.evaluated(load, traced.text(made, rows=range(60, 75)), filename="few.csv")
    assert {step["verdict"] for step in few.result["document"]["steps"]} & {"short", "not reached"}
    proof = proof_of(load)
    assert (proof.words, proof.short, proof.files) == ("6 of 6 met", 0, 2)


def test_what_a_file_cuts_off_counts_only_where_no_other_shows_the_step():
    def proof(verdict, *, cut):
        return {"soaks": 1, "by_air": False, "verdicts": [[1, 1, verdict]], "cut": [cut]}

    assert combined([proof("short", cut=True)]).short == 1
    assert combined([proof("short", cut=True), proof("met", cut=False)]).met == 1
    assert combined([proof("short", cut=False), proof("met", cut=False)]).met == 0
    # A soak that is met is met, also where the file ends with it.
    assert combined([proof("met", cut=True), proof("not reached", cut=True)]).met == 1


def test_a_silent_sensor_is_told_by_its_coupon_and_that_nobody_knows():
    made = traced.made()
    columns = made.columns()
    columns["coupon_B_c"] = np.full(len(made.seconds), np.nan)
    evaluation = traced.evaluated(traced.load_of(), traced.text(made, columns=columns))
    found = broken_soaks(evaluation)
    assert len(found) == 6
    for one in found:
        assert "the soak is not known by the temperature trace" in one.description
        assert "no reading from the sensor on B, so nobody knows whether the soak was reached" in one.description
        assert "coupon_B_c" not in one.description
        assert "had no reading" not in one.description
    assert "coupon_" not in reason_words(evaluation.result["document"]["steps"][0])


def test_a_soak_that_a_silent_sensor_leaves_open_is_not_known_and_spoils_no_other_file():
    load, made = traced.load_of(), traced.made()
    columns = made.columns()
    columns["coupon_B_c"] = np.full(len(made.seconds), np.nan)
    silent = traced.evaluated(load, traced.text(made, columns=columns), filename="silent.csv")
    assert {verdict_word(step) for step in silent.result["document"]["steps"]} == {"not known"}
    proof = proof_of(load)
    assert (proof.words, proof.not_known, proof.short, proof.not_seen) == ("0 of 6 met", 6, 0, 0)
    traced.evaluated(load, traced.text(made))
    proof = proof_of(load)
    assert (proof.words, proof.not_known) == ("6 of 6 met", 0)


def test_glass_that_was_read_and_never_came_there_settles_it():
    made = traced.made()
    columns = made.columns()
    columns["coupon_B_c"] = np.full(len(made.seconds), np.nan)
    columns["coupon_A_c"] = np.maximum(columns["coupon_A_c"], -10.0)
    evaluation = traced.evaluated(traced.load_of(), traced.text(made, columns=columns))
    freeze, heat, *_ = evaluation.result["document"]["steps"]
    assert (verdict_word(freeze), verdict_word(heat)) == ("not reached", "not known")
    assert reason_words(freeze) == "B had no reading; A never came inside -20 ± 4 °C"


def test_the_page_says_not_known_and_names_coupons_as_the_lab_does(technician):
    load, made = traced.load_of(), traced.made()
    columns = made.columns()
    columns["coupon_B_c"] = np.full(len(made.seconds), np.nan)
    evaluation = traced.evaluated(load, traced.text(made, columns=columns))
    page = text_of(technician.get(f"/traces/{evaluation.trace_id}/"))
    assert "Round 1, freeze: not known" in page
    assert "not reached" not in page
    assert "Column B: has no reading at all" in page
    assert "coupon_B_c" not in page
    assert "6 not known, as a sensor gave no reading" in text_of(technician.get(f"/loads/{load.pk}/"))


def test_the_study_says_why_no_soak_is_met(technician):
    load, made = traced.load_of(), traced.made()
    traced.booked(load, made)
    evaluation = traced.evaluated(load, traced.text(made))
    TraceFile.objects.filter(pk=evaluation.trace_id).update(uploaded_at=traced.START + timedelta(hours=1))
    page = text_of(technician.get(f"/studies/{load.study.code}/"))
    assert "0 of 6 met" in page
    assert "1 file not counted: the times do not fit" in page
