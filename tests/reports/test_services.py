"""Reports are frozen and signed by people, each with their own statement."""

import hashlib
import re

import pytest
from django.core.exceptions import ValidationError

from labbench.bench.models import Deviation
from labbench.reports.content import MOST_COUPONS_LISTED, content
from labbench.reports.figures import share_figure, survival_figure
from labbench.reports.models import Report
from labbench.reports.services import is_whole, issue_report, meanings_open_to, report_pdf, sign
from tests import factories
from tests.reports.analysed import AT, analysed, mixed_rows, row, stored

pytestmark = pytest.mark.django_db


@pytest.fixture
def report():
    made = analysed(mixed_rows())
    return issue_report(analysis=made, title="Why it cracks out", by=factories.person("qa"), at=AT)


def refused(**details):
    with pytest.raises(ValidationError) as caught:
        sign(**details)
    return " ".join(caught.value.messages)


def test_a_report_holds_the_bytes_and_their_hash(report):
    stored_row = Report.objects.get()
    assert bytes(stored_row.pdf).startswith(b"%PDF-")
    assert stored_row.sha256 == hashlib.sha256(bytes(stored_row.pdf)).hexdigest()
    assert is_whole(stored_row)


def test_the_same_input_gives_the_same_bytes(report):
    details = {"number": 1, "title": "Why it cracks out", "author": str(report.created_by), "made_at": AT}
    assert report_pdf(report.analysis, **details) == bytes(report.pdf)


def test_lab_text_is_never_read_as_markup():
    study = factories.study()
    study.question = 'Is it $x$ #eval("1") *b* _i_ @ref <b> \\ `code` // no?'
    made = analysed(mixed_rows(), study=study)
    assert report_pdf(made, number=1, title="#panic() $ * _ ] }", author="A & <B>", made_at=AT).startswith(b"%PDF-")


def test_long_names_stay_on_the_page():
    rows = [row(i, "x" * 120 if i % 2 else "B", "y" * 120 if i % 3 else "L1", failed=i < 3) for i in range(6)]
    pages = [
        int(re.search(rb"/Count (\d+)", report_pdf(analysed(made), number=1, title="T", author="A", made_at=AT))[1])
        for made in (rows, [words.replace("x" * 120, "x").replace("y" * 120, "y") for words in rows])
    ]
    assert pages[0] <= pages[1] + 3


@pytest.mark.parametrize(
    "name", ["راتنج", "שרף", "राल", "a\u0301\u0323 q\u0307 Ω № ∅", "樹脂", "수지", "เรซิน", "lamp 🔦"],
    ids=["arabic", "hebrew", "devanagari", "combining", "chinese", "korean", "thai", "emoji"],
)  # fmt: skip
def test_names_in_any_script_make_a_report_or_a_refusal_that_names_the_characters(name):
    # Whether the last four can be shown is up to the fonts of the machine.
    made = analysed([row(i, name if i % 2 else "B", "L1", failed=i < 3) for i in range(6)])
    try:
        pdf = report_pdf(made, number=1, title=name, author="A", made_at=AT)
    except ValidationError as refusal:
        words = " ".join(refusal.messages)
        letters = re.findall(r"U\+([0-9A-F]{4,6})", words)
        assert letters
        assert {chr(int(code, 16)) for code in letters} <= set(name)
        assert name in {"樹脂", "수지", "เรซิน", "lamp 🔦"}
    else:
        assert pdf.startswith(b"%PDF-")


def test_a_character_that_no_font_has_is_named_and_nothing_stored():
    # U+0378 is assigned to no character.
    made = analysed(mixed_rows())
    with pytest.raises(ValidationError, match=r"No font on this server can show U\+0378, used in a name"):
        issue_report(analysis=made, title="Lot \u0378", by=factories.person())
    assert not Report.objects.exists()


def test_reports_of_a_study_are_numbered_over_its_analyses(report):
    study = report.analysis.study
    later = analysed(mixed_rows(pristine=5), study=study)
    assert issue_report(analysis=later, title="Again", by=report.created_by).number == report.number + 1
    assert issue_report(analysis=analysed(mixed_rows()), title="Other study", by=report.created_by).number == 1


