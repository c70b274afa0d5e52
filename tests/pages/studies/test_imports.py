"""Handing in coupon sheets: what was read is shown, all of it is taken in or nothing, once."""

import io
import zipfile
from uuid import UUID

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone
from openpyxl import Workbook

from labbench.bench import intake
from labbench.bench.intake import take_in
from labbench.bench.models import Load
from labbench.bench.services import record_inspection
from labbench.bench.staging import run_intake, staged_path
from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.jobs.models import Job
from labbench.jobs.services import cancel, claim, running
from labbench.studies.models import Coupon, ImportedSheet, Study
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def came_in(study):
    reading = read_coupon_sheet(b"coupon,role,rounds_survived\nW1,test,1\nW2,test,2\n")
    by = factories.person()
    return take_in(study=study, reading=reading, filename="wrong.csv", may_add_levels=True, by=by, now=timezone.now())


def test_a_sheet_that_came_in_by_mistake_is_taken_out_from_the_study_page(lead, study, came_in):
    address = reverse("undo-import", args=[study.code, came_in.pk])
    assert address in lead.get(reverse("study", args=[study.code])).text
    assert "All 2 coupons that came with it" in lead.get(address).text
    assert "This field is required." in lead.post(address, {"reason": ""}).text
    answer = lead.post(address, {"reason": "another lab's"}, follow=True)
    assert "wrong.csv was taken out again with its 2 coupons; their history is kept." in answer.text
    assert not study.coupons.exists()
    assert not study.imported_sheets.exists()


def test_a_sheet_that_was_built_on_says_so_and_has_no_button(lead, study, came_in):
    record_inspection(
        coupon=study.coupons.get(code="W1"),
        by=factories.person(),
        seen_at=timezone.now(),
        round_number=2,
        outcome="intact",
    )
    address = reverse("undo-import", args=[study.code, came_in.pk])
    html = lead.get(address).text
    assert "Coupon W1 has an inspection made or changed since: wrong.csv can&#x27;t be taken out again." in html
    assert "Take it out</button>" not in html
    lead.post(address, {"reason": "all the same"})
    assert study.coupons.count() == 2


def test_only_a_lead_takes_a_sheet_out(technician, guest, study, came_in):
    address = reverse("undo-import", args=[study.code, came_in.pk])
    for client in (technician, guest):
        assert address not in client.get(reverse("study", args=[study.code])).text
        assert client.post(address, {"reason": "x"}).status_code == 403
    assert study.coupons.count() == 2


SHEET = b"""coupon,role,factor.resin,factor.cure_time_s,block,rounds_planned,rounds_survived,failed_round,strength_mpa
C1,test,A,60,Load 1,3,3,,41.25
C2,test,B,60,Load 1,3,1,3,
C3,pristine,,,,3,0,,52
"""
NEW = {"code": "COACH-9", "title": "From a sheet", "question": "Which lot?"}


def hand_in(client, data=SHEET, study=None, filename="sheet.csv"):
    """Upload; gives the address that the uploader is sent to."""
    address = reverse("import-sheet", args=[study.code]) if study else reverse("import-new")
    answer = client.post(address, {"sheet": SimpleUploadedFile(filename, data)})
    assert answer.status_code == 302, answer.text
    return answer.url


def cells(response):
    """(row, column) -> the fault shown there."""
    preview = response.context["preview"]
    names = [cell.text for cell in preview.header]
    return {
        (row.number, names[at]): cell.fault for row in preview.rows for at, cell in enumerate(row.cells) if cell.fault
    }


@pytest.fixture
def at_once(eager_queue, django_capture_on_commit_callbacks):
    """Confirm a sheet and have its job run."""

    def confirmed(client, address, **data):
        with django_capture_on_commit_callbacks(execute=True):
            return client.post(address, data)

    return confirmed


