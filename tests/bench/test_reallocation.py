"""After the lock a changed allocation is a deviation."""

import pytest
from django.core.exceptions import ValidationError

from labbench.bench.models import Deviation
from labbench.bench.places import put_up_load
from labbench.bench.reallocation import Standing, differences
from labbench.bench.revision import revise_coupons
from labbench.bench.services import create_load, take_out
from labbench.studies.models import Allocation
from labbench.studies.services import set_level
from tests import factories
from tests.factories import NOON

pytestmark = pytest.mark.django_db


@pytest.fixture
def hand():
    return factories.person()


@pytest.fixture
def study():
    return factories.study()


@pytest.fixture
def lamp(study):
    return factories.factor(study, "lamp", ("L1", "L2"))


def allocated(study, hand, lamp, *, is_locked):
    coupons = [factories.coupon(study) for _ in range(2)]
    set_level(coupons=coupons, factor=lamp, level=lamp.levels.get(name="L1"), by=hand)
    create_load(study=study, name="Load 1", by=hand, coupons=coupons)
    made = Allocation.objects.create(study=study, plan="swaps", title="Swaps", seed=1, made_by=hand, made_at=NOON)
    for number, coupon in enumerate(coupons, start=1):
        made.rows.create(coupon=coupon, repair_order=number)
    if is_locked:
        Allocation.objects.filter(pk=made.pk).update(locked_at=NOON, locked_by=hand)
    return coupons


def revise(study, coupons, hand, **changes):
    return revise_coupons(
        study=study, coupons=coupons, by=hand, reason="glass mixed up", changes={}, **{"levels": {}, **changes}
    )


def test_before_the_lock_a_change_is_no_deviation(study, hand, lamp):
    coupons = allocated(study, hand, lamp, is_locked=False)
    revise(study, coupons, hand, levels={lamp: lamp.levels.get(name="L2")}, load=None)
    assert not Deviation.objects.exists()


def test_after_the_lock_levels_and_load_change_with_a_deviation_each(study, hand, lamp):
    first, second = allocated(study, hand, lamp, is_locked=True)
    other = create_load(study=study, name="Load 2", by=hand)
    revise(study, [first], hand, levels={lamp: lamp.levels.get(name="L2")}, load=other)
    found = Deviation.objects.get()
    assert (found.kind, found.coupon, found.reason, found.recorded_by) == ("reallocated", first, "glass mixed up", hand)
    assert found.description == "After the allocation was locked: lamp L2 instead of L1; Load 2 instead of Load 1."
    with pytest.raises(ValidationError, match="A rule found this deviation"):
        take_out(record=found, by=hand, reason="not wanted")
    revise(study, [second], hand, levels={lamp: lamp.levels.get(name="L1")})
    assert Deviation.objects.count() == 1


def test_what_is_not_allocated_changes_without_a_deviation(study, hand, lamp):
    coupons = allocated(study, hand, lamp, is_locked=True)
    revise_coupons(study=study, coupons=coupons, by=hand, reason="measured", changes={"size_mm": 12}, levels={})
    stranger = factories.coupon(study)
    revise(study, [stranger], hand, levels={lamp: lamp.levels.get(name="L2")})
    assert not Deviation.objects.exists()


def test_a_new_load_does_not_take_coupons_of_a_locked_allocation(study, hand, lamp):
    coupons = allocated(study, hand, lamp, is_locked=True)
    with pytest.raises(ValidationError, match="is locked"):
        put_up_load(study=study, name="Load 2", coupons=coupons, by=hand, moves_allowed=True)
    assert study.loads.count() == 1


def test_a_changed_place_is_said_too():
    before, after = Standing({"lamp": "L1"}, "Load 1", 3), Standing({}, "Load 1", 4)
    assert differences(before, after) == ["lamp none instead of L1", "place 4 instead of 3"]
