"""The list of studies."""

import pytest
from django.urls import reverse
from django.utils import timezone

from labbench.analysis.models import Analysis
from labbench.jobs.services import enqueue
from labbench.studies.models import Coupon
from tests import factories

pytestmark = pytest.mark.django_db


def analysed(study, by, **states):
    job = enqueue(task="labbench.analyse", title="Analysis", arguments={}, requested_by=by)
    return Analysis.objects.create(
        study=study,
        sheet_csv="",
        inputs_sha256=str(Analysis.objects.count()),
        parameters={},
        code_version="1",
        coupons=3,
        job=job,
        requested_by=by,
        requested_at=timezone.now(),
        finished_at=timezone.now(),
        result={"factors": [{"factor": name, "verdict": {"state": state}} for name, state in states.items()]},
    )


def test_an_empty_lab_says_what_to_do(lead, guest):
    assert "Put up the first study" in lead.get(reverse("studies")).text
    shown = guest.get(reverse("studies")).text
    assert "No study yet" in shown
    assert "Put up the first study" not in shown


def test_a_study_shows_its_state_its_coupons_by_stage_and_its_last_verdict(lead):
    study, hand = factories.study(code="COACH-7"), factories.person()
    factories.coupon(study)
    factories.coupon(study, stage=Coupon.Stage.CRACKED_OUT, failed_round=1)
    factories.coupon(study, stage=Coupon.Stage.CRACKED_OUT, failed_round=2)
    analysed(study, hand, lamp="cleared", resin_lot="implicated")
    undecided = factories.study(code="COACH-8", state="planned")
    shown = lead.get(reverse("studies")).text
    assert "2 cracked out" in shown
    assert "1 prepared" in shown
    assert "resin lot implicated" in shown
    assert f'href="{reverse("study", args=[undecided.code])}"' in shown
    assert '<span class="mark mark-planned">' in shown
    assert shown.count("no analysis yet") == 1
    assert shown.count("no coupons yet") == 1


@pytest.mark.parametrize(
    ("states", "words"),
    [
        ({"lamp": "cleared", "cover": "cleared"}, "all factors cleared"),
        ({"lamp": "confounded", "cover": "confounded"}, "lamp, cover confounded"),
        ({"lamp": "undecided"}, "lamp undecided"),
        ({}, "no factor to decide about"),
    ],
)
def test_the_last_analysis_in_words(lead, states, words):
    study = factories.study()
    analysed(study, factories.person(), resin="implicated")
    analysed(study, factories.person(), **states)
    shown = lead.get(reverse("studies")).text
    assert words in shown
    assert "resin implicated" not in shown


def test_search_looks_at_code_title_question_and_factors(lead):
    factories.factor(factories.study(code="ALPHA"), "hidden_cause")
    factories.study(code="BETA")
    assert "ALPHA" in lead.get(reverse("studies"), {"q": "hidden study"}).text
    assert "BETA" not in lead.get(reverse("studies"), {"q": "hidden study"}).text
    assert "No study matches" in lead.get(reverse("studies"), {"q": "nowhere"}).text


def test_state_and_sort(lead):
    factories.study(code="ALPHA", state="closed")
    factories.study(code="BETA")
    assert "ALPHA" not in lead.get(reverse("studies"), {"state": "running"}).text
    shown = lead.get(reverse("studies"), {"sort": "-code"}).text
    assert shown.index(">BETA<") < shown.index(">ALPHA<")


@pytest.mark.parametrize("address", ["?page=999", "?page=x", "?sort=nothing", "?state=nothing", "?q=%00", "?page=-1"])
def test_nonsense_in_the_address_is_no_error(lead, address):
    factories.study()
    assert lead.get(reverse("studies") + address).status_code == 200


@pytest.mark.parametrize("rows", [1, 3])
def test_the_number_of_queries_does_not_grow(lead, django_assert_num_queries, rows):
    for _ in range(rows):
        study = factories.study(lead=factories.person())
        factories.coupon(study)
        analysed(study, factories.person(), resin="implicated")
    lead.get(reverse("studies"))
    with django_assert_num_queries(6):
        lead.get(reverse("studies"))
