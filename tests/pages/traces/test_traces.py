"""Logger files on the pages: handed in, columns looked at, verdicts, plot, downloads, deviations."""

import json
import re
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext

from labbench.bench.models import Deviation, TraceEvaluation, TraceFile
from labbench.bench.trace_files import path_of
from tests import factories
from tests.bench import traced
from tests.pages.bench.conftest import text_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("eager_queue")]


@pytest.fixture
def sent(technician, django_capture_on_commit_callbacks):
    """Posts with what follows the commit, as the queue would do it."""

    def post(address, data=None, client=technician, **extra):
        with django_capture_on_commit_callbacks(execute=True):
            return client.post(address, data or {}, **extra)

    return post


def upload(data, name="logger.csv"):
    return SimpleUploadedFile(name, data, content_type="text/csv")


def columns_of(html_form):
    """The values of a columns form as they stand."""
    return {field.html_name: field.value() or "" for field in html_form}


# --- the road -------------------------------------------------------------------------------------------------------


def test_a_technician_hands_in_a_file_confirms_its_columns_and_sees_the_verdict(technician, sent):
    load, made = traced.load_of(), traced.made(minutes={"freeze": 70.0})
    traced.booked(load, made)
    assert f"/loads/{load.pk}/traces/" in text_of(technician.get(f"/loads/{load.pk}/"))
    answer = sent(f"/loads/{load.pk}/traces/", {"trace": upload(traced.text(made))})
    trace = TraceFile.objects.get()
    assert answer.headers["Location"] == f"/traces/{trace.pk}/columns/"
    page = technician.get(answer.headers["Location"])
    assert "2026-11-02 08:00:00" in text_of(page)
    assert "columns to be confirmed" in text_of(technician.get(f"/loads/{load.pk}/"))
    answer = sent(f"/traces/{trace.pk}/columns/", columns_of(page.context["form"]))
    assert answer.headers["Location"] == f"/traces/{trace.pk}/"
    html = text_of(technician.get(f"/traces/{trace.pk}/"))
    assert "4 of 6 soaks are met" in html
    assert trace.sha256 in html
    assert "inside -20 ± 4 °C for" in html
    assert "Record them as deviations of Load 1" in html
    load_html = text_of(technician.get(f"/loads/{load.pk}/"))
    assert "Soaks proved: <b>4 of 6 met</b>, 2 short, long or not reached" in load_html
    assert "4 of 6 met" in text_of(technician.get(f"/studies/{load.study.code}/"))
    # One press, once.
    assert "2 deviations are recorded" in text_of(sent(f"/traces/{trace.pk}/deviations/", follow=True))
    assert "in step with this file" in text_of(sent(f"/traces/{trace.pk}/deviations/", follow=True))
    assert Deviation.objects.filter(load=load, kind="soak", is_found_by_rule=True).count() == 2


def test_a_script_that_shows_how_far_the_upload_is_gets_the_address(sent):
    load = traced.load_of()
    data = {"trace": upload(traced.text(traced.made()))}
    answer = sent(f"/loads/{load.pk}/traces/", data, headers={"X-Requested-With": "XMLHttpRequest"})
    assert json.loads(answer.content) == {"to": f"/traces/{TraceFile.objects.get().pk}/columns/"}


def test_the_same_file_again_leads_to_the_one_that_is_there(sent):
    load, data = traced.load_of(), traced.text(traced.made())
    sent(f"/loads/{load.pk}/traces/", {"trace": upload(data)})
    answer = sent(f"/loads/{load.pk}/traces/", {"trace": upload(data, "again.csv")}, follow=True)
    assert answer.redirect_chain[-1][0] == f"/traces/{TraceFile.objects.get().pk}/"
    assert "This file is with Load 1 already: logger.csv" in text_of(answer)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"%PDF-1.4 not a table", "Nothing is kept: the file is a PDF document"),
        (b"when;what\nnow;this\n", "no header is found"),
        (b"", "is empty: it has 0 bytes"),
    ],
)
def test_what_is_no_logger_file_is_told_and_not_kept(sent, data, words):
    load = traced.load_of()
    answer = sent(f"/loads/{load.pk}/traces/", {"trace": upload(data)})
    assert answer.status_code == 200
    assert words in text_of(answer)
    assert not TraceFile.objects.exists()


def test_nothing_is_chosen(sent):
    assert "Choose a file" in text_of(sent(f"/loads/{traced.load_of().pk}/traces/"))