def test_an_unfinished_analysis_has_no_report():
    waiting = stored("coupon\n", None, coupons=0, state="queued")
    with pytest.raises(ValidationError, match="no result yet"):
        issue_report(analysis=waiting, title="Too early", by=factories.person())


def test_the_content_says_what_the_document_says():
    made = analysed(mixed_rows())
    Deviation.objects.create(
        study=made.study,
        kind="late_transfer",
        happened_at=AT,
        description="Door stood open.",
        recorded_by=made.requested_by,
        recorded_at=AT,
    )
    said = content(made, number=3, title="T", author="A", made_at=AT)
    assert said["head"][0] == ["report", f"{made.study.code}, number 3"]
    lot = next(f for f in said["factors"] if f["label"] == "Resin lot")
    assert [line[:2] for line in lot["levels"]] == [["A", "1 of 18"], ["B", "15 of 18"]]
    assert said["deviations"][0][1:] == ["late transfer", "the study", "Door stood open."]
    assert len(said["coupons"]) == 40
    assert said["record"][0] == ["SHA-256 of the inputs", made.inputs_sha256]
    assert "Fisher-Freeman-Halton exact test" in said["methods"]
    assert said["combinations"]["columns"] == ["L1", "L2"]


def test_a_sheet_too_long_to_print_is_named_by_its_hash():
    rows = [row(i, "A", "L1", failed=i % 3 == 0, strength="") for i in range(MOST_COUPONS_LISTED + 1)]
    said = content(analysed(rows), number=1, title="T", author="A", made_at=AT)
    assert said["coupons"] == []
    assert "too many to print" in said["coupons_note"]


@pytest.mark.parametrize("rows", [[row(0, role="pristine")], [row(i, "A", "L1") for i in range(4)]])
def test_a_report_of_next_to_nothing_can_be_made(rows):
    assert report_pdf(analysed(rows), number=1, title="T", author="A", made_at=AT).startswith(b"%PDF-")


def test_the_figures_say_in_words_what_they_show():
    lot = analysed(mixed_rows()).result["factors"][0]
    shares = share_figure(lot, confidence=0.95)
    assert "A: 1 of 18 failed" in shares.alt
    assert ">15 of 18, 83\u202f%<" in shares.svg
    assert "B: 17\u202f% hold after round 3" in survival_figure(lot, confidence=0.95).alt


def test_names_in_a_figure_are_names():
    rows = [row(i, "<b>&A", "L1", failed=i < 2) for i in range(6)]
    svg = share_figure(analysed(rows).result["factors"][0], confidence=0.95).svg
    assert "&lt;b&gt;&amp;A" in svg


def test_a_signature_is_bound_to_the_bytes(report):
    reviewer = factories.person("lead")
    signature = sign(report=report, person=reviewer, meaning="reviewed", note=" Looked at every plot. ")
    assert (signature.report_sha256, signature.note) == (report.sha256, "Looked at every plot.")


def test_who_made_a_report_signs_only_as_its_author(report):
    maker = report.created_by
    for meaning in ("reviewed", "approved"):
        assert refused(report=report, person=maker, meaning=meaning) == (
            "Who made a report can sign only as its author: somebody else has to review and approve it."
        )
    assert [value for value, _ in meanings_open_to(report=report, person=maker)] == ["author"]
    sign(report=report, person=maker, meaning="author")
    assert meanings_open_to(report=report, person=maker) == []


@pytest.mark.parametrize("first", ["author", "reviewed", "approved"])
def test_a_person_signs_a_report_once(report, first):
    person = factories.person("lead")
    stated = sign(report=report, person=person, meaning=first).get_meaning_display()
    for meaning in ("author", "reviewed", "approved"):
        assert refused(report=report, person=person, meaning=meaning) == (
            f"You have already signed that you {stated}; a person signs a report once."
        )
    assert meanings_open_to(report=report, person=person) == []


def test_changed_bytes_are_seen_and_not_signed(report):
    Report.objects.filter(pk=report.pk).update(pdf=bytes(report.pdf) + b"x")
    assert not is_whole(Report.objects.get())
    assert "no longer the one that was issued" in refused(report=report, person=factories.person(), meaning="reviewed")
