"""Moves against the profile: early, late, too long at the door, an inspection forgotten; sent twice, taken back, a clock that is off."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from labbench.bench import loads
from labbench.bench.chamber_book import way_of, with_coupons
from labbench.bench.loads import Answer, Avoidable, MadeAlready
from labbench.bench.models import Booking, Deviation
from labbench.bench.services import record_inspections
from labbench.bench.soak_watch import minutes_between, soak_minutes_allowed, soak_window
from labbench.lab.models import Chamber
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
def tray(rooms):
    return soaks.load(rooms=rooms)


def frozen(tray, by, at=NOON):
    return loads.move_in(booking=booked(tray, 1, 1), by=by, at=at).record


def words_of(deviations):
    return [(row.kind, row.description) for row in deviations]


def test_a_soak_that_keeps_its_profile_leaves_no_deviation(tray, by):
    frozen(tray, by)
    moved = loads.transfer(out_of=booked(tray, 1, 1), into=booked(tray, 1, 2), by=by, at=NOON + 16 * HOUR)
    assert moved.deviations == ()
    assert (booked(tray, 1, 1).ended_at, booked(tray, 1, 2).started_at) == (NOON + 16 * HOUR, NOON + 16 * HOUR)
    assert Deviation.objects.count() == 0


@pytest.mark.parametrize(("minutes", "is_short"), [(479, True), (480, False), (1080, False)])
def test_the_least_soak_is_asked_about_before_anything_is_stored(tray, by, minutes, is_short):
    frozen(tray, by)
    out = {"booking": booked(tray, 1, 1), "by": by, "at": NOON + minutes * MINUTE}
    if not is_short:
        assert loads.move_out(**out).deviations == ()
        return
    with pytest.raises(Avoidable) as asked:
        loads.move_out(**out)
    assert "Tray 1 was in F-1 for 7 h 59 min (round 1, freeze); at least 8 h." in str(asked.value)
    assert booked(tray, 1, 1).ended_at is None
    moved = loads.move_out(**out, answer=Answer(is_sure=True, reason="power was to be cut"))
    assert [(row.kind, row.reason, row.is_found_by_rule, row.load) for row in moved.deviations] == [
        ("soak", "power was to be cut", True, tray)
    ]


def test_a_soak_that_was_too_long_is_stored_at_once_and_its_reason_can_be_said_later(tray, by):
    frozen(tray, by)
    moved = loads.move_out(booking=booked(tray, 1, 1), by=by, at=NOON + 1081 * MINUTE)
    assert words_of(moved.deviations) == [("soak", "Tray 1 was in F-1 for 18 h 1 min (round 1, freeze); at most 18 h.")]
    assert moved.deviations[0].reason == ""
    with pytest.raises(ValidationError, match="Say why it happened"):
        loads.give_reason(deviation=moved.deviations[0], by=by, reason="  ")
    loads.give_reason(deviation=moved.deviations[0], by=by, reason="nobody here")
    said = Deviation.history.filter(id=moved.deviations[0].pk).order_by("history_id")
    assert list(said.values_list("reason", "history_user")) == [("", by.pk), ("nobody here", by.pk)]


def test_too_long_at_the_door_is_a_late_transfer(tray, by):
    frozen(tray, by)
    out_at = NOON + 16 * HOUR
    loads.move_out(booking=booked(tray, 1, 1), by=by, at=out_at)
    assert loads.move_in(booking=booked(tray, 1, 2), by=by, at=out_at + 10 * MINUTE).deviations == ()
    loads.undo_move(booking=booked(tray, 1, 2), by=by)
    late = loads.move_in(booking=booked(tray, 1, 2), by=by, at=out_at + 22 * MINUTE).deviations
    assert words_of(late) == [
        (
            "late_transfer",
            "Tray 1 was 22 min between F-1 and O-1 (out at 3 Nov 2026, 04:00; round 1, heat); at most 10 min.",
        )
    ]


def test_taking_a_move_back_takes_its_deviation_back_too(tray, by):
    frozen(tray, by)
    loads.move_out(booking=booked(tray, 1, 1), by=by, at=NOON + 19 * HOUR)
    loads.move_in(booking=booked(tray, 1, 2), by=by, at=NOON + 20 * HOUR)
    assert sorted(Deviation.objects.values_list("kind", flat=True)) == ["late_transfer", "soak"]
    with pytest.raises(ValidationError, match="has been in O-1 since; take that move back first"):
        loads.undo_move(booking=booked(tray, 1, 1), by=by)
    loads.undo_move(booking=booked(tray, 1, 2), by=by)
    assert list(Deviation.objects.values_list("kind", flat=True)) == ["soak"]
    loads.undo_move(booking=booked(tray, 1, 1), by=by)
    assert Deviation.objects.count() == 0
    assert booked(tray, 1, 1).started_at == NOON
    gone = Deviation.history.filter(history_type="-")
    assert sorted(gone.values_list("kind", "history_change_reason")) == [
        ("late_transfer", "undone"),
        ("soak", "undone"),
    ]


def test_a_transfer_in_one_go_goes_back_in_one_go_and_only_once(tray, by):
    frozen(tray, by)
    at = NOON + 19 * HOUR
    loads.transfer(out_of=booked(tray, 1, 1), into=booked(tray, 1, 2), by=by, at=at)
    oven = booked(tray, 1, 2)
    loads.undo_move(booking=oven, by=by, of=at)
    assert (booked(tray, 1, 1).ended_at, booked(tray, 1, 2).started_at) == (None, None)
    assert Deviation.objects.count() == 0
    # The same press a second time must not take the move before back.
    with pytest.raises(MadeAlready, match="taken back already"):
        loads.undo_move(booking=oven, by=by, of=at)
    assert booked(tray, 1, 1).started_at == NOON


def test_the_same_move_sent_twice_is_one_move_and_told_kindly(tray, by):
    freezer = booked(tray, 1, 1)
    loads.move_in(booking=freezer, by=by, at=NOON)
    with pytest.raises(MadeAlready, match="went into F-1 at 2 Nov 2026, 12:00 already"):
        loads.move_in(booking=freezer, by=by, at=NOON)
    move = {"out_of": freezer, "into": booked(tray, 1, 2), "by": by, "at": NOON + 9 * HOUR}
    loads.transfer(**move)
    with pytest.raises(MadeAlready, match="went into O-1 at 2 Nov 2026, 21:00 already"):
        loads.transfer(**move)
    with pytest.raises(MadeAlready, match="came out of F-1 at 2 Nov 2026, 21:00 already"):
        loads.move_out(booking=freezer, by=by, at=NOON + 9 * HOUR)
    assert Booking.history.filter(id=freezer.pk, history_type="~").count() == 2


def test_who_presses_transfer_after_somebody_took_it_out_counts_from_then(tray, by):
    frozen(tray, by)
    loads.move_out(booking=booked(tray, 1, 1), by=by, at=NOON + 16 * HOUR)
    moved = loads.transfer(out_of=booked(tray, 1, 1), into=booked(tray, 1, 2), by=by, at=NOON + 16 * HOUR + 11 * MINUTE)
    assert [row.kind for row in moved.deviations] == ["late_transfer"]
    assert booked(tray, 1, 1).ended_at == NOON + 16 * HOUR


def test_a_forgotten_inspection_is_asked_about_and_kept_with_the_coupons_it_concerns(tray, by):
    soaks.been_through(tray, (2, 1), by)
    coupons = [place.coupon for place in tray.places.select_related("coupon")]
    record_inspections(looks=[(coupons[0], {"round_number": 1, "outcome": "intact"})], by=by, seen_at=NOON + 23 * HOUR)
    into = {"booking": booked(tray, 2, 1), "by": by, "at": NOON + 24 * HOUR}
    with pytest.raises(Avoidable) as asked:
        loads.move_in(**into)
    assert [row.kind for row in asked.value.findings] == ["inspection"]
    kept = loads.move_in(**into, answer=Answer(is_sure=True)).deviations
    assert words_of(kept) == [
        ("inspection", "Round 2 of Tray 1 began with 2 of 3 coupons not looked at after round 1: 11, 12.")
    ]


def test_whoever_cracked_out_is_not_missed(tray, by):
    soaks.been_through(tray, (2, 1), by)
    coupons = [place.coupon for place in tray.places.select_related("coupon")]
    looks = [
        (row, {"round_number": 1, "outcome": what})
        for row, what in zip(coupons, ("intact", "cracked_out", "void"), strict=True)
    ]
    record_inspections(looks=looks, by=by, seen_at=NOON + 23 * HOUR)
    assert loads.move_in(booking=booked(tray, 2, 1), by=by, at=NOON + 24 * HOUR).deviations == ()


def test_a_step_left_out_is_asked_about(tray, by):
    frozen(tray, by)
    loads.move_out(booking=booked(tray, 1, 1), by=by, at=NOON + 9 * HOUR)
    with pytest.raises(Avoidable, match=r"Tray 1 went on to round 1, cool without round 1, heat\."):
        loads.move_in(booking=booked(tray, 1, 3), by=by, at=NOON + 9 * HOUR)


def test_a_clock_that_is_off_is_refused_in_words(tray, by):
    frozen(tray, by)
    with soaks.clock_at(NOON + HOUR):
        with pytest.raises(
            ValidationError, match=r"2 Nov 2026, 14:00 is still to come; by the server it is 2 Nov 2026, 13:00"
        ):
            loads.move_out(booking=booked(tray, 1, 1), by=by, at=NOON + 2 * HOUR)
        with pytest.raises(ValidationError, match="It went in at 2 Nov 2026, 12:00; it can't have come out before"):
            loads.move_out(booking=booked(tray, 1, 1), by=by, at=NOON)
    loads.move_out(booking=booked(tray, 1, 1), by=by, at=NOON + 9 * HOUR)
    with pytest.raises(
        ValidationError, match="came out of F-1 at 2 Nov 2026, 21:00; it can't have gone in before that"
    ):
        loads.move_in(booking=booked(tray, 1, 2), by=by, at=NOON + 8 * HOUR)
    assert booked(tray, 1, 2).started_at is None


# Paris: summer time ended on 25 October 2026 at 03:00, clocks back to 02:00 (IANA time zone database).
PARIS = ZoneInfo("Europe/Paris")


def test_a_soak_over_the_end_of_summer_time_has_its_real_length(rooms, by):
    start = datetime(2026, 10, 24, 22, tzinfo=PARIS)
    tray = soaks.load(rooms=rooms, start=start)
    freezer = loads.move_in(booking=booked(tray, 1, 1), by=by, at=start).record
    # By the clock on the wall 7 h, really 8 h.
    morning = datetime(2026, 10, 25, 5, tzinfo=PARIS)
    assert minutes_between(start, morning) == 480
    assert soak_window(booked(tray, 1, 1)).earliest == morning
    assert loads.move_out(booking=freezer, by=by, at=morning).deviations == ()


def test_a_soak_over_the_beginning_of_summer_time_is_not_an_hour_longer(rooms, by):
    start = datetime(2026, 3, 28, 22, tzinfo=PARIS)
    tray = soaks.load(rooms=rooms, start=start)
    freezer = loads.move_in(booking=booked(tray, 1, 1), by=by, at=start).record
    with pytest.raises(Avoidable, match="for 7 h "):
        loads.move_out(booking=freezer, by=by, at=datetime(2026, 3, 29, 6, tzinfo=PARIS))


def test_a_chamber_takes_no_more_than_it_has_places_for(rooms, by):
    one, other = soaks.load("Tray 1", rooms=rooms, coupons=3), soaks.load("Tray 2", rooms=rooms, coupons=2)
    rooms["F-1"].capacity_coupons = 4
    rooms["F-1"].save()
    frozen(one, by)
    with pytest.raises(ValidationError, match="F-1 has 4 places and Tray 2 needs 2; in it: Tray 1 with 3"):
        frozen(other, by)
    assert loads.move_in(booking=booked(other, 1, 1), by=by, at=NOON, chamber=rooms["F-2"]).record.chamber.code == "F-2"
    with pytest.raises(ValidationError, match="O-1 is no freezer"):
        loads.move_in(booking=booked(soaks.load("Tray 3", rooms=rooms), 1, 1), by=by, at=NOON, chamber=rooms["O-1"])


def test_the_database_itself_keeps_a_load_out_of_two_chambers(tray, by):
    frozen(tray, by)
    with pytest.raises(IntegrityError), transaction.atomic():
        Booking.objects.filter(pk=booked(tray, 1, 2).pk).update(started_at=NOON + HOUR)
    Booking.objects.filter(pk=booked(tray, 1, 1).pk).update(ended_at=NOON + 9 * HOUR)
    with pytest.raises(IntegrityError, match="in another chamber at that time"), transaction.atomic():
        Booking.objects.filter(pk=booked(tray, 1, 2).pk).update(started_at=NOON + 8 * HOUR, ended_at=NOON + 10 * HOUR)


def test_a_load_in_a_chamber_is_neither_finished_nor_not_started(tray, by):
    frozen(tray, by)
    with pytest.raises(ValidationError, match="still in F-1; take it out there first"):
        loads.finish_load(load=tray, by=by)
    with pytest.raises(ValidationError, match="has been in a chamber; take its moves back first"):
        loads.step_back_load(load=tray, by=by)


def test_an_out_is_not_taken_back_where_another_load_has_the_places(rooms, by):
    Chamber.objects.filter(code="F-1").update(capacity_coupons=3)
    first, second = (soaks.load(f"Tray {number}", rooms=rooms) for number in (1, 2))
    loads.move_in(booking=booked(first, 1, 1), by=by, at=NOON)
    loads.transfer(out_of=booked(first, 1, 1), into=booked(first, 1, 2), by=by, at=NOON + 9 * HOUR)
    loads.move_in(booking=booked(second, 1, 1), by=by, at=NOON + 9 * HOUR)
    words = "F-1 has 3 places and Tray 1 needs 3; in it: Tray 2 with 3. Another load took its place since"
    with pytest.raises(ValidationError, match=words):
        loads.undo_move(booking=booked(first, 1, 2), by=by)
    assert booked(first, 1, 2).started_at == NOON + 9 * HOUR
    loads.undo_move(booking=booked(second, 1, 1), by=by)
    loads.undo_move(booking=booked(first, 1, 2), by=by)
    assert (booked(first, 1, 1).ended_at, booked(first, 1, 2).started_at) == (None, None)


def test_a_finished_load_does_not_go_back_into_its_chamber(tray, by):
    soaks.been_through(tray, (4, 1), by)
    loads.finish_load(load=tray, by=by)
    with pytest.raises(ValidationError, match="Tray 1 is finished; take that back first"):
        loads.undo_move(booking=booked(tray, 3, 3), by=by)
    assert booked(tray, 3, 3).ended_at is not None
    loads.step_back_load(load=tray, by=by)
    loads.undo_move(booking=booked(tray, 3, 3), by=by)
    assert booked(tray, 3, 3).ended_at is None


def test_a_programmable_chamber_soaks_all_rounds(db):
    # The study says how many rounds, not the profile: so the chamber is booked too.
    study = factories.study(profile=soaks.profile(3), rounds_planned=2)
    booking = Booking(load=soaks.Load(study=study, name="Tray 9"), chamber=soaks.chamber("C-1", "cycler"))
    # Two rounds of 480 + 120 + 30 min; the last step has no longest soak, so neither has the whole.
    assert soak_minutes_allowed(booking) == (1260, None)
    load = soaks.Load.objects.create(study=study, name="Tray 9")
    assert way_of(with_coupons(soaks.Load.objects.filter(pk=load.pk))[0]).run_minutes == 1260


def test_starting_and_going_in_are_one_press_or_nothing(rooms, by):
    tray = soaks.load(rooms=rooms, is_running=False)
    soaks.chamber("F-9")
    rooms["F-1"].capacity_coupons = 2
    rooms["F-1"].save()
    with pytest.raises(ValidationError, match="F-1 has 2 places"):
        loads.start_into(load=tray, booking=booked(tray, 1, 1), by=by, at=NOON)
    tray.refresh_from_db()
    assert tray.state == "planned"
    begun = loads.start_into(load=tray, booking=booked(tray, 1, 1), by=by, at=NOON, chamber=rooms["F-2"])
    assert (begun.record.load.state, begun.record.started_at) == ("running", NOON)


def test_utc_and_the_labs_zone_name_the_same_time(tray, by):
    frozen(tray, by, at=NOON.astimezone(PARIS))
    assert booked(tray, 1, 1).started_at == datetime(2026, 11, 2, 12, tzinfo=UTC)
