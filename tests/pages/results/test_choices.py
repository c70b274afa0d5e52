"""Switching between names and measured values, and leaving coupons out, as a lab lead does it."""

import re

import pytest
from django.urls import reverse

from labbench.analysis.covariates import measured_values
from labbench.analysis.models import Analysis
from labbench.bench.models import ReceivedDose, Repair
from labbench.pages.results.other_choices import OtherChoice, cause_words, isolating, measured_alone
from labbench.reports.services import issue_report
from labbench.reports.wording import level_label, plainly
from tests import factories
from tests.analysis.dosed import deviate, dosed_study

pytestmark = pytest.mark.django_db
N = "\u202f"


def text_of(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode())).replace(N, " ")


def as_(client, role="lead"):
    person = factories.person(role)
    client.force_login(person)
    return person


@pytest.fixture
def chosen(client, eager_queue, django_capture_on_commit_callbacks):
    """Ask for a choice as the page does; gives the page that follows."""

    def ask(study, **fields):
        with django_capture_on_commit_callbacks(execute=True):
            answer = client.post(reverse("choose-analysis", args=[study.code]), fields)
        return client.get(answer.url) if answer.status_code == 302 else answer

    return ask


def test_the_page_offers_what_was_measured_with_what_is_known_of_it(client):
    as_(client)
    study = dosed_study()
    shown = text_of(client.get(reverse("choose-analysis", args=[study.code])))
    assert (
        "Dose min dose at the coldest place of the survey 12 of 12 60 to 240 mJ/cm² 2 as they are lamp and cure time"
        in shown
    )
    assert (
        "Glass temperature glass temperature at the repair 12 of 12 20.0 to 21.1 °C 4 by equal numbers no factor here"
        in shown
    )
    assert "Dose break" not in shown
    assert "have no dose yet" not in shown


def test_a_link_ticks_beforehand(client):
    as_(client)
    page = client.get(
        reverse("choose-analysis", args=[dosed_study().code]), {"measured": "dose_min_mj_cm2", "without": "lamp"}
    )
    ticked = re.findall(r'name="(\w+)" value="(\w+)"[^>]* checked', page.content.decode())
    assert ticked == [("measured", "dose_min_mj_cm2"), ("without", "lamp")]


def test_the_lead_switches_from_lamp_names_to_the_dose_and_reads_the_answer(client, chosen):
    as_(client)
    study = dosed_study()
    chosen(study)
    results = client.get(reverse("study-results", args=[study.code]))
    assert "The dose in place of lamp and cure time" in text_of(results)
    page = chosen(study, measured="dose_min_mj_cm2", without=["lamp", "cure_time_s"])
    shown = text_of(page)
    assert "Chosen: dose min in place of cure time and lamp." in shown
    assert "The failing variable: dose min = 60 mJ/cm²" in shown
    assert "Dose min explains the failures better than lamp, by dose min = 60 mJ/cm²" in shown
    assert "No coupons are proposed, as what was measured can’t be allotted to one." in shown
    assert f'href="{reverse("cure")}">cure calculator' in page.content.decode()
    assert "6 of 12 test coupons failed of which both are known." in shown
    assert "Which coupons failed, by dose min and lamp" in shown
    # The results page of the study goes on telling by names, and points there.
    results = text_of(client.get(reverse("study-results", args=[study.code])))
    assert "The cause is not isolated yet By measured dose min the cause is isolated: dose min = 60 mJ/cm² (" in results
    made = Analysis.objects.exclude(choice={}).get()
    box = client.get(reverse("study-results", args=[study.code])).content.decode().split('id="answer"')[1]
    assert f'href="{reverse("analysis", args=[made.pk])}">Read the analysis of' in box.split("</section>")[0]
    # The chosen analysis itself points nowhere.
    assert "By measured" not in shown
    assert "dose min = 60 mJ/cm² is isolated" in results
    assert "dose min in place of cure time and lamp" in text_of(client.get(reverse("analyses", args=[study.code])))


def answer_box(client, study):
    html = client.get(reverse("study-results", args=[study.code])).content.decode()
    return html.split('id="answer"')[1].split("</section>")[0]