def test_the_page_explains_the_columns_and_has_a_plain_file_field(lead, study):
    shown = lead.get(reverse("import-sheet", args=[study.code])).text
    assert 'type="file"' in shown
    assert "factor.cure_time_s" in shown
    assert reverse("empty-study-sheet", args=[study.code, "csv"]) in shown


def test_what_would_be_added_is_said_before_anything_is_stored(lead, study):
    shown = lead.get(hand_in(lead, study=study))
    assert "3 coupons would be added to COACH-1" in shown.text
    assert shown.context["new_loads"] == ["Load 1"]
    assert (shown.context["cracked_out"], shown.context["broken"]) == (1, 2)
    assert not Coupon.objects.exists()


def test_a_confirmed_sheet_is_in_the_study(lead, study, at_once):
    address = hand_in(lead, study=study)
    job = at_once(lead, address)
    assert lead.get(job.url).url == reverse("study", args=[study.code])
    assert study.coupons.count() == 3
    assert ImportedSheet.objects.get().filename == "sheet.csv"


def test_a_sheet_can_get_a_study_of_its_own(lead, at_once):
    address = hand_in(lead)
    assert "This field is required." in at_once(lead, address).text
    assert not Study.objects.exists()
    at_once(lead, address, **NEW)
    study = Study.objects.get()
    assert (study.code, study.state, study.rounds_planned, study.coupons.count()) == ("COACH-9", "running", 3, 3)
    assert list(study.factors.values_list("name", flat=True)) == ["resin", "cure_time_s"]


def test_a_code_that_is_taken_is_refused(lead, study):
    shown = lead.post(hand_in(lead), NEW | {"code": study.code})
    assert "There is a study COACH-1 already." in shown.text


def test_every_fault_is_at_its_row_and_column_and_nothing_is_stored(lead, study):
    ugly = SHEET.replace(b"B,60,Load 1,3,1,3", b"B,-60,Load 1,3,3,3").replace(b"C3,pristine", b"C1,prist")
    address = hand_in(lead, ugly, study)
    shown = lead.get(address)
    marked = cells(shown)
    assert set(marked) == {(3, "factor.cure_time_s"), (3, "failed_round"), (4, "coupon"), (4, "role")}
    assert marked[3, "failed_round"] == "3 is not greater than rounds_survived 3"
    assert "already in row 2" in marked[4, "coupon"]
    assert "4 faults: nothing is taken in" in shown.text
    assert "Take in all" not in shown.text
    assert lead.post(address).status_code == 200
    assert not Job.objects.exists()
    assert not Coupon.objects.exists()


def test_a_faulty_row_far_down_is_shown(lead, study):
    rows = SHEET + b"".join(b"X%d,test,A,60,,3,3,,\n" % number for number in range(400)) + b"Y,test,A,60,,3,x,,\n"
    assert cells(lead.get(hand_in(lead, rows, study))) == {(405, "rounds_survived"): '"x" is not a number'}


def test_a_coupon_that_the_study_has_is_marked_at_its_row(lead, study):
    rows = SHEET + b"".join(b"X%d,test,A,60,,3,3,,\n" % number for number in range(400))
    factories.coupon(study, code="X399")
    shown = lead.get(hand_in(lead, rows, study))
    assert cells(shown) == {(404, "coupon"): "X399 is in this study already"}
    # The row is beyond those kept as written; it is shown as it was understood.
    assert shown.context["preview"].rows[-1].cells[2].text == "A"


def test_new_levels_are_asked_about(lead, study, at_once):
    address = hand_in(lead, SHEET.replace(b"C2,test,B", b"C2,test,Bb"), study)
    shown = lead.get(address)
    assert cells(shown).keys() == {(3, "factor.resin")}
    assert shown.context["asked_levels"] == (("resin", "Bb"),)
    assert "Tick this if they are right." in at_once(lead, address).text
    assert not Coupon.objects.exists()
    at_once(lead, address, may_add_levels="on")
    assert study.coupons.count() == 3
    assert study.factors.get(name="resin").levels.filter(name="Bb").exists()


