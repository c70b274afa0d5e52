"""Plans of the chambers from stored rows: asked for, proposed, accepted, overtaken, taken back."""

import re
from datetime import UTC, date, datetime, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from labbench.bench.booking_changes import undo_change
from labbench.bench.booking_rules import broken_rules
from labbench.bench.bookings import book_load, move_booking
from labbench.bench.chamber_book import chamber_book
from labbench.bench.chamber_gains import request_gains
from labbench.bench.chamber_labs import planned_lab
from labbench.bench.chamber_plans import PlanOvertaken, accept_plan, plan_result, proposal, request_plan
from labbench.bench.models import Booking, ChamberPlan, Load
from labbench.lab.hours import hours
from labbench.lab.models import Chamber, ExtraHours, Holiday, StaffedWindow
from labbench.science.scheduling.lab import Booking as PlannedSoak
from labbench.science.scheduling.solver import Plan
from tests import factories
from tests.bench import chamber_lab as lab
from tests.bench.chamber_lab import HOUR, MINUTE
from tests.bench.soaks import clock_at

pytestmark = pytest.mark.django_db
MONDAY = datetime(2026, 11, 23, 6, 30, tzinfo=UTC)


@pytest.fixture(autouse=True)
def monday_morning():
    """What a plan can gain depends on how far the next evening and weekend are."""
    with clock_at(MONDAY):
        yield


@pytest.fixture
def study():
    lab.chambers()
    lab.staffed()
    return factories.study(profile=lab.profile(), rounds_planned=2)


@pytest.fixture
def plan(eager_queue, django_capture_on_commit_callbacks):
    """A function that asks for a plan and gives it once it is made."""

    def made(**wanted):
        with django_capture_on_commit_callbacks(execute=True):
            job = request_plan(by=factories.person(), seconds=1, **wanted)
        job.refresh_from_db()
        assert (job.state, job.reason) == ("done", "")
        return ChamberPlan.objects.get(job=job)

    return made


def breaks():
    """Every rule that a booking breaks as it stands."""
    book = chamber_book(now=timezone.now())
    rows = [one for _, one in book.bookings()]
    first, last = min(one.planned_start for one in rows), max(one.planned_end for one in rows)
    spans = book.hours.spans(first - HOUR, last + HOUR)
    return sorted(one.rule for _, found in broken_rules(book, rows, spans) for one in found)


def test_a_plan_is_proposed_accepted_and_taken_back(study, plan):
    loads = [lab.load(study, f"Load {number}") for number in (1, 2, 3)]
    made = plan()
    assert made.result["status"] in {"optimal", "feasible"}
    assert made.standing["bound_minutes"] <= made.result["makespan_minutes"]
    assert not Booking.objects.exists()
    lead = factories.person()
    change = accept_plan(plan=made, by=lead)
    assert Booking.objects.count() == 3 * 6
    assert {booking.load_id for booking in Booking.objects.all()} == {load.pk for load in loads}
    assert breaks() == []
    assert Booking.history.filter(history_type="+", history_user=lead).count() == 18
    with pytest.raises(ValidationError, match="accepted already"):
        accept_plan(plan=made, by=lead)
    undo_change(change=change, by=lead)
    assert not Booking.objects.exists()


def test_the_present_bookings_stay_where_a_plan_is_remade(study, plan):
    first = lab.load(study, "Load 1")
    book_load(load=first, by=factories.person(), start=lab.monday(8))
    before = set(first.bookings.values_list("pk", "planned_start", "planned_end"))
    lab.load(study, "Load 2")
    made = plan()
    assert made.result["moved"] == 0
    accept_plan(plan=made, by=factories.person())
    assert set(first.bookings.values_list("pk", "planned_start", "planned_end")) == before
    assert Booking.objects.count() == 12
    assert breaks() == []


