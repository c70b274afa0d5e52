"""Two people at the same chambers at the same moment: no place is given twice, no change is lost."""

import pytest
from django.utils import timezone

from labbench.bench.booking_changes import undo_change
from labbench.bench.booking_rules import broken_rules
from labbench.bench.bookings import book_load, move_booking
from labbench.bench.chamber_book import chamber_book
from labbench.bench.models import Booking, BookingChange
from tests import factories
from tests.bench import chamber_lab as lab
from tests.bench.chamber_lab import HOUR
from tests.bench.test_two_people import at_once, refusals

pytestmark = pytest.mark.django_db(transaction=True)


def loads_of_eight(count):
    """Loads of eight coupons each, for a freezer with twelve places, that is open at any time."""
    lab.chambers()
    study = factories.study(profile=lab.profile(rounds=1), rounds_planned=1)
    return [lab.load(study, f"Load {number}", 8) for number in range(count)]


def breaks():
    book = chamber_book(now=timezone.now())
    rows = [one for _, one in book.bookings()]
    return [one.rule for _, found in broken_rules(book, rows, []) for one in found if not one.is_wish]


def test_the_last_places_of_a_freezer_are_booked_by_one_of_two():
    loads, people = loads_of_eight(2), [factories.person() for _ in range(2)]
    for load, start in zip(loads, (lab.monday(8), lab.monday(8, weeks=2)), strict=True):
        book_load(load=load, by=people[0], start=start)
    rows = [load.bookings.order_by("planned_start").first() for load in loads]
    wanted = lab.monday(8, weeks=3)

    def move(row, by, start):
        return lambda: move_booking(booking=row, by=by, start=start)

    outcomes = at_once(*(move(row, by, wanted) for row, by in zip(rows, people, strict=True)))
    assert len(refusals(outcomes)) == 1
    assert "it has 12 places" in refusals(outcomes)[0]
    assert Booking.objects.filter(planned_start=wanted).count() == 1
    assert breaks() == []


def test_loads_booked_at_the_same_moment_find_places_of_their_own():
    loads, people = loads_of_eight(3), [factories.person() for _ in range(3)]

    def book(load, by):
        return lambda: book_load(load=load, by=by)

    outcomes = at_once(*(book(load, by) for load, by in zip(loads, people, strict=True)))
    assert refusals(outcomes) == []
    assert Booking.objects.count() == 9
    assert breaks() == []


def test_one_booking_moved_twice_at_once_ends_where_one_of_them_said():
    (load,), people = loads_of_eight(1), [factories.person() for _ in range(2)]
    book_load(load=load, by=people[0], start=lab.monday(8))
    row = load.bookings.order_by("planned_start").first()
    seen = (row.planned_start, row.planned_end)
    starts = [row.planned_start + hours * HOUR for hours in (24, 48)]

    def move(by, start):
        return lambda: move_booking(booking=row, by=by, start=start, seen=seen)

    outcomes = at_once(*(move(by, start) for by, start in zip(people, starts, strict=True)))
    assert len(refusals(outcomes)) == 1
    assert "was moved meanwhile" in refusals(outcomes)[0]
    assert Booking.objects.get(pk=row.pk).planned_start in starts


def test_a_change_taken_back_by_two_is_taken_back_once():
    (load,), people = loads_of_eight(1), [factories.person() for _ in range(2)]
    change = book_load(load=load, by=people[0])

    def undo(by):
        return lambda: undo_change(change=change, by=by)

    outcomes = at_once(*(undo(by) for by in people))
    assert len(refusals(outcomes)) == 1
    assert not Booking.objects.exists()
    assert BookingChange.objects.get().undone_at is not None
