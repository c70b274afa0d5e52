"""A proposed load gets its coupons, places and order of repair at once, and can be taken back."""

import pytest
from django.core.exceptions import ValidationError

from labbench.bench.allocations import lock_allocation, undo_allocation
from labbench.bench.models import LoadPlace
from labbench.bench.proposed_allocations import put_up_proposed
from labbench.bench.services import create_load
from labbench.studies.models import Allocation, Coupon, CouponLevel, PlanSettings
from labbench.studies.proposals import Arm
from tests import factories

pytestmark = pytest.mark.django_db
ARMS = [Arm({"resin": "R1", "lamp": "L1"}, 3), Arm({"resin": "R2", "lamp": "L2"}, 3)]


@pytest.fixture
def hand():
    return factories.person()


@pytest.fixture
def study():
    made = factories.study()
    resin = factories.factor(made, "resin", ("R1", "R2"))
    factories.factor(made, "lamp", ("L1", "L2"))
    resin.is_hard_to_change = True
    resin.save()
    resin.levels.filter(name="R2").update(is_reference=True)
    return made


def put_up(study, hand, **more):
    return put_up_proposed(
        study=study, arms=ARMS, title="Load proposed on 3 Nov 2026", note="Proposed.", by=hand, seed=7, **more
    )


def levels_by_turn(allocation):
    rows = allocation.rows.exclude(repair_order=None).order_by("repair_order")
    carried = dict(CouponLevel.objects.filter(factor__name="resin").values_list("coupon", "level__name"))
    return [carried.get(row.coupon_id) for row in rows]


def test_new_coupons_travel_in_a_new_load_with_the_controls_of_the_plan(study, hand):
    PlanSettings.objects.create(study=study, reference_per_load=1, pristine_per_load=1)
    done = put_up(study, hand, makes_load=True, has_controls=True)
    places = LoadPlace.objects.filter(load=done.load)
    assert sorted(places.values_list("place", flat=True)) == list(range(1, 9))
    assert sorted(places.values_list("coupon__role", flat=True)) == ["pristine", "reference"] + ["test"] * 6
    reference = Coupon.objects.get(study=study, role="reference")
    assert list(CouponLevel.objects.filter(coupon=reference).values_list("level__name", flat=True)) == ["R2"]
    orders = done.allocation.rows.values_list("coupon__role", "repair_order")
    assert sorted(order for role, order in orders if role != "pristine") == list(range(1, 8))
    assert dict(orders)["pristine"] is None


def test_repairs_keep_levels_together_that_are_hard_to_change(study, hand):
    done = put_up(study, hand)
    assert levels_by_turn(done.allocation) in (["R1"] * 3 + ["R2"] * 3, ["R2"] * 3 + ["R1"] * 3)
    assert done.load is None
    assert not LoadPlace.objects.filter(coupon__in=done.added.made).exists()


def test_waiting_coupons_get_the_levels_and_those_left_without_leave_their_load(study, hand):
    waiting = [factories.coupon(study, code=f"W{n}") for n in range(8)]
    load = create_load(study=study, name="Load 3", by=hand, coupons=waiting)
    done = put_up(study, hand, waiting=waiting, takes_out_rest=True, makes_load=True)
    assert (len(done.added.given), done.added.made, done.load, len(done.taken_out)) == (6, [], None, 2)
    assert set(load.places.values_list("coupon", flat=True)) == {coupon.pk for coupon in done.added.given}
    assert (
        LoadPlace.history.filter(coupon=done.taken_out[0], history_type="-").get().history_change_reason == "Proposed."
    )
    # Taken back, the six are there still, in their load and without levels; nothing was made that could go.
    undo_allocation(allocation=done.allocation, by=hand)
    assert study.coupons.count() == 8
    assert load.places.count() == 6
    assert not CouponLevel.objects.filter(coupon__study=study).exists()
    assert not Allocation.objects.exists()


def test_taken_back_new_coupons_and_their_load_are_gone_and_a_locked_one_stays(study, hand):
    waiting = [factories.coupon(study, code=f"W{n}") for n in range(2)]
    load = create_load(study=study, name="Load 3", by=hand, coupons=waiting)
    done = put_up(study, hand, waiting=waiting, makes_load=True)
    assert (len(done.added.given), len(done.added.made)) == (2, 4)
    undo_allocation(allocation=done.allocation, by=hand)
    assert list(study.coupons.order_by("code").values_list("code", flat=True)) == ["W0", "W1"]
    assert list(study.loads.all()) == [load]
    again = put_up(study, hand, makes_load=True)
    lock_allocation(allocation=again.allocation, by=hand)
    with pytest.raises(ValidationError, match="A locked allocation stays"):
        undo_allocation(allocation=again.allocation, by=hand)


def test_the_seed_repeats_the_draw(study, hand):
    first = put_up(study, hand)
    turns = levels_by_turn(first.allocation)
    undo_allocation(allocation=first.allocation, by=hand)
    assert levels_by_turn(put_up(study, hand).allocation) == turns


def test_nothing_is_left_where_a_level_is_gone(study, hand):
    study.factors.get(name="lamp").levels.get(name="L2").delete()
    with pytest.raises(ValidationError, match="no level L2"):
        put_up(study, hand, makes_load=True)
    assert not study.coupons.exists()
    assert not study.loads.exists()
    assert not Allocation.objects.exists()
