"""Bookings moved by hand: what is carried along, what is refused and in which words, what is kept, what can be taken back."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from labbench.bench.booking_changes import RulesBroken, last_change, undo_change
from labbench.bench.booking_rules import broken_rules
from labbench.bench.bookings import book_load, move_booking, unbook_load
from labbench.bench.chamber_book import chamber_book
from labbench.bench.chamber_labs import planned_lab
from labbench.bench.load_times import set_times
from labbench.bench.models import Booking, Load
from labbench.bench.revision import revise_coupons
from labbench.bench.services import create_load
from labbench.lab.models import Chamber, ChamberClosure
from labbench.science.scheduling.chains import chain_of, settled_minutes
from tests import factories
from tests.bench import chamber_lab as lab
from tests.bench.chamber_lab import HOUR, MINUTE

pytestmark = pytest.mark.django_db


@pytest.fixture
def lead():
    return factories.person()


@pytest.fixture
def study():
    lab.chambers()
    lab.staffed(start=6 * 60, end=22 * 60)
    return factories.study(profile=lab.profile(), rounds_planned=2)


def booked(study, lead, name="Load 1", coupons=6, start=None):
    """A load with all its bookings, and those in order of time."""
    load = lab.load(study, name, coupons)
    book_load(load=load, by=lead, start=start or lab.monday(15, 30))
    return load, list(load.bookings.order_by("planned_start"))


def breaks(book=None):
    """Every rule that a booking breaks as it stands."""
    book = book or chamber_book(now=timezone.now())
    rows = [one for _, one in book.bookings()]
    first, last = min(one.planned_start for one in rows), max(one.planned_end for one in rows)
    spans = book.hours.spans(first, last)
    return sorted(one.rule for _, found in broken_rules(book, rows, spans) for one in found)


def test_a_load_is_booked_by_hand_from_a_time_on_and_keeps_every_rule(study, lead):
    _, bookings = booked(study, lead)
    assert [(one.round_number, one.step.name) for one in bookings] == [
        (number, step) for number in (1, 2) for step in ("freeze", "heat", "cool")
    ]
    assert bookings[0].planned_start >= lab.monday(15, 30)
    assert breaks() == []


def test_the_rest_of_a_load_is_carried_along(study, lead):
    load, bookings = booked(study, lead)
    later = lab.monday(8, weeks=2)
    change = move_booking(booking=bookings[0], by=lead, start=later)
    again = list(load.bookings.order_by("planned_start"))
    assert again[0].planned_start == later
    assert [one.pk for one in again] == [one.pk for one in bookings]
    assert breaks() == []
    entry = again[0].history.first()
    assert (entry.history_user, entry.history_change_reason) == (lead, change.words)
    undo_change(change=change, by=lead)
    back = list(load.bookings.order_by("planned_start"))
    assert [(one.planned_start, one.planned_end) for one in back] == [
        (one.planned_start, one.planned_end) for one in bookings
    ]
    assert last_change().words.startswith(f"{study.code} Load 1 booked")


def test_a_load_carried_along_takes_no_place_from_itself(study, lead):
    # Seven coupons in twelve places: later by so much that the first freeze lies over the second as it was booked.
    load, bookings = booked(study, lead, coupons=7)
    first, second = bookings[0], bookings[3]
    assert first.chamber == second.chamber
    start = second.planned_start - 10 * HOUR
    move_booking(booking=first, by=lead, start=start, reason="the glass comes in the night")
    again = list(load.bookings.order_by("planned_start"))
    assert again[0].planned_start == start
    assert again[3].planned_start > second.planned_start
    assert set(breaks()) <= {"hours"}


def test_the_soak_before_reaches_the_new_start(study, lead):
    load, bookings = booked(study, lead)
    heat = bookings[1]
    move_booking(booking=heat, by=lead, start=heat.planned_start + HOUR)
    before = load.bookings.get(pk=bookings[0].pk)
    assert before.planned_end == bookings[0].planned_end + HOUR
    assert breaks() == []


def refusal(**wanted):
    with pytest.raises(ValidationError) as refused:
        move_booking(**wanted)
    return refused.value


@pytest.mark.parametrize(
    ("start", "end", "rule", "words"),
    [
        (0, -1, "soak", "a soak of 7 h is shorter than 8 h"),
        (0, 9, "soak", "a soak of 17 h is longer than 16 h"),
        (1, 1, "order", "would be in two chambers at once"),
        (-1, -1, "transfer", "1 h between freeze 1 and heat 1"),
    ],
)
def test_one_booking_alone_is_refused_where_it_breaks_a_rule(study, lead, start, end, rule, words):
    _, bookings = booked(study, lead)
    row = bookings[0]
    assert row.planned_end - row.planned_start == 8 * HOUR
    times = {"start": row.planned_start + start * HOUR, "end": row.planned_end + end * HOUR}
    refused = refusal(booking=row, by=lead, is_following=False, **times)
    assert isinstance(refused, RulesBroken)
    assert rule in {one.rule for one in refused.broken}
    assert any(words in one for one in refused.messages)
    assert not refused.is_wish
    assert Booking.objects.get(pk=row.pk).planned_start == row.planned_start
    assert Booking.history.filter(id=row.pk).count() == 1


def test_an_end_before_its_start_is_refused(study, lead):
    _, bookings = booked(study, lead)
    end = bookings[0].planned_start - MINUTE
    assert "ends before it begins" in str(refusal(booking=bookings[0], by=lead, end=end))


def test_a_soak_lasts_longer_where_the_rest_would_find_no_place(study, lead):
    load, bookings = booked(study, lead)
    # Eight hours from half past two end at night, when nobody is there to take it out.
    later = lab.monday(14, 30, weeks=2)
    move_booking(booking=bookings[0], by=lead, start=later)
    freeze = load.bookings.get(pk=bookings[0].pk)
    assert freeze.planned_start == later
    assert freeze.planned_end - later > 8 * HOUR
    assert breaks() == []


def test_another_kind_of_chamber_is_refused_in_words(study, lead):
    _, bookings = booked(study, lead)
    oven = bookings[1].chamber
    refused = refusal(booking=bookings[0], by=lead, chamber=oven, is_following=False)
    assert f"{study.code} Load 1, freeze of round 1 needs a freezer, and O-1 is an oven." in refused.messages


def test_a_chamber_that_does_not_get_cold_enough_is_refused(study, lead):
    mild = lab.chamber("F-9", "freeze", 24, lowest_c=-10, highest_c=5)
    _, bookings = booked(study, lead)
    assert {one.chamber.code for one in bookings if one.step.kind == "freeze"} == {"F-1"}
    refused = refusal(booking=bookings[0], by=lead, chamber=mild, is_following=False)
    assert "The air of F-9 does not reach the set-point of freeze." in refused.messages


def test_places_are_counted_at_every_moment(study, lead):
    booked(study, lead, "Load 1", 8)
    _, others = booked(study, lead, "Load 2", 8)
    first = Booking.objects.filter(load__name="Load 1").order_by("planned_start").first()
    refused = refusal(booking=others[0], by=lead, start=first.planned_start + HOUR, is_following=False)
    assert any("F-1 would hold 16 coupons" in words and "it has 12 places" in words for words in refused.messages)


def test_a_closed_chamber_is_refused_with_its_reason(study, lead):
    _, bookings = booked(study, lead)
    at = bookings[0].planned_start
    ChamberClosure.objects.create(
        chamber=bookings[0].chamber, starts_at=at + HOUR, ends_at=at + 2 * HOUR, reason="defrosting"
    )
    refused = refusal(booking=bookings[0], by=lead, start=at + 30 * MINUTE)
    assert any("F-1 is closed" in words and "(defrosting)" in words for words in refused.messages)


def test_what_is_closed_for_years_is_laid_out_no_further_than_the_plan_reaches(study, lead):
    later = lab.chamber("F-2", "freeze", retired_on=timezone.localdate() + timedelta(days=60))
    ends_at = timezone.now() + timedelta(days=9 * 366)
    ChamberClosure.objects.create(chamber=Chamber.objects.get(code="F-1"), starts_at=timezone.now(), ends_at=ends_at)
    load = lab.load(study, "Load 1")
    for days in (28, 90):
        made = planned_lab(chamber_book(now=timezone.now()), start=timezone.now(), horizon_days=days).lab
        chains = [chain_of(made, one) for one in made.loads]
        assert settled_minutes(made, chains) == days * 24 * 60
        assert {one.chamber for one in made.closures} == ({"F-1"} if days == 28 else {"F-1", "F-2"})
    change = book_load(load=load, by=lead, start=lab.monday(8))
    assert {one.chamber for one in load.bookings.filter(step__kind="freeze")} == {later}
    undo_change(change=change, by=lead)
    # Beyond the first look at the calendar: retired then, or closed still.
    third = lab.chamber("F-3", "freeze", 12)
    book_load(load=load, by=lead, start=lab.monday(8, weeks=10))
    assert {one.chamber for one in load.bookings.filter(step__kind="freeze")} == {third}


def test_where_every_chamber_is_closed_for_years_that_is_said(study, lead):
    ends_at = timezone.now() + timedelta(days=9 * 366)
    ChamberClosure.objects.create(chamber=Chamber.objects.get(code="F-1"), starts_at=timezone.now(), ends_at=ends_at)
    with pytest.raises(ValidationError, match="F-1 is closed from"):
        book_load(load=lab.load(study, "Load 1"), by=lead)


def test_a_wish_may_be_broken_with_a_reason_that_is_kept(study, lead):
    load, bookings = booked(study, lead)
    last = bookings[-1]
    late = last.planned_start.replace(hour=23, minute=0)
    refused = refusal(booking=last, by=lead, end=late)
    assert isinstance(refused, RulesBroken)
    assert refused.is_wish
    assert "nobody is there" in refused.messages[0].lower()
    change = move_booking(booking=last, by=lead, end=late, reason="The night shift takes it out")
    assert load.bookings.get(pk=last.pk).planned_end == late
    assert change.reason == "The night shift takes it out"
    assert "The night shift takes it out" in last.history.first().history_change_reason


def test_what_has_begun_keeps_its_start_and_chamber(study, lead):
    load, bookings = booked(study, lead)
    begun = timezone.now() - HOUR
    Load.objects.filter(pk=load.pk).update(state="running")
    Booking.objects.filter(pk=bookings[0].pk).update(started_at=begun)
    row = Booking.objects.get(pk=bookings[0].pk)
    words = str(refusal(booking=row, by=lead, start=row.planned_start + HOUR))
    assert "only its end can be planned anew" in words


def test_what_is_over_stays_as_it_was(study, lead):
    _, bookings = booked(study, lead)
    Booking.objects.filter(pk=bookings[0].pk).update(
        started_at=timezone.now() - 9 * HOUR, ended_at=timezone.now() - HOUR
    )
    assert "that stays as it was" in str(refusal(booking=bookings[0], by=lead, start=lab.monday(9)))


def test_a_booking_that_somebody_moved_meanwhile_is_not_moved_blindly(study, lead):
    _, bookings = booked(study, lead)
    row = bookings[0]
    seen = (row.planned_start, row.planned_end)
    move_booking(booking=row, by=factories.person(), start=lab.monday(8, weeks=2))
    assert "was moved meanwhile" in str(refusal(booking=row, by=lead, start=lab.monday(9, weeks=2), seen=seen))


def test_a_change_is_not_taken_back_over_a_later_one(study, lead):
    _, bookings = booked(study, lead)
    first = move_booking(booking=bookings[0], by=lead, start=lab.monday(8, weeks=2))
    move_booking(booking=bookings[0], by=lead, start=lab.monday(9, weeks=2))
    with pytest.raises(ValidationError, match="changed again since"):
        undo_change(change=first, by=lead)
    undo_change(change=last_change(), by=lead)
    undo_change(change=last_change(), by=lead)
    assert Booking.objects.get(pk=bookings[0].pk).planned_start == bookings[0].planned_start


def test_bookings_are_taken_out_with_a_reason_and_come_back_as_they_were(study, lead):
    load, bookings = booked(study, lead)
    with pytest.raises(ValidationError, match="Say why"):
        unbook_load(load=load, by=lead, reason=" ")
    change = unbook_load(load=load, by=lead, reason="glass is late")
    assert not load.bookings.exists()
    assert Booking.history.filter(history_type="-", history_user=lead).count() == len(bookings)
    undo_change(change=change, by=lead)
    assert set(load.bookings.values_list("pk", "planned_start")) == {(one.pk, one.planned_start) for one in bookings}


def test_bookings_do_not_come_back_into_a_chamber_that_is_no_more(study, lead):
    load, _ = booked(study, lead)
    change = unbook_load(load=load, by=lead, reason="Planned anew")
    Chamber.objects.get(code="F-1").delete()
    with pytest.raises(ValidationError, match="A chamber of these bookings is not in the catalogue any more"):
        undo_change(change=change, by=lead)
    assert not Booking.objects.exists()


def test_the_database_itself_refuses_a_load_in_two_chambers(study, lead):
    _, bookings = booked(study, lead)
    with pytest.raises(IntegrityError, match="one chamber at a time"), transaction.atomic():
        Booking.objects.filter(pk=bookings[1].pk).update(planned_start=bookings[0].planned_start + HOUR)


def test_a_run_of_a_programmable_chamber_begins_for_all_its_loads_at_once(study, lead):
    cycler = lab.chamber("C-1", "cycler", 20)
    minutes = 2 * (480 + 120 + 30)
    starts = (lab.monday(8), lab.monday(9))
    rows = []
    for number, start in enumerate(starts):
        load = lab.load(study, f"Run {number}")
        end = start + timedelta(minutes=minutes)
        rows.append(Booking.objects.create(load=load, chamber=cycler, planned_start=start, planned_end=end))
    assert breaks().count("together") == 2
    move_booking(
        booking=rows[1], by=lead, start=starts[0], end=starts[0] + timedelta(minutes=minutes), reason="at night"
    )
    assert "together" not in breaks()


@pytest.mark.parametrize(
    ("hours", "words"), [(2, "a soak of 2 h is shorter than 8 h"), (70, "a soak of 70 h is longer")]
)
def test_a_typed_end_is_refused_for_its_own_soak_before_the_rest_is_looked_at(study, lead, hours, words):
    _, bookings = booked(study, lead)
    refused = refusal(booking=bookings[0], by=lead, end=bookings[0].planned_start + hours * HOUR)
    assert len(refused.messages) == 1
    assert words in refused.messages[0]


def test_a_load_is_not_booked_from_a_time_that_is_past(study, lead):
    load = lab.load(study)
    with pytest.raises(ValidationError, match="is past; leave it empty to book from now on") as refused:
        book_load(load=load, by=lead, start=timezone.now() - HOUR)
    assert list(refused.value.error_dict) == ["start"]
    assert not Booking.objects.exists()


def test_a_mistyped_year_is_refused_before_anything_is_laid_out(study, lead):
    load, bookings = booked(study, lead)
    far = timezone.now() + timedelta(days=740)
    words = "is more than two years ahead; chambers are planned for two years at most."
    with pytest.raises(ValidationError, match=words):
        book_load(load=lab.load(study, "Load 2"), by=lead, start=far)
    with pytest.raises(ValidationError, match=words) as refused:
        move_booking(booking=bookings[0], by=lead, start=far)
    assert list(refused.value.error_dict) == ["start"]
    with pytest.raises(ValidationError, match=words):
        move_booking(booking=bookings[-1], by=lead, end=far)
    with pytest.raises(ValidationError, match=words) as refused:
        set_times(load=load, by=lead, ready_at=far, due_at=far + HOUR, priority=1)
    assert list(refused.value.error_dict) == ["ready_at", "due_at"]
    with pytest.raises(ValidationError, match=words):
        create_load(study=study, name="Load 3", by=lead, ready_at=far)
    assert Booking.objects.count() == len(bookings)
    book_load(load=Load.objects.get(name="Load 2"), by=lead, start=timezone.now() + timedelta(days=700))


def test_coupons_beyond_the_places_of_a_booked_chamber_are_refused(study, lead):
    load, _ = booked(study, lead, coupons=10)
    more = [factories.coupon(study, stage="repaired") for _ in range(3)]

    def put(coupons):
        revise_coupons(study=study, coupons=coupons, by=lead, reason="more", changes={}, levels={}, load=load)

    with pytest.raises(ValidationError, match=r"F-1 would hold 13 coupons at .*; it has 12 places") as refused:
        put(more)
    assert list(refused.value.error_dict) == ["load"]
    assert "Book Load 1 elsewhere first" in refused.value.messages[0]
    assert load.places.count() == 10
    put(more[:2])
    assert load.places.count() == 12