def test_a_chambers_file_goes_to_the_loads_that_were_in_it(technician, sent):
    made, study = traced.made(), factories.study(rounds_planned=2, is_blind=False)
    loads = [traced.load_of(study, name=name) for name in ("Load 1", "Load 2")]
    rows = [traced.booked(load, made) for load in loads]
    freezer = rows[0][0].chamber
    for row in rows[1]:
        if row.step.name == "freeze":
            row.chamber = freezer
            row.save()
    page = technician.get(f"/chambers/{freezer.pk}/traces/")
    assert f"{study.code}, Load 2" in text_of(page)
    text = "time,air_c\n" + "".join(
        f"{traced.START + timedelta(minutes=m):%Y-%m-%dT%H:%M:%S},-20.{m % 3}\n" for m in range(400)
    )
    data = {"trace": upload(text.encode()), "loads": [load.pk for load in loads]}
    sent(f"/chambers/{freezer.pk}/traces/", data)
    first, second = TraceFile.objects.order_by("pk")
    sent(f"/traces/{first.pk}/columns/", columns_of(technician.get(f"/traces/{first.pk}/columns/").context["form"]))
    sent(f"/traces/{second.pk}/evaluate/")
    for trace in (first, second):
        html = text_of(technician.get(f"/traces/{trace.pk}/"))
        assert "2 of 2 soaks are met" in html
        assert "Counted from the air." in html
        assert f"The logger stayed in {freezer}" in html
    html = text_of(technician.get(f"/loads/{loads[1].pk}/"))
    assert "<b>2 of 6 met</b>, 4 in no file; 2 of them counted from the air only" in html


def test_a_chamber_without_loads_says_what_to_do(technician):
    chamber = traced.Chamber.objects.create(code="F-9", kind="freeze", capacity_coupons=4)
    assert "No load was in this chamber yet" in text_of(technician.get(f"/chambers/{chamber.pk}/traces/"))


# --- columns --------------------------------------------------------------------------------------------------------

HEADED = (
    "Logger 4\n\nWhen;Freezer;P1;P2;Battery\n02.11.2026 08:00;70,1;71,2;70,0;99\n02.11.2026 08:01;70,2;71,0;70,1;99\n"
)


@pytest.fixture
def headed(sent):
    load = traced.load_of()
    coupons = [factories.coupon(load.study, code=code) for code in ("K9QZ", "P2TQ")]
    for place, coupon in enumerate(coupons, start=1):
        load.places.create(coupon=coupon, place=place)
    sent(f"/loads/{load.pk}/traces/", {"trace": upload(HEADED.encode())})
    return TraceFile.objects.get()


def test_units_that_the_file_does_not_say_are_asked_for(technician, sent, headed):
    address = f"/traces/{headed.pk}/columns/"
    page = technician.get(address)
    assert '<option value="K9QZ">' in text_of(page)
    assert "Shown when every column above has what it needs." in text_of(page)
    given = columns_of(page.context["form"])
    assert "Is column P1 in °C or in °F?" in text_of(sent(address, given))
    assert not TraceEvaluation.objects.exists()
    given |= {f"unit_{n}": "degF" for n in (1, 2, 3)} | {"name_2": "K9QZ", "use_3": "not_read"}
    shown = text_of(sent(address, {**given, "show": "1"}))
    assert "21.2\u202f°C" in shown  # 70.1 degF
    assert not TraceEvaluation.objects.exists()
    sent(address, given)
    headed.refresh_from_db()
    assert [c["channel"] for c in headed.mapping["channels"]] == ["air_c", "coupon_K9QZ_c"]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"use_0": "not_read"}, "Choose one column of times"),
        ({"use_1": "time"}, "Choose one column of times"),
        ({"name_2": ""}, "Name the coupon or the place of the sensor."),
        ({"use_2": "air"}, "Two columns are the air"),
        ({"name_2": "A", "name_3": "A"}, "Two columns are coupon"),
        ({"use_1": "not_read", "use_2": "not_read", "use_3": "not_read"}, "at least one column that is a temperature"),
        ({"clock_behind_minutes": "soon"}, "is not a number"),
        ({"clock_behind_minutes": "99999999"}, "can’t be right"),
        ({"use_1": "nothing"}, "Select a valid choice"),
    ],
)
def test_columns_that_can_not_be_are_refused(technician, sent, headed, changes, words):
    address = f"/traces/{headed.pk}/columns/"
    given = columns_of(technician.get(address).context["form"]) | {f"unit_{n}": "degF" for n in (1, 2, 3)}
    assert words in text_of(sent(address, given | changes))
    assert not TraceEvaluation.objects.exists()


