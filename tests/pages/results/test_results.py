"""The results pages as each reader sees them."""

import json
import re

import pytest
from django.urls import reverse

from labbench.bench.services import record_inspection
from labbench.jobs.models import Job
from labbench.reports.models import Report, Signature
from labbench.reports.services import issue_report
from labbench.studies.services import set_level
from tests import factories
from tests.factories import NOON
from tests.reports.analysed import AT, HEADER, analysed, mixed_rows, row, stored

pytestmark = pytest.mark.django_db
N = "\u202f"


def as_(client, role="lead", **details):
    person = factories.person(role, **details)
    client.force_login(person)
    return person


def text_of(answer):
    return re.sub(r"[ \n]+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


@pytest.fixture
def mixed():
    return analysed(mixed_rows())


def test_the_numbers_on_the_page_are_those_of_the_document(client, mixed):
    as_(client, "guest")
    shown = text_of(client.get(reverse("analysis", args=[mixed.pk])))
    assert "16 of 36 test coupons cracked out within 3 rounds." in shown
    lot = mixed.result["factors"][0]
    for level in lot["levels"]:
        assert f"{level['failed']} of {level['coupons']}" in shown
        strength = level["strength"]
        assert f"n = {strength['n']}" in shown
    # Clopper-Pearson of 15 of 18 and of 1 of 18, as R's binom.test prints them (from memory: 0.5858 to 0.9642).
    assert f"59 to 96{N}%" in shown
    assert f"0.1 to 27{N}%" in shown


def test_the_page_warns_where_plain_and_adjusted_results_differ(client, mixed):
    as_(client, "guest")
    shown = text_of(client.get(reverse("analysis", args=[mixed.pk])))
    assert "By itself lamp stands out" in shown
    assert "Do not read them as a cause." in shown


def test_the_table_of_combinations_can_be_chosen(client, mixed):
    as_(client, "guest")
    address = reverse("analysis", args=[mixed.pk])
    assert "Resin lot against lamp: what each combination has shown" in text_of(client.get(address))
    assert "Lamp against cure time" in text_of(client.get(address, {"rows": "lamp", "columns": "cure_time_s"}))
    assert "What each lamp has shown" in text_of(client.get(address, {"rows": "lamp", "columns": ""}))
    assert client.get(address, {"rows": "no_such", "columns": "x" * 999}).status_code == 200


HARD = {
    "no factor": ("coupon,rounds_survived,failed_round", ["C1,3,", "C2,1,2"]),
    "no test coupon": (HEADER, [row(0, role="pristine")]),
    "no failure": (HEADER, [row(i, "A" if i % 2 else "B", "L1") for i in range(6)]),
    "all failed": (HEADER, [row(i, "A" if i % 2 else "B", "L1", failed=True) for i in range(6)]),
    "one coupon": (HEADER, [row(0, "A", "L1")]),
    "names": (HEADER, [row(i, "<script>alert(1)</script>" if i % 2 else "樹脂 №7 – Ω" * 12, "L1", failed=i < 3) for i in range(8)]),
    "forty levels": (HEADER, [row(i, f"lot {i % 40}", f"L{i % 3}", failed=i % 4 == 0) for i in range(120)]),
    "twelve factors": (
        "coupon," + ",".join(f"factor.f{n}" for n in range(12)) + ",rounds_survived,failed_round",
        [f"C{i}," + ",".join("ab"[(i >> n % 4) & 1] for n in range(12)) + (",0,1" if i % 3 == 0 else ",3,") for i in range(24)],
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", HARD)
def test_hard_sheets_have_a_page(client, case):
    header, rows = HARD[case]
    as_(client, "guest")
    answer = client.get(reverse("analysis", args=[analysed(rows, header=header).pk]))
    assert answer.status_code == 200
    assert b"<script>alert" not in answer.content
    assert not re.search(r"NaN|\bNone\b(?! (was|needed|of the|of \d))|Traceback", text_of(answer))


def test_what_is_missing_shows_its_reason(client, mixed):
    result = {
        **mixed.result,
        "cause": None,
        "confounded": None,
        "next_coupons": None,
        "reason": "the factors are too many",
    }
    result["factors"] = [{**factor, "verdict": None} for factor in result["factors"]]
    made = stored(mixed.sheet_csv, result, coupons=40)
    as_(client, "guest")
    shown = text_of(client.get(reverse("analysis", args=[made.pk])))
    assert shown.count("Not computed. The factors are too many.") == 3
    assert "No verdict was computed for this factor." in shown


def test_one_coupon_tells_nothing_apart(client):
    as_(client, "guest")
    shown = text_of(client.get(reverse("analysis", args=[analysed([row(0, "A", "L1")]).pk])))
    assert "No two factors have varied among these coupons" in shown
    assert "Yes: no two factors changed together" not in shown
    assert "Of 1 combination run:" in shown


def test_a_page_that_could_not_compare_asks_again_until_it_is_answered(client, mixed, monkeypatch):
    monkeypatch.setattr("labbench.pages.results.views.COUPONS_COMPARED_AT_ONCE", 0)
    as_(client, "guest")
    page = client.get(reverse("study-results", args=[mixed.study.code])).content.decode()
    asking = re.search(r'<div id="standing"[^>]*>', page)[0]
    assert 'hx-trigger="load, every 10s"' in asking
    part = client.get(reverse("analysis-standing", args=[mixed.pk])).content.decode()
    assert "hx-trigger" not in part


@pytest.mark.parametrize("coupons", [1, 3])
def test_the_list_of_analyses_takes_a_fixed_number_of_queries(client, coupons, django_assert_num_queries):
    study = factories.study()
    for number in range(coupons):
        analysed([row(i, "A", "L1") for i in range(number + 1)], study=study)
    as_(client)
    with django_assert_num_queries(4):
        answer = client.get(reverse("analyses", args=[study.code]))
    assert text_of(answer).count("Analysis ") >= coupons


@pytest.mark.parametrize("reports", [0, 3])
def test_an_analysis_takes_a_fixed_number_of_queries(client, reports, mixed, django_assert_max_num_queries):
    for number in range(reports):
        issued = Report.objects.create(
            analysis=mixed,
            number=number + 1,
            title="T",
            pdf=b"x",
            sha256="0" * 64,
            created_by=mixed.requested_by,
            created_at=AT,
        )
        Signature.objects.create(
            report=issued, person=mixed.requested_by, meaning="reviewed", report_sha256="0" * 64, signed_at=AT
        )
    as_(client)
    with django_assert_max_num_queries(8):
        client.get(reverse("analysis", args=[mixed.pk]))


def test_levels_are_crossed_and_what_never_left_a_load_is_named(client):
    pairs = [("A", "L1", 0), ("A", "L1", 2), ("B", "L1", 4), ("B", "L2", 1), ("B", "L2", 3)]
    made = analysed([row(number, lot, lamp) for lot, lamp, number in pairs])
    as_(client, "guest")
    answer = client.get(reverse("analysis", args=[made.pk]))
    shown = text_of(answer)
    assert "All 2 coupons with resin lot A travelled in load 0" in shown
    assert "4 of 12 pairs of levels never met on a coupon." in shown
    # Lot A with lamps L1, L2 and 60, 90 s. Shades go by the largest count: 3 coupons with lamp L1 and 90 s.
    cells = re.findall(r'<td class="num heat-(\d)">(?:<span aria-hidden="true">)?([^<]+)<', answer.content.decode())
    assert [(int(shade), count) for shade, count in cells[:4]] == [(4, "2"), (0, "∅"), (0, "∅"), (4, "2")]


def test_downloads_are_the_stored_bytes(client, mixed):
    as_(client, "guest")
    assert json.loads(client.get(reverse("analysis-result", args=[mixed.pk])).content) == mixed.result
    sheet = client.get(reverse("analysis-sheet", args=[mixed.pk]))
    assert sheet.content.decode() == mixed.sheet_csv
    assert sheet["Content-Disposition"].startswith("attachment")


# --- Asking for an analysis -------------------------------------------------------------------------------------------


@pytest.fixture
def study():
    made, hand = factories.study(rounds_planned=3, is_blind=True), factories.person("technician")
    resin = factories.factor(made, "resin", ("A", "B"))
    for number, (level, outcome) in enumerate([("A", "intact")] * 4 + [("B", "cracked_out")] * 4):
        coupon = factories.coupon(made, code=f"C{number}")
        set_level(coupons=[coupon], factor=resin, level=resin.levels.get(name=level), by=hand)
        record_inspection(coupon=coupon, by=hand, seen_at=NOON, round_number=3, outcome=outcome)
    return made


def ask(client, study, callbacks):
    with callbacks(execute=True):
        answer = client.post(reverse("request-analysis", args=[study.code]))
    return client.get(answer.url)


def test_a_lead_asks_and_reads_without_script(client, study, eager_queue, django_capture_on_commit_callbacks):
    as_(client)
    assert "Not analysed yet" in text_of(client.get(reverse("study-results", args=[study.code])))
    shown = text_of(ask(client, study, django_capture_on_commit_callbacks))
    assert "4 of 8 test coupons cracked out" in shown
    assert "nothing it is computed from has changed since" in shown


def test_a_later_look_makes_the_answer_old(client, study, eager_queue, django_capture_on_commit_callbacks):
    lead = as_(client)
    ask(client, study, django_capture_on_commit_callbacks)
    record_inspection(coupon=factories.coupon(study), by=lead, seen_at=NOON, round_number=3, outcome="intact")
    shown = text_of(client.get(reverse("study-results", args=[study.code])))
    assert "The study has changed since." in shown
    assert "Analyse as it stands now" in shown
    assert "4 of 9 test coupons" in text_of(ask(client, study, django_capture_on_commit_callbacks))


def test_asking_again_shows_the_stored_answer(client, study, eager_queue, django_capture_on_commit_callbacks):
    as_(client)
    ask(client, study, django_capture_on_commit_callbacks)
    assert "here is its stored answer" in text_of(ask(client, study, django_capture_on_commit_callbacks))
    assert Job.objects.count() == 1


def test_progress_asks_again_and_then_brings_the_answer(client, study, eager_queue, django_capture_on_commit_callbacks):
    as_(client)
    waiting = client.post(reverse("request-analysis", args=[study.code]), follow=True)
    analysis = study.analyses.get()
    address = reverse("analysis-progress", args=[analysis.pk])
    assert f'hx-get="{address}"' in waiting.content.decode()
    part = client.get(address, headers={"HX-Request": "true"})
    assert 'hx-trigger="every 1s"' in part.content.decode()
    assert "HX-Retarget" not in part
    from labbench.analysis.tasks import analyse

    analyse(str(analysis.job_id))
    part = client.get(address, headers={"HX-Request": "true"})
    assert part["HX-Retarget"] == "#analysis"
    assert "4 of 8 test coupons cracked out" in text_of(part)
    assert "<!doctype" not in part.content.decode().lower()


def test_a_waiting_analysis_can_be_cancelled_and_tried_again(
    client, study, django_capture_on_commit_callbacks, eager_queue
):
    as_(client)
    client.post(reverse("request-analysis", args=[study.code]))
    analysis = study.analyses.get()
    shown = text_of(client.post(reverse("cancel-analysis", args=[analysis.pk]), follow=True))
    assert "Cancelled before it started." in shown
    assert "Try again" in shown
    with django_capture_on_commit_callbacks(execute=True):
        client.post(reverse("retry-analysis", args=[analysis.pk]))
    assert "4 of 8 test coupons" in text_of(client.get(reverse("study-results", args=[study.code])))
    refused = client.post(reverse("retry-analysis", args=[analysis.pk]), follow=True)
    assert "only one that failed or was cancelled can be tried again" in text_of(refused)


def test_a_failed_analysis_says_why(client):
    as_(client)
    failed = stored("coupon\n", None, coupons=0, state="failed")
    Job.objects.filter(pk=failed.job_id).update(reason="The sheet could not be read again.")
    shown = text_of(client.get(reverse("study-results", args=[failed.study.code])))
    assert "The sheet could not be read again." in shown


@pytest.mark.parametrize(("role", "allowed"), [("lead", True), ("qa", True), ("technician", False), ("guest", False)])
def test_who_may_ask(client, study, role, allowed):
    as_(client, role)
    answer = client.post(reverse("request-analysis", args=[study.code]))
    assert answer.status_code == (302 if allowed else 403)
    assert study.analyses.exists() == allowed


def test_who_inspects_blind_does_not_see_results(client):
    study = factories.study(is_blind=True)
    made = analysed(mixed_rows(), study=study)
    report = issue_report(analysis=made, title="T", by=factories.person())
    as_(client, "technician")
    shown = text_of(client.get(reverse("study-results", args=[study.code])))
    assert "Closed to you while the study is open" in shown
    assert "16 of 36" not in shown
    for name, pk in (
        ("analysis", made.pk),
        ("analysis-result", made.pk),
        ("analysis-sheet", made.pk),
        ("report-pdf", report.pk),
    ):
        assert client.get(reverse(name, args=[pk])).status_code == 403
    study.state = "closed"
    study.save()
    assert client.get(reverse("analysis", args=[made.pk])).status_code == 200


def test_results_need_a_sign_in(client, mixed):
    for name, argument in (("study-results", mixed.study.code), ("analysis", mixed.pk), ("analysis-result", mixed.pk)):
        answer = client.get(reverse(name, args=[argument]))
        assert answer.status_code == 302
        assert answer.url.startswith("/sign-in/")


def test_what_is_not_there_is_not_found(client):
    as_(client)
    assert client.get("/studies/none/results/").status_code == 404
    assert client.get("/analyses/999/").status_code == 404
    assert client.get(f"/analyses/{2**70}/").status_code == 404


def test_the_methods_page_explains_the_verdicts(client):
    as_(client, "guest")
    shown = text_of(client.get(reverse("methods")))
    for word in ("implicated", "cleared", "confounded", "undecided"):
        assert word in shown


# --- Reports and signatures ---------------------------------------------------------------------------------------------


@pytest.fixture
def report(mixed):
    return issue_report(analysis=mixed, title="Why it cracks out", by=factories.person("lead"), at=AT)


def signer(client, role="qa"):
    person = as_(client, role)
    person.set_password("walnut otter 42")
    person.save()
    client.force_login(person)
    return person


def test_a_report_is_made_and_downloaded(client, mixed):
    as_(client, "qa")
    page = client.post(reverse("create-report", args=[mixed.pk]), {"title": "Autumn"}, follow=True)
    made = Report.objects.get()
    assert made.sha256 in page.content.decode()
    assert "The stored bytes are those it was issued with." in text_of(page)
    pdf = client.get(reverse("report-pdf", args=[made.pk]))
    assert (pdf["Content-Type"], pdf.content) == ("application/pdf", bytes(made.pdf))
    assert f"Report {made.number}: Autumn" in text_of(client.get(reverse("analysis", args=[mixed.pk])))


def test_a_report_needs_a_title_and_a_role(client, mixed):
    as_(client, "qa")
    assert "This field is required." in text_of(
        client.post(reverse("create-report", args=[mixed.pk]), {"title": " "}, follow=True)
    )
    as_(client, "guest")
    assert client.post(reverse("create-report", args=[mixed.pk]), {"title": "T"}).status_code == 403
    assert not Report.objects.exists()


def test_a_signature_takes_the_password_again(client, report):
    person = signer(client)
    address = reverse("sign-report", args=[report.pk])
    refused = client.post(address, {"meaning": "approved", "password": "wrong one"})
    assert refused.status_code == 422
    assert "This is not your password." in text_of(refused)
    assert not Signature.objects.exists()
    page = text_of(client.post(address, {"meaning": "approved", "password": "walnut otter 42"}, follow=True))
    signature = Signature.objects.get()
    assert (signature.person, signature.meaning, signature.report_sha256) == (person, "approved", report.sha256)
    assert f"{person} approved it" in page


def test_asking_where_there_is_nothing_to_analyse_says_what_is_missing(client):
    signer(client, "lead")
    study = factories.study(code="EL-3")
    factories.coupon(study)
    answer = client.post(reverse("request-analysis", args=[study.code]), follow=True)
    assert "No coupon of EL-3 has been inspected after a round" in text_of(answer)


def test_the_maker_is_not_offered_approval_and_can_not_post_it(client, report):
    report.created_by.set_password("walnut otter 42")
    report.created_by.save()
    client.force_login(report.created_by)
    page = client.get(reverse("report", args=[report.pk])).content.decode()
    assert 'value="author"' in page
    assert 'value="reviewed"' not in page
    assert 'value="approved"' not in page
    answer = client.post(
        reverse("sign-report", args=[report.pk]), {"meaning": "approved", "password": "walnut otter 42"}
    )
    assert "somebody else has to review and approve it" in text_of(answer)
    assert not Signature.objects.exists()


def test_guests_and_technicians_read_reports_but_do_not_sign(client, report):
    for role in ("guest", "technician"):
        type(report.analysis.study).objects.filter(pk=report.analysis.study_id).update(is_blind=False)
        signer(client, role)
        page = client.get(reverse("report", args=[report.pk]))
        assert page.status_code == 200
        assert "Typed again for every signature." not in text_of(page)
        answer = client.post(
            reverse("sign-report", args=[report.pk]), {"meaning": "reviewed", "password": "walnut otter 42"}
        )
        assert answer.status_code == 403


def test_changed_bytes_are_shouted(client, report):
    Report.objects.filter(pk=report.pk).update(pdf=b"%PDF-forged")
    signer(client)
    assert "The stored bytes are not those it was issued with." in text_of(
        client.get(reverse("report", args=[report.pk]))
    )