def test_the_same_file_twice_is_recognised(lead, study, at_once):
    at_once(lead, hand_in(lead, study=study))
    address = hand_in(lead, study=study, filename="renamed.csv")
    shown = lead.get(address)
    assert "This file was taken in already" in shown.text
    assert "Take in all" not in shown.text
    at_once(lead, address)
    assert Coupon.objects.count() == 3


def test_the_same_file_in_another_study_is_said_but_possible(lead, study, at_once):
    at_once(lead, hand_in(lead, study=study))
    address = hand_in(lead)
    assert "The same file was taken into" in lead.get(address).text
    at_once(lead, address, **NEW)
    assert Coupon.objects.count() == 6


def test_two_confirmations_are_one_job(lead, study):
    address = hand_in(lead, study=study)
    first, second = lead.post(address), lead.post(address)
    assert first.url == second.url
    assert Job.objects.count() == 1
    assert lead.get(address).url == first.url


def test_two_confirmations_make_one_study(lead):
    address = hand_in(lead)
    assert lead.post(address, NEW).url == lead.post(address, NEW).url
    assert Job.objects.count() == 1


def test_a_sheet_put_aside_or_cancelled_leaves_no_empty_study(lead, eager_queue, django_capture_on_commit_callbacks):
    address = hand_in(lead)
    lead.post(reverse("put-aside-sheet", args=[lead.get(address).context["staged"].token]))
    confirmed = lead.post(hand_in(lead), NEW)
    job = Job.objects.get()
    lead.post(reverse("cancel-job", args=[job.pk]))
    assert lead.get(confirmed.url).status_code == 200
    assert not Study.objects.exists()
    with django_capture_on_commit_callbacks(execute=True):
        lead.post(reverse("retry-job", args=[job.pk]))
    study = Study.objects.get()
    assert study.coupons.count() == 3
    assert study.history.get().history_change_reason == "made for sheet.csv"
    assert lead.get(confirmed.url).url == reverse("study", args=["COACH-9"])


def test_a_job_stopped_while_it_stores_leaves_no_empty_study(lead, eager_queue, monkeypatch):
    lead.post(hand_in(lead), NEW)
    job = Job.objects.get()
    looks = intake.looks
    monkeypatch.setattr(intake, "looks", lambda *args: cancel(job=job) and looks(*args))
    with running(job.pk) as hold:
        run_intake(hold, now=timezone.now())
    job.refresh_from_db()
    assert job.state == "cancelled"
    assert not Study.objects.exists()
    assert not Coupon.objects.exists()


def test_a_code_taken_after_the_confirmation_is_said_and_nothing_is_stored(lead):
    address = hand_in(lead)
    confirmed = lead.post(address, NEW)
    factories.study(code="COACH-9")
    with running(Job.objects.get().pk) as hold:
        run_intake(hold, now=timezone.now())
    assert "Nothing was stored. " in lead.get(confirmed.url).text
    assert not Coupon.objects.exists()


def test_a_study_made_for_a_sheet_is_made_once_when_its_worker_dies_late(lead):
    lead.post(hand_in(lead), NEW)
    job = Job.objects.get()
    run_intake(claim(job.pk), now=timezone.now())
    Job.objects.update(state="queued", run_token=None)
    again = claim(job.pk)
    staged_path(UUID(job.arguments["token"])).write_bytes(SHEET)
    run_intake(again, now=timezone.now())
    assert Study.objects.get().coupons.count() == 3


def test_a_sheet_put_aside_is_gone(lead, study):
    address = hand_in(lead, study=study)
    token = lead.get(address).context["staged"].token
    lead.post(reverse("put-aside-sheet", args=[token]))
    assert not staged_path(token).exists()
    assert lead.get(address).status_code == 404


