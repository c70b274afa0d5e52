"""A freezer that failed: loads marked, the chamber closed, the plan asked for again; what becomes of a load; taken back."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from labbench.bench import chamber_failures, loads
from labbench.bench.booking_changes import undo_change
from labbench.bench.bookings import book_load, unbook_load
from labbench.bench.chamber_book import chamber_book
from labbench.bench.loads import Answer, MadeAlready
from labbench.bench.models import Booking, ChamberFailure, ChamberPlan, Deviation
from labbench.lab.hours import hours as lab_hours
from labbench.lab.hours import set_weekday
from labbench.lab.models import ChamberClosure
from tests import factories
from tests.bench import soaks
from tests.bench.soaks import HOUR, booked
from tests.factories import NOON

pytestmark = pytest.mark.django_db
MINUTE = timedelta(minutes=1)


@pytest.fixture
def by(db):
    return factories.person("technician")


@pytest.fixture
def rooms(db):
    return soaks.chambers()


@pytest.fixture
def frozen(rooms, by):
    """A load that has been in freezer F-1 since noon; a second one in F-2."""
    tray, other = soaks.load(rooms=rooms), soaks.load("Tray 2", rooms=rooms, freezer="F-2")
    for load in (tray, other):
        loads.move_in(booking=booked(load, 1, 1), by=by, at=NOON)
    return tray


@pytest.fixture
def clock():
    with soaks.clock_at(NOON + 7 * HOUR) as clock:
        yield clock


def failed(rooms, by, **details):
    return chamber_failures.record_failure(
        chamber=rooms["F-1"], by=by, **{"began_at": NOON + 5 * HOUR, "note": "power cut", **details}
    )


def test_a_failure_marks_the_loads_in_the_chamber_closes_it_and_asks_for_a_plan(frozen, rooms, by, clock):
    recorded = failed(rooms, by)
    assert [(row.load, row.kind, row.reason, row.happened_at) for row in recorded.deviations] == [
        (frozen, "chamber", "power cut", NOON + 5 * HOUR)
    ]
    assert recorded.deviations[0].description == (
        "F-1 failed from 2 Nov 2026, 17:00 on; when it worked again is not known yet. "
        "Tray 1 was in it (round 1, freeze, since 2 Nov 2026, 12:00)."
    )
    closure = ChamberClosure.objects.get()
    assert (closure.starts_at, closure.ends_at) == (NOON + 5 * HOUR, NOON + 7 * HOUR + timedelta(days=14))
    plan = ChamberPlan.objects.get(job=recorded.job)
    assert "F-1 failed at 2 Nov 2026, 17:00" in plan.reason
    # The bookings stand until somebody accepts the plan.
    assert Booking.objects.filter(started_at=None).count() == 16


def test_when_it_works_again_the_marks_say_so(frozen, rooms, by, clock):
    failure = failed(rooms, by).failure
    with pytest.raises(ValidationError, match="it can't have worked again before that"):
        chamber_failures.end_failure(failure=failure, by=by, ended_at=NOON + 5 * HOUR)
    chamber_failures.end_failure(failure=failure, by=by, ended_at=NOON + 6 * HOUR)
    assert "failed from 2 Nov 2026, 17:00 until 2 Nov 2026, 18:00. Tray 1" in Deviation.objects.get().description
    assert ChamberClosure.objects.get().ends_at == NOON + 6 * HOUR
    with pytest.raises(MadeAlready, match="works again since 2 Nov 2026, 18:00"):
        chamber_failures.end_failure(failure=failure, by=by, ended_at=NOON + 7 * HOUR)


def test_only_loads_that_were_in_it_at_that_time_are_marked(frozen, rooms, by, clock):
    loads.move_out(booking=booked(frozen, 1, 1), by=by, at=NOON + 5 * HOUR, answer=Answer(is_sure=True))
    recorded = failed(rooms, by, ended_at=NOON + 6 * HOUR)
    assert recorded.deviations == ()
    chamber_failures.take_back_failure(failure=recorded.failure, by=by)
    assert len(failed(rooms, by, began_at=NOON + 4 * HOUR, ended_at=NOON + 6 * HOUR).deviations) == 1


def test_a_failure_is_recorded_once_and_its_times_have_to_be_possible(frozen, rooms, by, clock):
    failed(rooms, by)
    with pytest.raises(MadeAlready, match="nothing is stored twice"):
        failed(rooms, by)
    with pytest.raises(ValidationError, match="recorded as failed from 2 Nov 2026, 17:00 on, end not known"):
        failed(rooms, factories.person("technician"))
    other = rooms["F-2"]
    with pytest.raises(ValidationError, match="is still to come"):
        chamber_failures.record_failure(chamber=other, by=by, began_at=NOON + 8 * HOUR)
    with pytest.raises(ValidationError, match="can't have worked again before that"):
        chamber_failures.record_failure(chamber=other, by=by, began_at=NOON + 2 * HOUR, ended_at=NOON + HOUR)
    assert ChamberFailure.objects.count() == ChamberClosure.objects.count() == 1


def test_taking_a_failure_back_leaves_nothing_marked_and_keeps_the_history(frozen, rooms, by, clock):
    failure = failed(rooms, by).failure
    chamber_failures.take_back_failure(failure=failure, by=by)
    assert (ChamberFailure.objects.count(), ChamberClosure.objects.count(), Deviation.objects.count()) == (0, 0, 0)
    assert ChamberFailure.history.filter(history_type="-", history_change_reason="undone").count() == 1
    with pytest.raises(MadeAlready, match="taken back already"):
        chamber_failures.take_back_failure(failure=failure, by=by)


def test_the_rest_of_the_soak_goes_on_in_another_freezer(frozen, rooms, by, clock):
    failure = failed(rooms, by).failure
    rest = chamber_failures.rest_of(booked(frozen, 1, 1), failure)
    assert (rest.had, rest.least, rest.lacks) == (300, 480, 180)
    broken_off = booked(frozen, 1, 1)
    clock.set(NOON + 7 * HOUR)
    gone_on = chamber_failures.go_on(
        failure=failure, booking=broken_off, chamber=rooms["F-2"], by=by, at=NOON + 7 * HOUR
    ).record
    assert (gone_on.part, gone_on.soaked_before_minutes, gone_on.chamber.code) == (2, 300, "F-2")
    broken_off.refresh_from_db()
    assert (broken_off.ended_at, broken_off.planned_end) == (NOON + 7 * HOUR, NOON + 7 * HOUR)
    # Breaking off is the failure's deviation, no short soak besides; the rest is asked for in the second part.
    assert list(Deviation.objects.values_list("kind", flat=True)) == ["chamber"]
    clock.set(NOON + 9 * HOUR)
    with pytest.raises(loads.Avoidable, match=r"for 2 h .* after 5 h that count from before; at least 3 h"):
        loads.move_out(booking=booked(frozen, 1, 1), by=by, at=NOON + 9 * HOUR)
    clock.set(NOON + 10 * HOUR)
    assert loads.move_out(booking=booked(frozen, 1, 1), by=by, at=NOON + 10 * HOUR).deviations == ()
    with pytest.raises(MadeAlready, match="went on in F-2 already"):
        chamber_failures.go_on(failure=failure, booking=broken_off, chamber=rooms["F-2"], by=by, at=NOON + 10 * HOUR)


def test_the_whole_step_can_be_done_again_and_what_is_booked_after_makes_room(frozen, rooms, by, clock):
    failure = failed(rooms, by).failure
    clock.set(NOON + 12 * HOUR)
    again = chamber_failures.go_on(
        failure=failure, booking=booked(frozen, 1, 1), chamber=rooms["F-2"], by=by, at=NOON + 12 * HOUR,
        is_whole_step=True,
    ).record  # fmt: skip
    assert (again.soaked_before_minutes, again.planned_end) == (0, NOON + 20 * HOUR)
    # The oven was booked from hour 16; all that follows moved four hours on, with what lies between.
    assert booked(frozen, 1, 2).planned_start == NOON + 20 * HOUR
    assert booked(frozen, 3, 3).planned_end == NOON + 76 * HOUR
    assert ChamberPlan.objects.filter(reason__startswith="Tray 1 goes on in F-2").count() == 1


def test_what_is_booked_after_going_on_stays_in_whole_minutes(frozen, rooms, by, clock):
    failure = failed(rooms, by).failure
    now = NOON + 7 * HOUR + timedelta(seconds=20)
    clock.set(now)
    recorded = chamber_failures.go_on(
        failure=failure, booking=booked(frozen, 1, 1), chamber=rooms["F-2"], by=by, at=now, is_whole_step=True
    )
    assert recorded.record.started_at == now
    for booking in frozen.bookings.all():
        assert (booking.planned_start.second, booking.planned_end.second) == (0, 0)


def test_it_stays_where_it_is_once_the_freezer_works_again(frozen, rooms, by, clock):
    failure = failed(rooms, by).failure
    with pytest.raises(ValidationError, match="F-1 failed at 2 Nov 2026, 17:00 and has not been seen to work again"):
        chamber_failures.go_on(
            failure=failure, booking=booked(frozen, 1, 1), chamber=rooms["F-1"], by=by, at=NOON + 6 * HOUR
        )
    assert booked(frozen, 1, 1).ended_at is None
    failure = chamber_failures.end_failure(failure=failure, by=by, ended_at=NOON + 6 * HOUR).failure
    stayed = chamber_failures.go_on(
        failure=failure, booking=booked(frozen, 1, 1), chamber=rooms["F-1"], by=by, at=NOON + 6 * HOUR
    ).record
    assert (stayed.chamber.code, stayed.part, stayed.started_at) == ("F-1", 2, NOON + 6 * HOUR)


def test_nothing_goes_into_a_chamber_that_has_failed(frozen, rooms, by, clock):
    failed(rooms, by)
    with pytest.raises(ValidationError, match="Take another chamber"):  # and no question whether it is too early
        loads.transfer(out_of=booked(frozen, 1, 1), into=booked(frozen, 2, 1), by=by, at=NOON + 6 * HOUR)
    late = soaks.load("Tray 3", rooms=rooms)
    with pytest.raises(ValidationError, match="Take another chamber, or say first that it works"):
        loads.move_in(booking=booked(late, 1, 1), by=by, at=NOON + 6 * HOUR)
    assert loads.move_in(booking=booked(late, 1, 1), by=by, at=NOON + 6 * HOUR, chamber=rooms["F-2"]).deviations == ()


def test_going_on_can_be_taken_back_and_chosen_otherwise(frozen, rooms, by, clock):
    failure = failed(rooms, by).failure
    how = {"failure": failure, "chamber": rooms["F-2"], "by": by, "at": NOON + 7 * HOUR}
    part = chamber_failures.go_on(booking=booked(frozen, 1, 1), **how).record
    loads.undo_move(booking=part, by=by, of=NOON + 7 * HOUR)
    freezer = booked(frozen, 1, 1)
    assert (freezer.part, freezer.started_at, freezer.ended_at) == (1, NOON, None)
    again = chamber_failures.go_on(booking=freezer, is_whole_step=True, **how).record
    assert (again.part, again.soaked_before_minutes) == (2, 0)


def test_a_soak_that_goes_on_ends_when_somebody_is_there_if_its_longest_soak_allows(frozen, rooms, by, clock):
    failure = failed(rooms, by).failure
    start = NOON + 7 * HOUR
    rest = chamber_failures.rest_of(booked(frozen, 1, 1), failure)
    local = timezone.localtime(start + 3 * HOUR)
    opens = (local.hour * 60 + local.minute + 120) % 1440
    for weekday in range(7):
        set_weekday(weekday=weekday, windows=[(opens, opens + 60)], by=by)
    out = chamber_failures.way_out(rest, start, is_whole_step=False, hours=lab_hours())
    assert (out.earliest, out.staffed, out.planned) == (start + 3 * HOUR, start + 5 * HOUR, start + 5 * HOUR)
    assert not out.is_unstaffed
    # A longest soak of 9 h, of which 5 h are over, does not reach so far.
    out = chamber_failures.way_out(replace(rest, most=540), start, is_whole_step=False, hours=lab_hours())
    assert (out.staffed, out.planned, out.is_unstaffed) == (start + 5 * HOUR, start + 3 * HOUR, True)
    went = chamber_failures.go_on(
        failure=failure, booking=booked(frozen, 1, 1), chamber=rooms["F-2"], by=by, at=start
    ).record
    assert went.planned_end == start + 5 * HOUR


def test_a_chamber_that_nobody_saw_working_again_stays_closed(rooms, by, clock):
    recorded = failed(rooms, by)
    tray = soaks.load("Tray 3", rooms=rooms, is_running=False)
    unbook_load(load=tray, by=by, reason="Planned anew")
    now = NOON + timedelta(days=40)
    clock.set(now)
    closed = chamber_book(now=now).closures[rooms["F-1"].pk]
    assert [row.ends_at for row in closed] == [datetime(2026, 12, 27, tzinfo=UTC)]
    change = book_load(load=tray, by=by)
    assert {row.chamber.code for row in tray.bookings.filter(step__number=1)} == {"F-2"}
    undo_change(change=change, by=by)
    chamber_failures.end_failure(failure=recorded.failure, by=by, ended_at=now)
    book_load(load=tray, by=by)
    assert {row.chamber.code for row in tray.bookings.filter(step__number=1)} == {"F-1"}