def test_faults_of_the_whole_file_are_listed_with_row_and_column(technician, sent):
    load = traced.load_of()
    lines = traced.text(traced.made()).decode().splitlines()
    lines[300] = lines[300].replace(",", ",cold", 1)
    sent(f"/loads/{load.pk}/traces/", {"trace": upload("\n".join(lines).encode())})
    trace = TraceFile.objects.get()
    sent(f"/traces/{trace.pk}/columns/", columns_of(technician.get(f"/traces/{trace.pk}/columns/").context["form"]))
    html = text_of(technician.get(f"/traces/{trace.pk}/"))
    assert "What is wrong in the file" in html
    assert "row 301, column air_c: " in html
    assert "Look at the columns" in html


# --- the evaluated file ---------------------------------------------------------------------------------------------


@pytest.fixture
def evaluation(db):
    load, made = traced.load_of(), traced.made()
    traced.booked(load, made, recorded_late_minutes=20.0)
    return traced.evaluated(load, traced.text(made))


def test_the_points_of_a_window_are_given(technician, evaluation):
    address = f"/traces/evaluations/{evaluation.pk}/points/"
    whole = technician.get(address, {"points": 4000}).json()
    assert whole["is_every_reading"]
    assert list(whole["channels"]) == ["air_c", "coupon_A_c", "coupon_B_c"]
    part = technician.get(address, {"points": 100, "from_s": 3600, "to_s": 7200}).json()
    # One reading more at either side, so that lines run on.
    assert (part["seconds"][0], part["seconds"][-1]) == (3540.0, 7260.0)


@pytest.mark.parametrize(
    "query", [{}, {"points": 0}, {"points": 100, "from_s": "x"}, {"points": 100, "from_s": 9, "to_s": 3}]
)
def test_a_window_that_can_not_be_is_refused_in_json(technician, evaluation, query):
    answer = technician.get(f"/traces/evaluations/{evaluation.pk}/points/", query)
    assert answer.status_code == 400
    assert answer.json()["error"]


def test_the_document_the_columns_and_the_file_can_be_taken_away(technician, evaluation):
    address = f"/traces/evaluations/{evaluation.pk}"
    document = technician.get(f"{address}/evaluation.json").json()
    assert [step["verdict"] for step in document["steps"]] == ["met"] * 6
    assert document["made_from"]["file_sha256"] == evaluation.trace.sha256
    csv = b"".join(technician.get(f"{address}/columns.csv").streaming_content).decode()
    assert csv.startswith('"time","air_c","coupon_A_c","coupon_B_c"\n')
    assert b"".join(technician.get(f"{address}/columns.parquet").streaming_content)[:4] == b"PAR1"
    raw = b"".join(technician.get(f"/traces/{evaluation.trace_id}/file/").streaming_content)
    assert raw == traced.text(traced.made())
    assert technician.get("/traces/evaluations/999/evaluation.json").status_code == 404


def test_a_clock_that_seems_off_is_pointed_out_and_corrected_with_a_reason(technician, sent, evaluation):
    address = f"/traces/{evaluation.trace_id}/"
    html = text_of(technician.get(address))
    assert "All moves differ alike. The logger’s clock may be 20" in html
    assert "behind" in html
    refused = text_of(sent(f"{address}clock/", {"clock_behind_minutes": "20"}))
    assert "This field is required" in refused
    sent(f"{address}clock/", {"clock_behind_minutes": "20", "reason": "compared with the wall clock"})
    html = text_of(technician.get(address))
    assert "Record and trace agree within five minutes." in html
    assert "20\u202fmin behind, corrected" in html
    assert TraceEvaluation.objects.count() == 2
    older = text_of(technician.get(f"{address}?evaluation={evaluation.pk}"))
    assert "All moves differ alike" in older
    changed = TraceFile.history.filter(id=evaluation.trace_id).first()
    assert changed.history_change_reason == "clock corrected: compared with the wall clock"


def test_an_evaluation_that_is_no_longer_current_is_told(technician, sent, evaluation):
    evaluation.trace.load.profile.steps.filter(name="freeze").update(min_minutes=200)
    html = text_of(technician.get(f"/traces/{evaluation.trace_id}/"))
    assert "Since this evaluation the profile" in html
    sent(f"/traces/{evaluation.trace_id}/evaluate/")
    assert "4 of 6 soaks are met" in text_of(technician.get(f"/traces/{evaluation.trace_id}/"))


def test_a_file_is_taken_out_with_a_reason(technician, sent, evaluation):
    pk, load = evaluation.trace_id, evaluation.trace.load
    assert "This field is required" in text_of(sent(f"/traces/{pk}/take-out/"))
    answer = sent(f"/traces/{pk}/take-out/", {"reason": "other load"}, follow=True)
    assert "was taken out of Load 1" in text_of(answer)
    assert not TraceFile.objects.filter(load=load).exists()
    assert technician.get(f"/traces/{pk}/").status_code == 404