def test_other_loads_stay_as_booked_where_one_is_planned(study, plan):
    first, second = lab.load(study, "Load 1", 8), lab.load(study, "Load 2", 8)
    book_load(load=first, by=factories.person(), start=lab.monday(8))
    before = set(first.bookings.values_list("pk", "planned_start", "planned_end"))
    made = plan(loads=[second])
    assert {row["load"] for row in made.result["bookings"]} == {second.pk}
    accept_plan(plan=made, by=factories.person())
    assert set(first.bookings.values_list("pk", "planned_start", "planned_end")) == before
    # Eight and eight coupons do not fit into the twelve places of the freezer together.
    assert breaks() == []


def begin(load, minutes_ago):
    """The load's first booking has begun so many minutes ago."""
    Load.objects.filter(pk=load.pk).update(state="running")
    row = load.bookings.order_by("planned_start").first()
    at = timezone.now() - minutes_ago * MINUTE
    Booking.objects.filter(load=load).exclude(pk=row.pk).delete()
    Booking.objects.filter(pk=row.pk).update(started_at=at, planned_start=at, planned_end=at + timedelta(hours=12))
    return Booking.objects.get(pk=row.pk)


def test_a_load_under_way_stays_in_its_chamber_and_the_rest_is_planned(plan):
    lab.chambers()
    study = factories.study(profile=lab.profile(), rounds_planned=2)
    load = lab.load(study)
    book_load(load=load, by=factories.person())
    row = begin(load, 100)
    made = plan()
    accept_plan(plan=made, by=factories.person())
    again = Booking.objects.get(pk=row.pk)
    assert (again.chamber_id, again.started_at, again.planned_start) == (
        row.chamber_id,
        row.started_at,
        row.planned_start,
    )
    soaked = again.planned_end - again.started_at
    assert timedelta(minutes=480) <= soaked <= timedelta(minutes=960)
    assert load.bookings.count() == 6
    assert breaks() == []


def test_a_load_that_is_in_its_chamber_too_long_already_is_planned_all_the_same(plan):
    lab.chambers()
    study = factories.study(profile=lab.profile(), rounds_planned=2)
    load = lab.load(study)
    book_load(load=load, by=factories.person())
    row = begin(load, 17 * 60)
    made = plan()
    assert any("longest soak" in note for note in made.result["notes"])
    accept_plan(plan=made, by=factories.person())
    assert load.bookings.count() == 6
    assert breaks() == ["soak"]
    assert Booking.objects.get(pk=row.pk).planned_end > timezone.now()


def test_a_soak_that_goes_on_after_a_failure_counts_what_it_had_before(plan):
    lab.chambers()
    study = factories.study(profile=lab.profile(), rounds_planned=1)
    load = lab.load(study)
    book_load(load=load, by=factories.person())
    first = begin(load, 400)
    broke = timezone.now() - 100 * MINUTE
    Booking.objects.filter(pk=first.pk).update(ended_at=broke, planned_end=broke)
    again = Booking.objects.create(
        load=load,
        chamber=first.chamber,
        step=first.step,
        round_number=1,
        part=2,
        soaked_before_minutes=300,
        started_at=timezone.now() - 60 * MINUTE,
        planned_start=timezone.now() - 60 * MINUTE,
        planned_end=timezone.now() + 60 * MINUTE,
    )
    accept_plan(plan=plan(is_kept_stable=False), by=factories.person())
    row = Booking.objects.get(pk=again.pk)
    # Eight hours in all: five before the failure, one by now, so two more.
    assert row.planned_end - row.started_at >= timedelta(minutes=180)
    assert row.planned_end - row.started_at < timedelta(minutes=182)
    assert breaks() == []


def test_a_plan_that_a_move_has_overtaken_is_not_booked(study, plan):
    load = lab.load(study)
    book_load(load=load, by=factories.person())
    made = plan(is_kept_stable=False)
    begin(load, 5)
    with pytest.raises(PlanOvertaken, match="was moved meanwhile"):
        accept_plan(plan=made, by=factories.person())
    assert load.bookings.filter(started_at=None).count() == 0