def test_another_person_does_not_see_a_staged_sheet(lead, study):
    from tests.pages.conftest import signed_in

    assert signed_in("lead").get(hand_in(lead, study=study)).status_code == 404


def test_a_staged_sheet_that_was_swept_away(lead, study):
    address = hand_in(lead, study=study)
    staged_path(lead.get(address).context["staged"].token).unlink()
    assert lead.get(address).url == reverse("import-sheet", args=[study.code])


def test_what_was_done_to_read_the_file_is_said(lead, study):
    shown = lead.get(hand_in(lead, SHEET.replace(b",", b";").replace(b"41.25", b"41,25"), study))
    assert "Decimal commas read as decimal points" in shown.text


def workbook(*rows):
    book, written = Workbook(), io.BytesIO()
    for row in rows:
        book.active.append(row)
    book.save(written)
    return written.getvalue()


def test_a_workbook(lead, study, at_once):
    data = workbook(["coupon", "factor.resin", "rounds_survived"], ["W1", "A", 3], ["W2", "B", 2])
    at_once(lead, hand_in(lead, data, study, "sheet.xlsx"))
    assert list(study.coupons.order_by("code").values_list("code", "rounds_survived")) == [("W1", 3), ("W2", 2)]


def bomb():
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"0" * 50_000_000)
    return written.getvalue()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"%PDF-1.7 ...", "is a PDF document"),
        (b"\x00\x01\x02" * 50, ""),
        (b"name,result\nC1,ok\n", "coupon"),
        (b"coupon\n", "the sheet has a header, but no coupons"),
        (b"PK\x03\x04 broken", "damaged"),
        (bomb(), "packed far tighter"),
        (b"coupon,coupon\nC1,C1\n", "coupon"),
        (b"<html><body>sign in</body></html>", "web page"),
    ],
)
def test_ugly_files_are_refused_in_words(lead, study, data, words):
    shown = lead.get(hand_in(lead, data, study))
    assert shown.status_code == 200
    assert "nothing is taken in" in shown.text
    assert words in shown.text
    assert shown.context["preview"].faults >= 1


def test_cells_are_shown_as_text(lead, study):
    shown = lead.get(hand_in(lead, SHEET.replace(b"C1,", b"<script>alert(1)</script>,", 1), study)).text
    assert "<script>alert(1)" not in shown
    assert "&lt;script&gt;alert(1)" in shown


@pytest.mark.parametrize(("files", "words"), [({}, "Choose a file"), ({"sheet": b""}, "is empty: it has 0 bytes")])
def test_no_file_and_an_empty_one(lead, study, files, words):
    uploads = {name: SimpleUploadedFile("a.csv", data) for name, data in files.items()}
    assert words in lead.post(reverse("import-sheet", args=[study.code]), uploads).text


def test_too_many_coupons_for_a_study(lead, study, settings):
    settings.MAX_COUPONS_PER_STUDY = 2
    assert "more than the 2 that one study may hold" in lead.get(hand_in(lead, study=study)).text
    assert "more than the 2 that one study may hold" in lead.get(hand_in(lead)).text


def test_a_body_that_is_too_large_is_refused_before_it_is_read(lead, study, settings):
    settings.MAX_UPLOAD_BYTES = 1000
    answer = lead.post(
        reverse("import-sheet", args=[study.code]), {"sheet": SimpleUploadedFile("a.csv", b"x" * 3_000_000)}
    )
    assert answer.status_code == 413
    assert "The upload of 3 MB is more than the 0 MB" in answer.text


@pytest.mark.parametrize("role", ["technician", "guest"])
def test_only_a_lead_imports(request, lead, study, role):
    client = request.getfixturevalue(role)
    assert client.get(reverse("import-new")).status_code == 403
    assert client.post(reverse("import-sheet", args=[study.code]), {"sheet": io.BytesIO(SHEET)}).status_code == 403
    assert client.post(hand_in(lead, study=study)).status_code == 403
    assert not Load.objects.exists()