def test_the_answer_points_to_what_was_measured_until_somebody_looks_at_it(client, chosen):
    as_(client)
    study = dosed_study(is_blind=False)
    chosen(study)
    box = answer_box(client, study)
    assert "not looked at yet: dose and glass temperature." in box
    fields = re.findall(r'name="(measured|without)" value="(\w+)"', box)
    assert fields == [("measured", "dose_min_mj_cm2"), ("without", "lamp"), ("without", "cure_time_s")]
    # Whoever may not ask is told who may.
    as_(client, "guest")
    assert "A lab lead can ask for it." in answer_box(client, study)
    assert "<form" not in answer_box(client, study)
    as_(client)
    chosen(study, measured="glass_temperature_c")
    assert "not looked at yet" not in answer_box(client, study)


def test_nothing_is_pointed_to_where_all_was_measured_alike(client, chosen):
    as_(client)
    study = dosed_study([("L1", 60.0, True)] * 3 + [("L1", 60.0, False)] * 3)
    Repair.objects.update(glass_c=20.0)
    chosen(study)
    assert "not looked at yet" not in answer_box(client, study)


def test_coupons_left_out_stand_beside_all(client, chosen):
    as_(client)
    study = dosed_study([("L1", 60.0, True)] * 6 + [("L2", 60.0, False)] * 6)
    deviate(study, "chamber", load=study.loads.get(name="Load 1"))
    deviate(study, "late_transfer", coupon=study.coupons.get(code="C07"))
    page = text_of(chosen(study, kinds="late_transfer"))
    assert "Chosen: leaving out coupons with late transfer." in page
    assert "No verdict changes when the 1 test coupon is left out: none hangs on it." in page
    page = text_of(chosen(study, kinds="chamber"))
    assert "The verdict on lamp is another one without the 6 test coupons left out." in page
    assert "▲ yes" in page
    assert "Without coupons of a late transfer and chamber fault or power cut" in text_of(
        client.get(reverse("study-results", args=[study.code]))
    )


def test_the_report_says_what_was_chosen(client, chosen):
    lead = as_(client)
    study = dosed_study()
    deviate(study, "chamber", coupon=study.coupons.get(code="C01"))
    chosen(study, measured="dose_min_mj_cm2", without=["lamp", "cure_time_s"], kinds="chamber")
    made = Analysis.objects.exclude(choice={}).exclude(beside=None).get()
    from labbench.reports.content import content

    told = content(made, number=1, title="Doses", author="Lab lead", made_at=factories.NOON)
    assert (
        told["choice"]
        == "Chosen: dose min in place of cure time and lamp, leaving out coupons with chamber fault or power cut."
    )
    assert [part["heading"] for part in told["rivals"]] == ["Lamp or dose min?", "Cure time or dose min?"]
    assert told["compared"]["rows"][0][0] == "dose min"
    assert bytes(issue_report(analysis=made, title="Doses", by=lead).pdf).startswith(b"%PDF")


def pointed(**changes):
    row = {
        "pk": 1, "words": "", "requested_at": factories.NOON, "is_open": False, "state": "done", "state_words": "done",
        "headline": "", "rivals": (), "cause": "dose min = 60 mJ/cm² (99 %)", "measured": "dose min",
    }  # fmt: skip
    return OtherChoice(**(row | changes))


def test_the_answer_points_to_a_measured_choice_only_where_the_names_isolate_nothing():
    open_cause, isolated_cause = {"cause": {"isolated": None}}, {"cause": {"isolated": "lamp = L1"}}
    rows = [pointed(pk=3, cause=""), pointed(pk=2), pointed(pk=1)]
    assert isolating(rows, open_cause).pk == 2
    assert isolating(rows, isolated_cause) is None
    assert isolating([pointed(measured="")], open_cause) is None
    # Leaving coupons out until something is isolated is no answer, nor is a name beside a measured value.
    assert measured_alone({"measured": ["dose_min_mj_cm2"], "kinds": ["chamber"]}) == ""
    assert measured_alone({"measured": ["dose_min_mj_cm2"]}) == "dose min"
    named = {"isolated": "lamp = L1", "isolated_probability": 0.99}
    assert cause_words(named, {"measured": ["dose_min_mj_cm2"]}, ["dose_min_mj_cm2"]) == ""
    assert cause_words(named | {"isolated": "none"}, {"measured": ["dose_min_mj_cm2"]}, []) == ""


def test_where_neither_beats_no_cause_the_probability_is_said_to_be_between_the_two(client, chosen):
    as_(client)
    # Every second coupon failed, whatever lamp and time: neither explains it.
    study = dosed_study([("L1", 60.0, n % 2 == 0) for n in range(4)] + [("L2", 60.0, n % 2 == 0) for n in range(4)]
                        + [("L1", 240.0, n % 2 == 0) for n in range(4)])  # fmt: skip
    shown = text_of(chosen(study, measured="dose_min_mj_cm2", without=["lamp", "cure_time_s"]))
    assert "Neither" in shown
    assert "The probabilities below are only between the two: which would be likelier" in shown
    assert "Probability between the two" in shown