def test_a_plan_whose_places_were_taken_meanwhile_is_not_booked(study, plan):
    first, second = lab.load(study, "Load 1", 8), lab.load(study, "Load 2", 8)
    made = plan(loads=[second])
    book_load(load=first, by=factories.person())
    with pytest.raises(PlanOvertaken, match="it has 12 places"):
        accept_plan(plan=made, by=factories.person())
    assert not second.bookings.exists()


def test_coupons_that_changed_meanwhile_overtake_a_plan(study, plan):
    load = lab.load(study)
    made = plan()
    load.places.first().delete()
    with pytest.raises(PlanOvertaken, match="other coupons"):
        accept_plan(plan=made, by=factories.person())


def test_where_nothing_fits_the_rule_in_the_way_and_what_would_do_are_said(plan):
    lab.chambers()
    lab.staffed(start=7 * 60, end=9 * 60)
    study = factories.study(profile=lab.profile(), rounds_planned=1)
    load = lab.load(study)
    made = plan()
    assert made.result["status"] == "infeasible"
    assert made.result["reason"].startswith(f"{study.code} {load.name}: no start lets every move happen while staffed")
    assert "longer" in made.result["reason"]
    with pytest.raises(ValidationError, match="no bookings to accept"):
        accept_plan(plan=made, by=factories.person())


def test_loads_that_can_not_be_planned_are_named_with_the_reason(study, plan):
    lab.load(study, "Load 1")
    lab.load(study, "Empty", coupons=0)
    lab.load(factories.study(code="NOPROFILE"), "Load 9")
    made = plan()
    assert made.result["left_out"] == [
        "NOPROFILE Load 9: neither it nor its study has a profile.",
        f"{study.code} Empty: it has no coupon yet.",
    ]


def test_a_load_that_is_ready_only_in_many_years_does_not_keep_the_others_waiting(study, plan):
    load = lab.load(study, "Load 1")
    far = lab.load(study, "Load 2", ready_at=MONDAY.replace(year=2066))
    made = plan()
    assert {row["load"] for row in made.result["bookings"]} == {load.pk}
    assert made.result["left_out"] == [
        f"{far.study.code} Load 2: it is ready only from 23 Nov 2066, 06:30, and chambers are planned for two years at most."
    ]


def test_loads_of_several_profiles_are_planned_together(study, plan):
    short = lab.profile(
        name="Short", rounds=1, steps=(("cold", "freeze", -15.0, 60, 120), ("warm", "heat", 50.0, 30, 60))
    )
    other = factories.study(profile=short, rounds_planned=3)
    lab.load(study, "Load 1", 8)
    lab.load(other, "Load 2", 8)
    accept_plan(plan=plan(), by=factories.person())
    assert Booking.objects.filter(load__study=other).count() == 6
    assert breaks() == []


def test_a_chamber_that_does_not_reach_a_set_point_is_not_planned_for(study, plan):
    Chamber.objects.filter(code="F-1").update(lowest_c=-10)
    cold = lab.chamber("F-2", "freeze", 12, lowest_c=-40, highest_c=0)
    lab.load(study)
    made = plan()
    used = {row["chamber"] for row in made.result["bookings"]}
    assert cold.pk in used
    assert Chamber.objects.get(code="F-1").pk not in used
    assert any(note.startswith("F-1 is not planned for") for note in made.result["notes"])


def test_steps_that_no_chamber_serves_alike_keep_chambers_of_their_own(plan):
    lab.chamber("F-cold", "freeze", 12, lowest_c=-60, highest_c=-30)
    lab.chamber("F-mild", "freeze", 12, lowest_c=-25, highest_c=0)
    steps = (("mild", "freeze", -10.0, 60, 120), ("deep", "freeze", -45.0, 60, 120))
    study = factories.study(profile=lab.profile(steps=steps), rounds_planned=2)
    lab.load(study)
    accept_plan(plan=plan(), by=factories.person())
    rooms = {(one.step.name, one.chamber.code) for one in Booking.objects.select_related("step", "chamber")}
    assert rooms == {("mild", "F-mild"), ("deep", "F-cold")}


