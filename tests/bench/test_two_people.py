"""Two people at the same coupon at the same moment: one record, and nothing that contradicts it."""

from concurrent.futures import ThreadPoolExecutor
from datetime import date
from threading import Barrier

import pytest
from django.core.exceptions import ValidationError
from django.db import connection

from labbench.bench.models import Deviation, Inspection, LoadPlace, Repair, StrengthTest
from labbench.bench.places import put_up_load
from labbench.bench.revision import revise_coupons
from labbench.bench.services import (
    correct,
    create_load,
    place_coupon,
    record_inspection,
    record_inspections,
    record_repair,
    record_strength,
    withdraw,
)
from labbench.lab.records import newest_version
from tests import factories
from tests.factories import NOON

pytestmark = pytest.mark.django_db(transaction=True)


def at_once(*acts):
    """Run the acts at the same moment, each on a connection of its own; gives what each stored or why it was refused."""
    barrier = Barrier(len(acts))

    def run(act):
        try:
            barrier.wait(timeout=30)
            return act()
        except ValidationError as refused:
            return " ".join(refused.messages)
        finally:
            connection.close()

    with ThreadPoolExecutor(len(acts)) as pool:
        return list(pool.map(run, acts))


def refusals(outcomes):
    return [outcome for outcome in outcomes if isinstance(outcome, str)]


def inspect(coupon, by, round_number, outcome):
    return lambda: record_inspection(coupon=coupon, by=by, seen_at=NOON, round_number=round_number, outcome=outcome)


def test_one_look_is_kept_and_the_other_is_told():
    coupon, one, other = factories.coupon(), factories.person("technician"), factories.person("technician")
    outcomes = at_once(inspect(coupon, one, 1, "intact"), inspect(coupon, other, 1, "cracked_out"))
    assert Inspection.objects.count() == 1
    assert len(refusals(outcomes)) == 1


def test_a_crack_out_and_a_later_look_can_not_both_stand():
    for _ in range(5):
        coupon, one, other = factories.coupon(), factories.person("technician"), factories.person("technician")
        outcomes = at_once(inspect(coupon, one, 1, "cracked_out"), inspect(coupon, other, 2, "intact"))
        assert Inspection.objects.filter(coupon=coupon).count() == 1
        assert len(refusals(outcomes)) == 1


def test_a_coupon_is_repaired_by_one_of_two():
    coupon, lamp, lot = factories.coupon(), factories.lamp(), factories.resin_lot()
    people = [factories.person("technician") for _ in range(3)]

    def repair(by):
        return lambda: record_repair(coupon=coupon, by=by, repaired_at=NOON, lamp=lamp, resin_lot=lot, cure_time_s=60.0)

    outcomes = at_once(*(repair(by) for by in people))
    assert Repair.objects.count() == 1
    assert len(refusals(outcomes)) == 2
    # The refused ones leave no deviation of an unsurveyed lamp behind.
    assert Deviation.objects.count() == 1


def test_what_cracks_out_is_not_broken_and_what_is_broken_does_not_crack_out():
    for _ in range(5):
        coupon, one, other = factories.coupon(), factories.person("technician"), factories.person("technician")
        outcomes = at_once(
            inspect(coupon, one, 1, "cracked_out"),
            lambda coupon=coupon, by=other: record_strength(
                coupon=coupon, by=by, tested_at=NOON, method="reported", stress_mpa=40.0
            ),
        )
        assert (
            Inspection.objects.filter(coupon=coupon).count() + StrengthTest.objects.filter(coupon=coupon).count() == 1
        )
        assert len(refusals(outcomes)) == 1


def test_a_coupon_goes_into_one_of_two_loads():
    lead, coupon = factories.person(), factories.coupon()
    loads = [create_load(study=coupon.study, name=name, by=lead) for name in ("Load 1", "Load 2")]
    outcomes = at_once(*(lambda load=load: place_coupon(load=load, coupon=coupon, by=lead) for load in loads))
    assert LoadPlace.objects.count() == 1
    assert len(refusals(outcomes)) == 1


def put_up(study, coupons, by):
    return put_up_load(study=study, name="Load 1", coupons=coupons, by=by)


def resize(study, coupons, by):
    return revise_coupons(study=study, coupons=coupons, by=by, reason="measured", changes={"size_mm": 12.0}, levels={})


def repair_with_a_finding(coupon, by):
    return record_repair(
        coupon=coupon,
        by=by,
        repaired_at=NOON,
        lamp=factories.lamp(),
        resin_lot=factories.resin_lot(expires_on=date(2026, 10, 1)),
        cure_time_s=60.0,
    )


def take_back(coupon, by):
    return withdraw(coupon=coupon, by=by, on=NOON.date(), reason="broke in handling")


@pytest.mark.parametrize("one", [repair_with_a_finding, take_back])
@pytest.mark.parametrize("many", [resize, put_up])
def test_who_records_one_coupon_and_who_changes_many_wait_for_each_other_once_only(one, many):
    """Two rows held in another order, or by their keys, were a deadlock on PostgreSQL: one of the two lost what was typed."""
    study, people = factories.study(is_blind=False), [factories.person() for _ in range(2)]
    coupons = [factories.coupon(study) for _ in range(12)]
    outcomes = at_once(lambda: one(coupons[0], people[0]), lambda: many(study, coupons, people[1]))
    assert refusals(outcomes) == []
    assert Deviation.objects.filter(coupon=coupons[0]).exists()


def test_looks_at_the_same_coupons_in_another_order_are_stored_once():
    study, people = factories.study(is_blind=False), [factories.person() for _ in range(2)]
    coupons = [factories.coupon(study, stage="repaired") for _ in range(6)]

    def look(rows, by):
        looks = [(coupon, {"round_number": 1, "outcome": "intact"}) for coupon in rows]
        return lambda: record_inspections(looks=looks, by=by, seen_at=NOON)

    outcomes = at_once(look(coupons, people[0]), look(coupons[::-1], people[1]))
    assert len(refusals(outcomes)) == 1
    assert Inspection.objects.count() == 6


def test_two_corrections_of_other_fields_at_the_same_moment_are_both_kept():
    for _ in range(5):
        coupon, people = factories.coupon(), [factories.person() for _ in range(2)]
        made = record_repair(
            coupon=coupon, by=people[0], repaired_at=NOON, lamp=factories.lamp(), resin_lot=factories.resin_lot(), cure_time_s=60.0
        ).record  # fmt: skip
        one, other = (Repair.objects.get(pk=made.pk) for _ in range(2))
        at_once(
            lambda one=one, by=people[0]: correct(record=one, by=by, reason="misread", changes={"cure_time_s": 120.0}),
            lambda other=other, by=people[1]: correct(record=other, by=by, reason="forgot", changes={"note": "sunny"}),
        )
        made.refresh_from_db()
        assert (made.cure_time_s, made.note) == (120.0, "sunny")


def test_of_two_corrections_of_one_version_the_second_is_told():
    coupon, people = factories.coupon(), [factories.person() for _ in range(2)]
    made = record_repair(
        coupon=coupon, by=people[0], repaired_at=NOON, lamp=factories.lamp(), resin_lot=factories.resin_lot(), cure_time_s=60.0
    ).record  # fmt: skip
    seen = newest_version(made)

    def change(cure_time_s, by):
        row, changes = Repair.objects.get(pk=made.pk), {"cure_time_s": cure_time_s}
        return lambda: correct(record=row, by=by, reason="misread", changes=changes, seen=seen)

    told = refusals(at_once(change(90.0, people[0]), change(120.0, people[1])))
    assert len(told) == 1
    assert "changed this meanwhile" in told[0]