def test_who_only_reads_sees_and_changes_nothing(guest, evaluation):
    html = text_of(guest.get(f"/traces/{evaluation.trace_id}/"))
    assert "6 of 6 soaks are met" in html
    for words in ("Take it out", ">Clock<", ">Columns<", "Record "):
        assert words not in html
    load = evaluation.trace.load
    for address in (
        f"/loads/{load.pk}/traces/", f"/traces/{evaluation.trace_id}/columns/", f"/traces/{evaluation.trace_id}/clock/",
        f"/traces/{evaluation.trace_id}/take-out/",
    ):  # fmt: skip
        assert guest.get(address).status_code == 403
    for name in ("evaluate", "deviations"):
        assert guest.post(f"/traces/{evaluation.trace_id}/{name}/").status_code == 403


def test_a_closed_study_takes_nothing_more(technician, sent, evaluation):
    load = evaluation.trace.load
    type(load.study).objects.filter(pk=load.study_id).update(state="closed")
    assert "is closed" in text_of(technician.get(f"/loads/{load.pk}/traces/"))
    assert "Take in a logger file" not in text_of(technician.get(f"/loads/{load.pk}/"))
    assert "is closed" in text_of(sent(f"/traces/{evaluation.trace_id}/deviations/", follow=True))


def test_a_file_that_only_shows_air_says_what_that_means(technician):
    made = traced.made()
    evaluation = traced.evaluated(traced.load_of(), traced.text(made, columns={"air_c": made.air_c}))
    html = text_of(technician.get(f"/traces/{evaluation.trace_id}/"))
    assert "Counted from the air." in html
    assert "each soak of the glass was shorter" in html


def test_lost_columns_are_told_instead_of_a_plot(technician, evaluation):
    path_of(evaluation.columns).unlink()
    html = text_of(technician.get(f"/traces/{evaluation.trace_id}/"))
    assert "no longer on the disk" in html
    assert technician.get(f"/traces/evaluations/{evaluation.pk}/points/", {"points": 100}).status_code == 404


def test_hostile_names_are_names(technician):
    evaluation = traced.evaluated(
        traced.load_of(),
        traced.text(traced.made()).replace(b"coupon_A_c", b"coupon_<b>x</b>_c"),
        filename="<script>1.csv",
    )
    html = text_of(technician.get(f"/traces/{evaluation.trace_id}/"))
    assert "<script>1.csv" not in html
    assert "<b>x</b>" not in html
    # The plot would read markup in its names.
    assert "glass \\u0026lt;b\\u0026gt;x" in html


# --- lists ----------------------------------------------------------------------------------------------------------


def test_a_load_with_three_files_takes_no_more_queries_than_one_with_one(technician):
    load, counts = traced.load_of(), {}
    for files in (1, 2, 3):
        traced.evaluated(load, traced.text(traced.made(seed=files, noise_k=0.05)), filename=f"logger-{files}.csv")
        with CaptureQueriesContext(connection) as queries:
            html = text_of(technician.get(f"/loads/{load.pk}/"))
        assert html.count('<a href="/traces/') == files
        counts[files] = len(queries)
    assert counts[1] == counts[3]


def test_scripts_read_the_evaluations_of_a_study(technician, evaluation):
    code = evaluation.trace.load.study.code
    [row] = technician.get(f"/api/studies/{code}/trace-evaluations/").json()["rows"]
    assert (row["load"], row["met"], row["soaks"], row["state"]) == ("Load 1", 6, 6, "done")
    assert technician.get(row["document"]).json()["verdict"] == "met"
    assert technician.get("/api/trace-evaluations/999/").status_code == 404


@pytest.mark.parametrize(
    ("typed", "minutes", "shown"),
    [("-30 d 2 h", -43_320, "30 d 2 h ahead, corrected"), ("47", 47, "47 min behind, corrected")],
)
def test_a_clock_that_was_never_set_is_corrected_with_its_reason_in_sight(
    technician, sent, evaluation, typed, minutes, shown
):
    trace = evaluation.trace
    sent(f"/traces/{trace.pk}/clock/", {"clock_behind_minutes": typed, "reason": "Its display beside the wall clock."})
    trace.refresh_from_db()
    assert trace.clock_behind_minutes == minutes
    page = technician.get(f"/traces/{trace.pk}/").content.decode()
    page = re.sub("[\N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}]", " ", page)
    assert f'{shown} <span class="soft">Its display beside the wall clock.</span>' in page
    assert ("off by more than two days, so it was never set" in page) == (abs(minutes) > 2 * 1440)
