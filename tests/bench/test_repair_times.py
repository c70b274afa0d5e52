"""When a repair can have been made, and what a rule finds in its time."""

from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone
from simple_history.utils import bulk_create_with_history

from labbench.bench.loads import finish_load, start_load, step_back_load
from labbench.bench.models import Deviation, Repair
from labbench.bench.refusals import TAKEN_FROM_SHEET
from labbench.bench.services import correct, create_load, record_repair
from labbench.studies.models import Coupon
from tests import factories
from tests.factories import NOON

pytestmark = pytest.mark.django_db


def repaired(coupon, at=NOON, **details):
    lamp = factories.lamp()
    factories.survey(lamp)
    details.setdefault("resin_lot", factories.resin_lot())
    return record_repair(
        coupon=coupon, by=factories.person("technician"), repaired_at=at, lamp=lamp, cure_time_s=90.0, **details
    )


def said(coupon):
    return sorted(Deviation.objects.filter(coupon=coupon).values_list("kind", "description"))


def test_a_repair_is_not_of_a_day_before_the_coupon_was_put_up():
    coupon = factories.coupon(code="K7", created_at=NOON)
    with pytest.raises(ValidationError) as refused:
        repaired(coupon, NOON - timedelta(days=1))
    assert refused.value.message_dict == {
        "repaired_at": [
            "Coupon K7 was put up on 2 Nov 2026; it can't have been repaired on 1 Nov 2026. "
            "Coupons of earlier work come in with a sheet."
        ]
    }
    assert not Repair.objects.exists()
    # The morning's work, typed in at noon.
    repaired(coupon, NOON - timedelta(hours=3))


def test_a_corrected_time_keeps_to_the_same_rule():
    coupon = factories.coupon(created_at=NOON)
    repair = repaired(coupon).record
    with pytest.raises(ValidationError, match="it can't have been repaired on 30 Oct 2026"):
        correct(
            record=repair,
            by=factories.person(),
            reason="other day",
            changes={"repaired_at": NOON - timedelta(days=3)},
        )
    repair.refresh_from_db()
    assert repair.repaired_at == NOON


def test_a_coupon_that_came_with_a_sheet_may_have_been_repaired_before():
    study = factories.study()
    (coupon,) = bulk_create_with_history(
        [Coupon(study=study, code="OLD")], Coupon, default_change_reason=TAKEN_FROM_SHEET
    )
    repaired(coupon, timezone.now() - timedelta(days=30))


@pytest.mark.parametrize("field", ["resin_lot", "pit_resin_lot"])
def test_a_lot_used_before_it_was_received_is_a_deviation(field):
    coupon = factories.coupon()
    lot = factories.resin_lot(received_on=date(2026, 11, 3))
    repair = repaired(coupon, **{field: lot}).record
    assert said(coupon) == [("other", f"{lot} was received on 3 Nov 2026; the repair is of 2 Nov 2026.")]
    correct(record=repair, by=factories.person(), reason="next day", changes={"repaired_at": NOON + timedelta(days=1)})
    assert said(coupon) == []


def test_a_lot_is_judged_by_the_day_of_the_repair_not_by_today():
    coupon = factories.coupon()
    lot = factories.resin_lot(expires_on=date(2026, 10, 1))
    repaired(coupon, NOON - timedelta(days=10), resin_lot=lot)
    assert said(coupon) == [("resin_expired", f"{lot} expired on 1 Oct 2026; the repair is of 23 Oct 2026.")]
    earlier = factories.coupon()
    lot = factories.resin_lot(expires_on=(NOON - timedelta(days=9)).date())
    repaired(earlier, NOON - timedelta(days=10), resin_lot=lot)
    assert said(earlier) == []


def test_a_repair_after_its_load_set_out_is_a_deviation_one_before_is_not():
    study, lead = factories.study(), factories.person()
    late, early, later = (factories.coupon(study) for _ in range(3))
    load = create_load(study=study, name="Load 1", by=lead, coupons=[late, early, later])
    load = start_load(load=load, by=lead, unrepaired={late.pk, early.pk, later.pk})
    now = timezone.now()
    repaired(late, now)
    assert [kind for kind, _ in said(late)] == ["other"]
    assert said(late)[0][1].startswith("Repaired after Load 1 had set out (")
    # Made before, typed in now.
    repaired(early, now - timedelta(hours=1))
    assert said(early) == []
    finish_load(load=load, by=lead)
    repaired(later, timezone.now())
    assert [kind for kind, _ in said(later)] == ["other"]


def test_a_load_that_has_not_started_after_all_keeps_no_repair_from_being_plain():
    study, lead = factories.study(), factories.person()
    coupon = factories.coupon(study)
    load = create_load(study=study, name="Load 1", by=lead, coupons=[coupon])
    step_back_load(load=start_load(load=load, by=lead, unrepaired={coupon.pk}), by=lead)
    repaired(coupon, timezone.now())
    assert said(coupon) == []


def test_a_deviation_recorded_by_hand_survives_a_correction():
    coupon = factories.coupon()
    repair = repaired(coupon).record
    Deviation.objects.create(
        study=coupon.study,
        coupon=coupon,
        kind="other",
        happened_at=NOON,
        description="glove torn",
        recorded_by=factories.person(),
        recorded_at=NOON,
    )
    correct(record=repair, by=factories.person(), reason="misread", changes={"glass_c": 20.0})
    assert said(coupon) == [("other", "glove torn")]