def test_an_overdue_calibration_is_warned_of(study, plan):
    Chamber.objects.filter(code="O-1").update(calibration_due_on=date(2020, 1, 2))
    lab.load(study)
    assert "O-1 is planned for, though its calibration was due on 2 Jan 2020." in plan().result["notes"]


def test_no_move_is_planned_on_a_holiday(study, plan):
    today = timezone.localdate()
    Holiday.objects.create(first_on=today, last_on=today + timedelta(days=10), name="Works closed")
    lab.load(study)
    accept_plan(plan=plan(), by=factories.person())
    first = Booking.objects.order_by("planned_start").first()
    assert timezone.localtime(first.planned_start).date() > today + timedelta(days=10)


def test_extra_hours_are_used(plan):
    lab.chambers()
    lab.staffed(weekdays=[])
    study = factories.study(profile=lab.profile(), rounds_planned=1)
    lab.load(study)
    lab.staffed(weekdays=[lab.monday().weekday()], start=1, end=2)
    day = (timezone.localtime() + timedelta(days=3)).date()
    ExtraHours.objects.create(day=day, from_minutes=6 * 60, to_minutes=22 * 60)
    accept_plan(plan=plan(), by=factories.person())
    days = {timezone.localtime(one.planned_start).date() for one in Booking.objects.all()}
    assert days == {day}


def test_the_same_request_that_still_waits_is_not_made_twice(study):
    lab.load(study)
    by = factories.person()
    assert request_plan(by=by) == request_plan(by=by)
    assert request_plan(by=by, seconds=30) != request_plan(by=by)


def test_a_search_that_is_told_to_stop_keeps_its_best_plan(study, eager_queue, django_capture_on_commit_callbacks):
    for number in range(4):
        lab.load(study, f"Load {number}")
    with django_capture_on_commit_callbacks(execute=False) as callbacks:
        job = request_plan(by=factories.person(), seconds=600)
    ChamberPlan.objects.filter(job=job).update(is_stop_requested=True)
    for callback in callbacks:
        callback()
    made = ChamberPlan.objects.get(job=job)
    assert made.result["is_stopped"]
    assert len(made.result["bookings"]) == 24


def test_a_moved_booking_is_not_undone_by_the_plan_before(study, plan):
    load = lab.load(study)
    change = accept_plan(plan=plan(), by=factories.person())
    last = load.bookings.order_by("planned_start").last()
    move_booking(booking=last, by=factories.person(), end=last.planned_end + 10 * MINUTE, reason="slow")
    with pytest.raises(ValidationError, match="changed again since"):
        undo_change(change=change, by=factories.person())


def test_what_longer_days_and_more_chambers_gain_is_worked_out(study, plan, django_capture_on_commit_callbacks):
    for number in range(3):
        lab.load(study, f"Load {number}", 10)
    made = plan()
    with django_capture_on_commit_callbacks(execute=True):
        job = request_gains(plan=made, by=factories.person())
    job.refresh_from_db()
    assert (job.state, job.reason) == ("done", "")
    rows = made.alternatives.get().result["rows"]
    assert [row["words"] for row in rows] == [
        "as it is",
        "staffed days 2 h longer",
        "Saturdays staffed too",
        "one more freezer",
        "one more oven",
        "one more cool-down bench",
    ]
    # Three loads of ten coupons follow each other in a freezer of twelve places; a second one takes them side by side.
    assert rows[3]["makespan_minutes"] < rows[0]["makespan_minutes"]


