"""Plans compared and used on the planner's page."""

import re

import pytest
from django.urls import reverse

from labbench.analysis.models import PlanComparison
from labbench.jobs.models import Job
from labbench.studies.models import Allocation, Coupon
from labbench.studies.planning import save_plan
from tests import factories

pytestmark = pytest.mark.django_db
ASKED = {"per_arm": 3, "size": 8, "studies": 20, "seed": 5}


def text_of(answer):
    return re.sub(r"[ \n]+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


def plan(client, study):
    return client.get(reverse("study-plan", args=[study.code]))


def ask(client, study, callbacks, **more):
    with callbacks(execute=True):
        return client.post(reverse("compare-plans", args=[study.code]), ASKED | more, follow=True)


@pytest.fixture
def compared(lead, study, eager_queue, django_capture_on_commit_callbacks):
    ask(lead, study, django_capture_on_commit_callbacks)
    return PlanComparison.objects.get()


def use(client, comparison, key="factorial", **more):
    return client.post(reverse("use-plan", args=[comparison.pk, key]), {"seed": 9} | more, follow=True)


def test_plans_stand_side_by_side_with_what_they_cost_and_find(lead, study, compared):
    shown = text_of(plan(lead, study))
    for title in (
        "One-factor swaps, 3 per arm",
        "Full factorial",
        "D-optimal subset of 8",
        "Sequential plan, 11 a load",
    ):
        assert title in shown
    assert "20 studies for each plan and kind of cause, seed 5, ± one standard error" in shown
    assert "Use this plan" in shown


def test_while_the_job_waits_the_page_shows_its_progress_and_others_can_not_stop_it(lead, guest, study, monkeypatch):
    monkeypatch.setattr("labbench.jobs.services.send", lambda job: None)
    lead.post(reverse("compare-plans", args=[study.code]), ASKED)
    waiting = PlanComparison.objects.get()
    assert reverse("comparison-progress", args=[waiting.pk]) in plan(lead, study).text
    assert "waiting" in text_of(lead.get(reverse("comparison-progress", args=[waiting.pk])))
    address = reverse("cancel-comparison", args=[waiting.pk])
    assert address in plan(lead, study).text
    assert address not in plan(guest, study).text
    assert guest.post(address).status_code == 403
    lead.post(address)
    waiting.job.refresh_from_db()
    assert waiting.job.state == Job.State.CANCELLED
    assert reverse("retry-comparison", args=[waiting.pk]) in plan(lead, study).text


def test_when_the_job_ends_the_plans_take_the_place_of_its_progress(lead, compared):
    answer = lead.get(reverse("comparison-progress", args=[compared.pk]))
    assert answer["HX-Retarget"] == "#plans-part"
    assert "Full factorial" in text_of(answer)


@pytest.mark.parametrize("wrong", [{"studies": 3}, {"per_arm": 0}, {"size": "x"}])
def test_what_can_not_be_asked_is_told(lead, study, wrong, eager_queue, django_capture_on_commit_callbacks):
    answer = ask(lead, study, django_capture_on_commit_callbacks, **wrong)
    assert re.search(r"greater than or equal|whole number", text_of(answer))
    assert not PlanComparison.objects.exists()


def test_a_plan_is_used_whole_and_blocked_by_who_repairs(lead, study, compared):
    people = [factories.person("technician") for _ in range(2)]
    answer = use(lead, compared, technicians=[person.pk for person in people])
    made = Allocation.objects.get()
    assert "Look at the list, then lock it." in text_of(answer)
    # Six combinations and a reference repair in one load of twelve places.
    assert (made.plan, made.seed, made.rows.count()) == ("factorial", 9, 7)
    assert Coupon.objects.filter(role="test").count() == 6
    assert {row.technician for row in made.rows.filter(coupon__role="test")} == set(people)
    assert "is not locked yet" in text_of(use(lead, compared))
    assert Allocation.objects.count() == 1


def test_of_the_sequential_plan_the_first_load_is_put_up(lead, compared):
    use(lead, compared, "sequential")
    assert Allocation.objects.get().title == "Sequential plan, 11 a load: first load"
    assert Coupon.objects.filter(role="test").count() == 11


def test_an_old_comparison_is_not_used(lead, study, compared):
    save_plan(study=study, settings={"loads_ready": 7}, factors={}, stock={}, by=factories.person())
    assert "The study asks for something else now." in text_of(plan(lead, study))
    assert "compare them again" in text_of(use(lead, compared))
    assert not Allocation.objects.exists()


def test_who_may_compare_and_use(guest, technician, study, compared):
    for client in (guest, technician):
        assert client.post(reverse("compare-plans", args=[study.code]), ASKED).status_code == 403
        assert use(client, compared).status_code == 403
    assert technician.get(reverse("comparison-progress", args=[compared.pk])).status_code == 403
    assert "Use this plan" not in text_of(plan(guest, study))
    assert "Full factorial" in text_of(plan(guest, study))


def test_a_plan_that_is_not_there_is_not_found(lead, compared):
    assert use(lead, compared, "nothing").status_code == 404
