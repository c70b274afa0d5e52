"""A plan is put up whole, locked, or undone while nothing has started."""

import pytest
from django.core.exceptions import ValidationError

from labbench.bench.allocations import PlannedCoupon, lock_allocation, undo_allocation, use_plan
from labbench.bench.models import Load, LoadPlace, Repair
from labbench.bench.services import record_inspection
from labbench.studies.models import Allocation, Coupon, CouponLevel
from labbench.studies.services import add_coupons
from tests import factories
from tests.factories import NOON

pytestmark = pytest.mark.django_db


@pytest.fixture
def hand():
    return factories.person()


@pytest.fixture
def study():
    made = factories.study(state="planned")
    factories.factor(made, "lamp", ("L1", "L2"))
    factories.factor(made, "break_type", ("star", "bullseye"))
    return made


def planned():
    arms = [{"lamp": lamp, "break_type": kind} for lamp in ("L1", "L2") for kind in ("star", "bullseye")]
    tested = [
        PlannedCoupon("test", arms[number % 4], number // 4, number % 4 + 1, number + 1 + number // 4)
        for number in range(8)
    ]
    references = [PlannedCoupon("reference", {"lamp": "L1"}, load, 5, 5 * (load + 1)) for load in (0, 1)]
    return [*tested, *references, PlannedCoupon("pristine", {}, 0, 6, None)]


def use(study, hand, coupons=None):
    return use_plan(
        study=study, plan="factorial", title="Full factorial, 8 coupons", seed=5, coupons=coupons or planned(), by=hand
    )


def test_a_plan_makes_coupons_levels_loads_places_and_an_order(study, hand):
    add_coupons(study=study, codes=["OLD"], by=hand, break_type="crack", size_mm=14.0)
    Load.objects.create(study=study, name="Load 1")
    made = use(study, hand)
    assert (made.seed, made.made_by, made.is_locked, made.rows.count()) == (5, hand, False, 11)
    assert list(study.loads.values_list("name", flat=True)) == ["Load 1", "Load 2", "Load 3"]
    for one in planned():
        load = f"Load {one.load + 2}"
        coupon = Coupon.objects.get(load_place__load__name=load, load_place__place=one.place)
        levels = dict(CouponLevel.objects.filter(coupon=coupon).values_list("factor__name", "level__name"))
        assert (coupon.role, levels) == (one.role, one.levels)
        assert coupon.allocated.repair_order == one.repair_order
        # A level says what the break is; the size is the study's usual one.
        assert coupon.break_type == one.levels.get("break_type", "" if one.role == "pristine" else "crack")
        assert coupon.size_mm == (None if one.role == "pristine" else 14.0)
    assert LoadPlace.history.filter(history_change_reason="Full factorial, 8 coupons").count() == 11


def test_codes_do_not_follow_the_arms(study, hand):
    made = use(study, hand)
    codes = list(made.rows.order_by("coupon__pk").values_list("coupon__code", flat=True))
    assert len(set(codes)) == 11
    assert all(len(code) == 4 for code in codes)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda study, hand: type(study).objects.filter(pk=study.pk).update(state="closed"), "is closed"),
        (lambda study, hand: study.factors.get(name="lamp").levels.get(name="L2").delete(), "has no level L2 of lamp"),
        (use, "is not locked yet"),
    ],
)
def test_what_can_not_be_put_up_leaves_nothing(study, hand, spoil, words):
    spoil(study, hand)
    before = Coupon.objects.count(), Load.objects.count()
    with pytest.raises(ValidationError, match=words):
        use(study, hand)
    assert (Coupon.objects.count(), Load.objects.count()) == before


def test_a_plan_is_undone_while_nothing_has_started(study, hand):
    stranger = add_coupons(study=study, codes=["OLD"], by=hand)
    made = use(study, hand)
    undo_allocation(allocation=made, by=hand, reason="wrong lot")
    assert list(Coupon.objects.all()) == stranger
    for model in (Load, Allocation, CouponLevel):
        assert not model.objects.exists()
    assert Coupon.history.filter(history_type="-", history_change_reason="wrong lot").count() == 11
    # Another plan can be used then.
    assert use(study, hand).rows.count() == 11


def test_what_has_started_is_not_undone(study, hand):
    made = use(study, hand)
    coupon = made.rows.get(repair_order=1).coupon
    record_inspection(coupon=coupon, by=hand, seen_at=NOON, round_number=0, outcome="intact")
    with pytest.raises(ValidationError, match=f"can't be undone any more: coupon {coupon.code}"):
        undo_allocation(allocation=made, by=hand)
    assert made.rows.count() == 11


def test_a_load_on_its_way_is_not_undone(study, hand):
    made = use(study, hand)
    Load.objects.filter(name="Load 2").update(state="running")
    with pytest.raises(ValidationError, match="Load 2 is running"):
        undo_allocation(allocation=made, by=hand)


def test_a_locked_allocation_is_locked_once_and_not_undone(study, hand):
    made = lock_allocation(allocation=use(study, hand), by=hand)
    assert (made.locked_by, made.is_locked) == (hand, True)
    with pytest.raises(ValidationError, match="locked already"):
        lock_allocation(allocation=made, by=hand)
    with pytest.raises(ValidationError, match="A locked allocation stays"):
        undo_allocation(allocation=made, by=hand)
    assert not Repair.objects.exists()