@pytest.fixture
def paris(settings):
    settings.TIME_ZONE = "Europe/Paris"
    timezone.get_default_timezone.cache_clear()
    yield
    timezone.get_default_timezone.cache_clear()


def test_staffed_hours_follow_the_clock_on_the_wall_when_it_changes(paris):
    # 25 October 2026: summer time ends in Paris (IANA time zone database); 07:00 is 05:00 UTC before and 06:00 UTC after.
    lab.staffed(range(7), 7 * 60, 18 * 60)
    spans = hours().spans(datetime(2026, 10, 24, tzinfo=UTC), datetime(2026, 10, 26, tzinfo=UTC))
    assert [(start.hour, end.hour) for start, end in spans] == [(5, 16), (6, 17)]


def test_a_soak_over_a_change_of_the_clocks_keeps_its_real_length(paris):
    lab.chambers()
    lab.staffed(range(7), 7 * 60, 18 * 60)
    study = factories.study(profile=lab.profile(), rounds_planned=1)
    load = lab.load(study)
    # Saturday at noon before the clocks go back.
    now = datetime(2026, 10, 24, 10, 0, tzinfo=UTC)
    made = planned_lab(chamber_book(now=now), start=now)
    spans = made.lab.staffed_spans
    assert spans[0] == (0, 6 * 60)
    # 18:00 to 07:00 are fourteen hours in this night.
    assert spans[1][0] - spans[0][1] == 14 * 60
    assert made.minutes(datetime(2026, 10, 25, 6, 0, tzinfo=UTC)) == spans[1][0]
    assert made.time(spans[1][0]) == datetime(2026, 10, 25, 6, 0, tzinfo=UTC)
    assert load.name in next(iter(made.ways))


def test_the_proposal_says_what_moves(study, plan):
    load = lab.load(study)
    book_load(load=load, by=factories.person(), start=lab.monday(8, weeks=2))
    made = plan(is_kept_stable=False)
    rows = proposal(made, chamber_book(now=timezone.now()))
    assert len(rows) == 6
    assert all(one.before is not None and one.after is not None and one.is_changed for one in rows)
    assert all(one.after.planned_start < one.before.planned_start for one in rows)


def test_a_proposal_lets_no_load_stand_at_the_door_where_its_chamber_has_room(study):
    load = lab.load(study)
    book = chamber_book(now=timezone.now())
    made = planned_lab(book, start=timezone.now())
    name = book.ways[load.pk].label
    found = (
        PlannedSoak(name, 1, "1 freeze", "F-1", 30, 510),
        PlannedSoak(name, 1, "2 heat", "O-1", 520, 640),
    )
    freeze, heat = plan_result(made, Plan("feasible", "", found), is_stopped=False)["bookings"]
    assert freeze["end"] == heat["start"] == made.time(520).isoformat()


def test_of_many_moves_in_the_way_of_a_plan_some_are_told(study, plan):
    for number in range(1, 4):
        lab.load(study, f"Load {number}")
    made = plan()
    StaffedWindow.objects.update(from_minutes=1, to_minutes=2)
    with pytest.raises(PlanOvertaken) as refused:
        accept_plan(plan=made, by=factories.person())
    assert len(refused.value.messages) == 5
    assert re.fullmatch(r"\d+ more moves are in the way\.", refused.value.messages[3])


def test_a_soak_under_way_is_planned_from_the_minute_it_began(study):
    load = lab.load(study)
    load.state = Load.State.RUNNING
    load.save()
    book_load(load=load, by=factories.person())
    first = load.bookings.order_by("planned_start").first()
    first.started_at, first.started_by = timezone.now() + timedelta(seconds=20), factories.person()
    first.save()
    made = planned_lab(chamber_book(now=timezone.now() + HOUR), start=timezone.now() + HOUR)
    assert [one.start_minutes for one in made.lab.firm] == [-60]
    assert min(one.start_minutes for one in made.previous) == -60