def test_the_age_of_a_lot_is_told_in_days_and_kept_in_hours(client):
    as_(client)
    study = dosed_study()
    lot = study.coupons.first().repair.resin_lot
    days = (factories.NOON.date() - lot.received_on).days
    assert days > 0
    assert {values["lot_age_h"] for values in measured_values(study).values()} == {24.0 * days}
    assert level_label("lot_age_h", 24.0 * days) == f"{days}{N}d"
    assert plainly("lot_age_h <= 720", ["lot_age_h"]) == f"lot age ≤ 30{N}d"
    shown = text_of(client.get(reverse("choose-analysis", args=[study.code])))
    assert f"age of the resin lot since its receipt 12 of 12 {days} to {days} d" in shown


REFUSED = {
    "nothing left to compare": ({"without": ["lamp", "cure_time_s"]}, "Without any factor there is nothing to compare"),
    "no such value": ({"measured": "nonsense"}, "Select a valid choice"),
    "no such deviation": ({"deviations": "999"}, "Select a valid choice"),
    "all loads": ({"loads": ["Load 1", "Load 2"]}, "No coupon that says anything is left over."),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_a_choice_that_can_not_be_is_refused_in_words(client, chosen, case):
    as_(client)
    fields, words = REFUSED[case]
    page = chosen(dosed_study(), **fields)
    assert page.status_code == 200
    assert words in text_of(page)
    assert not Analysis.objects.exclude(choice={}).exists()


def test_only_who_may_analyse_chooses_and_only_who_may_correct_computes_doses(client):
    study = dosed_study()
    for role, status in (("guest", 403), ("technician", 403), ("qa", 200), ("lead", 200)):
        as_(client, role)
        assert client.get(reverse("choose-analysis", args=[study.code])).status_code == status
    as_(client, "qa")
    assert client.post(reverse("recompute-doses", args=[study.code])).status_code == 403


def test_missing_doses_are_computed_at_one_press(client):
    as_(client)
    study = dosed_study()
    ReceivedDose.objects.filter(repair__coupon__code__lt="C05").delete()
    shown = text_of(client.get(reverse("choose-analysis", args=[study.code])))
    assert "5 of 12 repairs have no dose yet, or one from an earlier state of a survey." in shown
    done = client.post(reverse("recompute-doses", args=[study.code]), follow=True)
    assert "5 doses computed" in text_of(done)
    assert "have no dose yet" not in text_of(done)


def test_an_empty_study_says_what_there_is_not(client):
    as_(client)
    shown = text_of(client.get(reverse("choose-analysis", args=[factories.study().code])))
    assert "Nothing was measured of the repairs of this study" in shown
    assert "No coupon of this study was touched by a deviation, and none travelled in a load." in shown


def test_the_same_choice_is_asked_again_from_its_own_page(client, chosen, django_capture_on_commit_callbacks):
    as_(client)
    study = dosed_study()
    chosen(study, measured="dose_min_mj_cm2", without=["lamp", "cure_time_s"])
    made = Analysis.objects.exclude(choice={}).get()
    with django_capture_on_commit_callbacks(execute=True):
        answer = client.post(reverse("request-analysis", args=[study.code]), {"like": made.pk})
    assert answer.url == reverse("analysis", args=[made.pk])


def test_scripts_read_the_choice_and_the_measured_columns(client, chosen):
    as_(client)
    study = dosed_study()
    chosen(study, measured="dose_min_mj_cm2", without=["lamp", "cure_time_s"])
    rows = client.get(f"/api/studies/{study.code}/analyses/").json()["rows"]
    assert rows[0]["choice"] == {"measured": ["dose_min_mj_cm2"], "without": ["cure_time_s", "lamp"]}
    header = client.get(f"/api/studies/{study.code}/sheet.csv?measured=1").content.decode().splitlines()[0]
    assert "factor.dose_min_mj_cm2" in header.split(",")
    plain = client.get(f"/api/studies/{study.code}/sheet.csv").content.decode().splitlines()[0]
    assert "factor.dose_min_mj_cm2" not in plain
    assert client.get(f"/api/studies/{study.code}/sheet.csv?measured=x").status_code == 400
