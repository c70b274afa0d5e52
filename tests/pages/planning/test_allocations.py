"""An allocation on its page: read, printed, locked, undone."""

import re

import pytest
from django.urls import reverse

from labbench.bench.allocations import PlannedCoupon, use_plan
from labbench.bench.revision import revise_coupons
from labbench.studies.models import Allocation, Coupon
from tests import factories

pytestmark = pytest.mark.django_db


def allocated(study, loads=1):
    arms = [{"resin": resin, "lamp": lamp} for resin in "AB" for lamp in ("L1", "L2")]
    coupons = [
        PlannedCoupon("test", arm, load, place, 4 * load + 5 - place)
        for load in range(loads)
        for place, arm in enumerate(arms, start=1)
    ]
    coupons.append(PlannedCoupon("unrepaired", {}, 0, 5, None))
    return use_plan(study=study, plan="factorial", title="Factorial", seed=7, coupons=coupons, by=factories.person())


def page(client, made):
    return client.get(reverse("allocation", args=[made.pk]))


def text_of(answer):
    return re.sub(r"[ \n]+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


def test_the_list_is_in_the_order_of_repair_with_what_to_use(lead, study):
    made = allocated(study)
    lines = page(lead, made).context["loads"][0].lines
    assert [line.row.repair_order for line in lines] == [1, 2, 3, 4, None]
    assert [line.levels for line in lines] == [("B", "L2"), ("B", "L1"), ("A", "L2"), ("A", "L1"), ("", "")]
    assert [line.place for line in lines] == [4, 3, 2, 1, 5]
    shown = text_of(page(lead, made))
    assert "whoever inspects must not see it" in shown
    assert "UV-A harms eyes and skin" in shown


def test_whoever_inspects_blind_sees_order_and_codes_but_no_arms(technician, study):
    made = allocated(study)
    answer = page(technician, made)
    assert [line.levels for line in answer.context["loads"][0].lines] == [()] * 5
    assert "L1" not in answer.text
    assert "Seed of the draw" not in answer.text
    assert "Lock it</button>" not in answer.text


def test_a_lead_locks_it_and_later_changes_are_counted(lead, study):
    made = allocated(study)
    shown = text_of(lead.post(reverse("lock-allocation", args=[made.pk]), follow=True))
    assert "None since the lock." in shown
    assert "Undo it" not in shown
    coupon = Coupon.objects.filter(role="test").first()
    revise_coupons(
        study=study, coupons=[coupon], by=factories.person(), reason="dropped", changes={}, levels={}, load=None
    )
    answer = page(lead, made)
    assert "1 since the lock" in text_of(answer)
    address = re.search(r'href="([^"]*kind=reallocated)"', answer.text)[1].replace("&amp;", "&")
    assert "no load instead of Load 1" in text_of(lead.get(address))
    again = text_of(lead.post(reverse("lock-allocation", args=[made.pk]), follow=True))
    assert "It was locked already" in again


def test_a_lead_undoes_it(lead, study):
    made = allocated(study)
    answer = lead.post(reverse("undo-allocation", args=[made.pk]), follow=True)
    assert "is undone" in text_of(answer)
    assert not Allocation.objects.exists()
    assert page(lead, made).status_code == 404


def test_what_has_started_says_why_it_is_not_undone(lead, study):
    made = allocated(study)
    study.loads.update(state="running")
    assert "It can’t be undone any more: Load 1 is running." in text_of(page(lead, made))
    assert "Load 1 is running" in text_of(lead.post(reverse("undo-allocation", args=[made.pk]), follow=True))
    assert Allocation.objects.count() == 1


@pytest.mark.parametrize("name", ["lock-allocation", "undo-allocation"])
def test_who_may_not(technician, guest, study, name):
    made = allocated(study)
    for client in (technician, guest):
        assert client.post(reverse(name, args=[made.pk])).status_code == 403
    assert not Allocation.objects.get().is_locked


@pytest.mark.parametrize("loads", [1, 3])
def test_the_page_takes_a_fixed_number_of_queries(lead, study, loads, django_assert_max_num_queries):
    made = allocated(study, loads)
    page(lead, made)
    with django_assert_max_num_queries(14):
        page(lead, made)
