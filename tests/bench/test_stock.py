"""What is left of lots and glass."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext

from labbench.bench.models import Repair
from labbench.bench.stock import glass_stock, glass_stocks, lot_stock, lot_stocks
from labbench.lab.glass import count_glass
from labbench.lab.lots import count_lot, store_lot, store_resin
from labbench.lab.models import GlassStock, Resin, ResinLot
from tests import factories

pytestmark = pytest.mark.django_db
NOON = factories.NOON


@pytest.fixture
def hand():
    return factories.person("technician")


def repaired(lot, at=NOON, **details):
    return Repair.objects.create(
        coupon=factories.coupon(),
        repaired_at=at,
        technician=factories.person("technician"),
        resin_lot=lot,
        lamp=factories.lamp(),
        cure_time_s=60,
        **details,
    )


def lot(**details):
    resin = Resin.objects.create(name=f"R{next(factories.numbers)}", use_per_repair_ml=0.5, low_stock_ml=10, **details)
    return factories.resin_lot(resin=resin, quantity_ml=11)


def test_a_lot_is_what_was_received_minus_its_repairs():
    one = lot()
    repaired(one)
    pit = factories.resin_lot()
    repaired(pit, pit_resin_lot=one)
    stock = lot_stock(one)
    assert (stock.left, stock.used, stock.is_low) == (10.0, 2, False)
    repaired(one)
    assert lot_stock(one).is_low


def test_a_count_begins_anew(hand):
    one = lot()
    repaired(one)
    count_lot(lot=one, by=hand, left_ml=30, reason="stock-taking", counted_at=NOON + timedelta(hours=1))
    repaired(one, NOON + timedelta(hours=2))
    stock = lot_stock(one)
    assert (stock.left, stock.used, stock.counted_at) == (29.5, 1, NOON + timedelta(hours=1))


def test_what_can_not_be_said_says_why():
    one = factories.resin_lot()
    assert lot_stock(one).reason == "neither what was received nor what is left is recorded"
    one.quantity_ml = 5
    assert (lot_stock(one).left, lot_stock(one).reason) == (5, "")
    repaired(one)
    assert lot_stock(one).reason == "how much a repair takes is not recorded with the resin"


def test_a_lot_used_up_to_the_last_drop_is_not_overdrawn():
    one = lot()
    one.resin.use_per_repair_ml, one.quantity_ml = 0.1, 0.3
    for _ in range(3):
        repaired(one)
    # 3 × 0.1 is 0.30000000000000004 in binary.
    stock = lot_stock(one)
    assert (stock.left, stock.overdrawn, stock.is_low) == (0.0, 0.0, True)


def test_more_use_than_stock_is_told():
    one = lot()
    one.quantity_ml = 0.25
    repaired(one)
    stock = lot_stock(one)
    assert (stock.left, stock.overdrawn, stock.is_low) == (0.0, 0.25, True)


def test_glass_is_what_was_received_minus_its_coupons(hand):
    glass = GlassStock.objects.create(code="G", construction="float", thickness_mm=6, pieces=5, low_pieces=4)
    factories.coupon(glass=glass)
    assert (glass_stock(glass).left, glass_stock(glass).is_low) == (4, False)
    factories.coupon(glass=glass)
    assert (glass_stock(glass).left, glass_stock(glass).is_low) == (3, True)
    count_glass(glass=glass, by=hand, pieces_left=40, reason="found a crate", counted_at=datetime.now(UTC))
    assert (glass_stock(glass).left, glass_stock(glass).used) == (40, 0)


def test_many_lots_take_the_same_number_of_queries():
    counts = []
    for _ in range(2):
        for _ in range(2):
            repaired(lot())
            GlassStock.objects.create(code=f"G{next(factories.numbers)}", construction="float", thickness_mm=6)
        with CaptureQueriesContext(connection) as queries:
            lot_stocks(list(ResinLot.objects.select_related("resin")))
            glass_stocks(list(GlassStock.objects.all()))
        counts.append(len(queries))
    assert counts == [7, 7]


def test_impossible_days_and_constants_without_a_source_are_refused(hand):
    one = lot()
    one.opened_on = date(2026, 8, 1)
    with pytest.raises(ValidationError) as refused:
        store_lot(lot=one, by=hand, reason="read again")
    assert refused.value.message_dict["opened_on"] == ["It can’t have been opened before it was received."]
    with pytest.raises(ValidationError) as refused:
        store_resin(resin=Resin(name="X", needed_dose_mj_cm2=500), by=hand)
    assert "constants_source" in refused.value.message_dict
    with pytest.raises(ValidationError) as refused:
        store_resin(resin=Resin(name="X", penetration_depth_mm=0.5, constants_source="trial"), by=hand)
    assert "gel_exposure_mj_cm2" in refused.value.message_dict


def test_a_change_needs_a_reason(hand):
    one = lot()
    with pytest.raises(ValidationError, match="Say why"):
        store_lot(lot=one, by=hand)


def test_a_count_sent_twice_is_one(hand):
    one, glass = lot(), GlassStock.objects.create(code="G", construction="float", thickness_mm=6, pieces=5)
    for again in (False, True):
        for count in (
            lambda at: count_lot(lot=one, by=hand, left_ml=5.0, reason="spilt", counted_at=at),
            lambda at: count_glass(glass=glass, by=hand, pieces_left=5, reason="broken", counted_at=at),
        ):
            if again:
                with pytest.raises(ValidationError, match="it is not stored twice"):
                    count(NOON + timedelta(seconds=3))
            else:
                count(NOON)
    assert (one.counts.count(), glass.counts.count()) == (1, 1)
    count_lot(lot=one, by=hand, left_ml=4.0, reason="spilt", counted_at=NOON + timedelta(seconds=9))
    assert one.counts.count() == 2
