"""Several people at the same loads at the same moment: no load in two chambers, no place given twice, no move lost."""

from datetime import timedelta

import pytest

from labbench.bench import chamber_failures, loads
from labbench.bench.loads import Answer
from labbench.bench.models import Booking, ChamberFailure, Deviation
from tests import factories
from tests.bench import soaks
from tests.bench.soaks import HOUR, booked
from tests.bench.test_two_people import at_once, refusals
from tests.factories import NOON

pytestmark = pytest.mark.django_db(transaction=True)
MINUTE = timedelta(minutes=1)


@pytest.fixture
def people(db):
    return [factories.person("technician") for _ in range(4)]


@pytest.fixture
def rooms(db):
    return soaks.chambers()


def test_a_double_click_of_four_people_is_one_move(rooms, people):
    tray = soaks.load(rooms=rooms)
    freezer = booked(tray, 1, 1)
    outcomes = at_once(*(lambda by=by: loads.move_in(booking=freezer, by=by, at=NOON) for by in people))
    assert len(refusals(outcomes)) == 3
    assert all("went into F-1 at 2 Nov 2026, 12:00 already" in told for told in refusals(outcomes))
    assert Booking.history.filter(id=freezer.pk, history_type="~").count() == 1


def test_a_transfer_pressed_by_four_is_one_transfer_with_one_deviation(rooms, people):
    tray = soaks.load(rooms=rooms)
    loads.move_in(booking=booked(tray, 1, 1), by=people[0], at=NOON)
    out_of, into = booked(tray, 1, 1), booked(tray, 1, 2)
    outcomes = at_once(
        *(lambda by=by: loads.transfer(out_of=out_of, into=into, by=by, at=NOON + 19 * HOUR) for by in people)
    )
    assert len(refusals(outcomes)) == 3
    assert Deviation.objects.count() == 1
    assert Booking.objects.filter(load=tray, started_at__isnull=False, ended_at=None).count() == 1


def test_two_people_take_one_load_into_two_chambers_and_one_of_them_is_told(rooms, people):
    tray = soaks.load(rooms=rooms)
    freezer, oven = booked(tray, 1, 1), booked(tray, 1, 2)
    sure = Answer(is_sure=True)
    outcomes = at_once(
        lambda: loads.move_in(booking=freezer, by=people[0], at=NOON, answer=sure),
        lambda: loads.move_in(booking=oven, by=people[1], at=NOON, answer=sure),
    )
    assert len(refusals(outcomes)) == 1
    assert "is still in" in refusals(outcomes)[0]
    assert Booking.objects.filter(load=tray, started_at__isnull=False).count() == 1


def test_of_three_loads_for_the_last_places_one_goes_in(rooms, people):
    trays = [soaks.load(f"Tray {number}", rooms=rooms) for number in (1, 2, 3)]
    type(rooms["F-1"]).objects.filter(code="F-1").update(capacity_coupons=5)
    outcomes = at_once(
        *(
            lambda tray=tray, by=by: loads.move_in(booking=booked(tray, 1, 1), by=by, at=NOON)
            for tray, by in zip(trays, people, strict=False)
        )
    )
    assert len(refusals(outcomes)) == 2
    assert all("F-1 has 5 places" in told for told in refusals(outcomes))
    assert Booking.objects.filter(chamber=rooms["F-1"], started_at__isnull=False).count() == 1


def test_the_undo_pressed_twice_takes_back_one_move(rooms, people):
    tray = soaks.load(rooms=rooms)
    loads.move_in(booking=booked(tray, 1, 1), by=people[0], at=NOON)
    loads.transfer(out_of=booked(tray, 1, 1), into=booked(tray, 1, 2), by=people[0], at=NOON + 16 * HOUR)
    oven = booked(tray, 1, 2)
    outcomes = at_once(*(lambda by=by: loads.undo_move(booking=oven, by=by, of=NOON + 16 * HOUR) for by in people[:2]))
    assert len(refusals(outcomes)) == 1
    assert booked(tray, 1, 1).started_at == NOON
    assert booked(tray, 1, 1).ended_at is None


def test_a_load_goes_in_or_its_chamber_has_failed_but_not_both_unseen(rooms, people):
    for number in range(3):
        tray = soaks.load(f"Tray {number}", rooms=rooms)
        outcomes = at_once(
            lambda tray=tray: loads.move_in(booking=booked(tray, 1, 1), by=people[0], at=NOON + 2 * HOUR),
            lambda: chamber_failures.record_failure(chamber=rooms["F-1"], by=people[1], began_at=NOON + HOUR),
        )
        is_in = booked(tray, 1, 1).started_at is not None
        # Either the mover was told that it failed, or the load is marked.
        assert bool(refusals(outcomes)) != is_in
        assert Deviation.objects.filter(load=tray, kind="chamber").exists() == is_in
        chamber_failures.take_back_failure(failure=ChamberFailure.objects.get(), by=people[1])
        if is_in:
            loads.undo_move(booking=booked(tray, 1, 1), by=people[0])
