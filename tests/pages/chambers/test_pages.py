"""The pages of the chambers: shown, dragged, typed, refused, taken back."""

from datetime import timedelta
from uuid import uuid4

import pytest
from django.urls import reverse
from django.utils import timezone

from labbench.bench.bookings import book_load
from labbench.bench.chamber_book import chamber_book
from labbench.bench.chamber_labs import planned_lab
from labbench.bench.chamber_plans import Proposed
from labbench.bench.models import Booking, ChamberPlan
from labbench.jobs.models import Job
from labbench.lab.models import Chamber, ExtraHours, Holiday, StaffedWindow
from labbench.pages.chambers.plans import row_of
from tests import factories
from tests.bench import chamber_lab as lab
from tests.pages.chambers.large_board import large_board

pytestmark = pytest.mark.django_db


@pytest.fixture
def booked():
    """One load booked by hand from a Monday on."""
    lab.chambers()
    lab.staffed(start=6 * 60, end=22 * 60)
    study = factories.study(profile=lab.profile(), rounds_planned=2)
    load = lab.load(study, "Load <1> & co")
    book_load(load=load, by=factories.person(), start=lab.monday(8))
    return load


def first_of(load):
    return load.bookings.order_by("planned_start").first()


def shown(answer):
    return answer.content.decode()


def test_every_page_is_shown(lead, booked):
    for name in ("chambers", "chamber-bookings", "chamber-loads", "staffed-hours", "chamber-plans"):
        answer = lead.get(reverse(name))
        assert answer.status_code == 200, name
    assert lead.get(reverse("chamber-load", args=[booked.pk])).status_code == 200


def test_the_timeline_draws_each_booking_with_its_load_in_words(lead, booked):
    page = shown(lead.get(reverse("chambers") + "?zoom=all"))
    assert page.count('<a class="booking ') == 6
    assert "Load &lt;1&gt; &amp; co, freeze, round 1, 6 coupons, in F-1 from Mon" in page
    assert "Load <1>" not in page
    assert "6 of 12" in page
    assert 'class="unstaffed"' in page


def test_an_address_that_says_nonsense_shows_this_week(lead, booked):
    answer = lead.get(reverse("chambers") + "?zoom=century&on=32-13-9999&study=x&booking=-1")
    assert answer.status_code == 200
    assert answer.context["window"].days == 7


def test_a_booking_is_opened_with_its_form(lead, booked):
    row = first_of(booked)
    page = shown(lead.get(reverse("chambers") + f"?zoom=all&booking={row.pk}"))
    assert "Move this booking" in page
    assert "8\xa0h to 16\xa0h" in page or "8 h to 16 h" in page.replace("\u202f", " ").replace("\xa0", " ")


def test_a_guest_looks_and_does_not_move(guest, booked):
    row = first_of(booked)
    page = shown(guest.get(reverse("chambers") + f"?zoom=all&booking={row.pk}"))
    assert "Move this booking" not in page
    assert "data-may-move" not in page
    assert guest.post(reverse("move-booking", args=[row.pk]), {}).status_code == 403
    assert guest.post(reverse("staffed-hours"), {"form": "week"}).status_code == 403
    assert guest.post(reverse("chamber-load", args=[booked.pk]), {"priority": 2}).status_code == 403


def dragged(row, **change):
    """What the drawing sends for a booking that was dragged."""
    values = {
        "chamber": row.chamber_id,
        "start": row.planned_start.isoformat(),
        "end": row.planned_end.isoformat(),
        "follow": "on",
        "seen_start": row.planned_start.isoformat(),
        "seen_end": row.planned_end.isoformat(),
    }
    return values | change


def test_a_dragged_booking_is_moved_and_the_timeline_drawn_again(technician, booked):
    row, start = first_of(booked), lab.monday(8, weeks=2)
    values = dragged(row, start=start.isoformat(), end=(start + timedelta(hours=8)).isoformat())
    answer = technician.post(
        reverse("move-booking", args=[row.pk]) + "?zoom=all", values, headers={"hx-request": "true"}
    )
    assert answer.status_code == 200
    assert shown(answer).count('<a class="booking ') == 6
    assert "<html" not in shown(answer)
    assert Booking.objects.get(pk=row.pk).planned_start == start
    undone = technician.post(reverse("undo-booking-change", args=[answer.context["change"].pk]), follow=True)
    assert "Taken back" in shown(undone)
    assert Booking.objects.get(pk=row.pk).planned_start == row.planned_start


def test_a_dragged_booking_that_breaks_a_rule_is_refused_in_words_and_stays(technician, booked):
    row = first_of(booked)
    oven = Booking.objects.filter(load=booked, step__kind="heat").first().chamber
    answer = technician.post(
        reverse("move-booking", args=[row.pk]), dragged(row, chamber=oven.pk), headers={"hx-request": "true"}
    )
    assert answer.status_code == 422
    assert "needs a freezer, and O-1 is an oven" in shown(answer)
    assert Booking.objects.get(pk=row.pk).chamber_id == row.chamber_id


def test_a_wish_is_asked_about_and_the_typed_reason_is_kept(technician, booked):
    row = booked.bookings.order_by("planned_start").last()
    late = row.planned_start.replace(hour=23, minute=30)
    values = dragged(row, end=late.isoformat())
    answer = technician.post(reverse("move-booking", args=[row.pk]), values)
    assert answer.status_code == 422
    assert "give a reason below to do it all the same" in shown(answer)
    # What was dragged stands in the form as it would be typed.
    assert f'value="{late:%Y-%m-%d}T' in shown(answer)
    values["reason"] = "Night shift"
    assert technician.post(reverse("move-booking", args=[row.pk]), values).status_code == 302
    assert Booking.objects.get(pk=row.pk).planned_end == late


def test_times_that_are_none_are_told(technician, booked):
    row = first_of(booked)
    answer = technician.post(reverse("move-booking", args=[row.pk]), dragged(row, start="2026-99-99T00:00Z"))
    assert answer.status_code == 422
    assert "is not a time" in shown(answer)


@pytest.mark.parametrize("offset", ["Z", "+00:00", "-05:00"])
def test_a_year_that_can_not_be_is_refused_whatever_its_offset(technician, lead, booked, offset):
    far = f"9999-12-31T23:59{offset}"
    answer = technician.post(reverse("move-booking", args=[first_of(booked).pk]), dragged(first_of(booked), start=far))
    assert answer.status_code == 422
    assert "years from 1990 to 2190" in shown(answer)
    times = {"ready_at": far, "due_at": "", "priority": 1}
    assert "years from 1990 to 2190" in shown(lead.post(reverse("chamber-load", args=[booked.pk]), times))


def test_a_year_far_ahead_is_refused_beside_its_field(technician, lead, booked):
    far = f"{timezone.now().year + 3}-01-04T09:00"
    answer = technician.post(reverse("move-booking", args=[first_of(booked).pk]), dragged(first_of(booked), start=far))
    assert answer.status_code == 422
    assert "is more than two years ahead" in shown(answer)
    answer = lead.post(reverse("chamber-load", args=[booked.pk]), {"ready_at": far, "due_at": "", "priority": 1})
    assert "is more than two years ahead" in shown(answer)
    booked.refresh_from_db()
    assert booked.ready_at is None


def queries(client, address, counted):
    with counted(10_000, exact=False) as found:
        assert client.get(address).status_code == 200
    return len(found.captured_queries)


@pytest.mark.parametrize("name", ["chambers", "chamber-bookings", "chamber-loads", "chamber-plans"])
def test_lists_ask_as_often_for_three_loads_as_for_one(lead, booked, name, django_assert_max_num_queries):
    address = reverse(name) + ("?zoom=all" if name == "chambers" else "")
    lead.get(address)
    one = queries(lead, address, django_assert_max_num_queries)
    for number in (2, 3):
        load = lab.load(booked.study, f"Load {number}")
        book_load(load=load, by=factories.person())
    assert queries(lead, address, django_assert_max_num_queries) == one


def test_a_hundred_loads_fit_on_one_page_with_the_same_queries(lead, django_assert_max_num_queries):
    large_board(loads=100)
    with django_assert_max_num_queries(20):
        page = shown(lead.get(reverse("chambers") + "?zoom=all"))
    assert page.count('<a class="booking ') == 1200


def test_the_week_is_stored_and_shown_again(lead):
    week = {"form": "week"}
    for weekday in range(5):
        week |= {
            f"from_{weekday}_0": "7",
            f"to_{weekday}_0": "12:30",
            f"from_{weekday}_1": "13.15",
            f"to_{weekday}_1": "18:00",
        }
    assert lead.post(reverse("staffed-hours"), week).status_code == 302
    assert list(StaffedWindow.objects.filter(weekday=4).values_list("from_minutes", "to_minutes")) == [
        (420, 750),
        (795, 1080),
    ]
    assert 'value="13:15"' in shown(lead.get(reverse("staffed-hours")))
    history = StaffedWindow.history.filter(history_type="+")
    assert history.count() == 10
    del week["from_4_1"], week["to_4_1"]
    lead.post(reverse("staffed-hours"), week)
    assert StaffedWindow.objects.filter(weekday=4).count() == 1


@pytest.mark.parametrize(
    ("start", "end", "words"),
    [
        ("18:00", "07:00", "It ends before it begins"),
        ("7", "", "Write both, or leave both empty"),
        ("25:00", "26:00", "is not a time of day"),
        ("seven", "eight", "is not a time of day"),
        ("07:00", "07:75", "is not a time of day"),
    ],
)
def test_hours_that_are_none_are_refused_in_words(lead, start, end, words):
    answer = lead.post(reverse("staffed-hours"), {"form": "week", "from_0_0": start, "to_0_0": end})
    assert answer.status_code == 422
    assert words in shown(answer)
    assert not StaffedWindow.objects.exists()


def test_hours_that_overlap_name_their_day_and_nothing_is_stored(lead):
    values = {
        "form": "week",
        "from_0_0": "7",
        "to_0_0": "12",
        "from_1_0": "7",
        "to_1_0": "12",
        "from_1_1": "11",
        "to_1_1": "18",
    }
    answer = lead.post(reverse("staffed-hours"), values)
    assert "Tuesday: Two hours of one day overlap or touch; make them one." in shown(answer)
    assert not StaffedWindow.objects.exists()


def test_a_holiday_is_added_once_and_taken_out(lead):
    day = lab.monday().date().isoformat()
    values = {"form": "holiday", "holiday-first_on": day, "holiday-name": "Founders’ day"}
    assert lead.post(reverse("staffed-hours"), values).status_code == 302
    assert "is among these days already" in shown(lead.post(reverse("staffed-hours"), values))
    row = Holiday.objects.get()
    lead.post(reverse("take-out-hours", args=["holiday", row.pk]))
    assert not Holiday.objects.exists()
    assert Holiday.history.filter(history_type="-").count() == 1


def test_extra_hours_are_added(lead):
    values = {
        "form": "extra",
        "extra-day": lab.monday().date(),
        "extra-from_minutes": "19",
        "extra-to_minutes": "24:00",
    }
    assert lead.post(reverse("staffed-hours"), values).status_code == 302
    assert ExtraHours.objects.get().to_minutes == 24 * 60


def test_ready_due_and_priority_are_stored_with_history(lead, booked):
    values = {"ready_at": "2027-01-04T08:00", "due_at": "2027-01-15T12:00", "priority": 3}
    assert lead.post(reverse("chamber-load", args=[booked.pk]), values).status_code == 302
    booked.refresh_from_db()
    assert booked.priority == 3
    assert booked.history.first().history_change_reason == "ready, due or priority"
    wrong = values | {"due_at": "2027-01-03T12:00"}
    assert "error" in shown(lead.post(reverse("chamber-load", args=[booked.pk]), wrong))
    assert "error" in shown(lead.post(reverse("chamber-load", args=[booked.pk]), values | {"priority": 10}))


@pytest.mark.parametrize(
    ("due_at", "priority", "words"),
    [
        ("2026-12-01T07:00", "2", "Due before it is ready."),
        ("2026-12-09T07:00", "10", "less than or equal to 9"),
        ("2026-12-09T07:00", "0", "greater than or equal to 1"),
    ],
)
def test_times_and_priorities_that_are_none_are_refused_beside_their_field(lead, booked, due_at, priority, words):
    sent = {"ready_at": "2026-12-01T08:00", "due_at": due_at, "priority": priority}
    page = shown(lead.post(reverse("chamber-load", args=[booked.pk]), sent))
    assert words in page
    assert "Constraint" not in page
    booked.refresh_from_db()
    assert (booked.ready_at, booked.due_at, booked.priority) == (None, None, 1)


def test_a_plan_is_asked_for_shown_accepted_and_taken_back(
    technician, booked, eager_queue, django_capture_on_commit_callbacks
):
    lab.load(booked.study, "Load 2")
    with django_capture_on_commit_callbacks(execute=True):
        answer = technician.post(reverse("chamber-plans"), {"seconds": "10", "keep": "on", "reason": "new load"})
    plan = ChamberPlan.objects.get()
    assert answer.url == reverse("chamber-plan", args=[plan.pk])
    page = shown(technician.get(answer.url))
    assert "A proposal: 6 bookings change, 6 stay" in page
    assert "new load" in page
    technician.post(reverse("accept-plan", args=[plan.pk]))
    assert Booking.objects.count() == 12
    assert "Accepted" in shown(technician.get(answer.url))
    technician.post(reverse("take-back-plan", args=[plan.pk]))
    assert Booking.objects.count() == 6
    assert "Accepted and taken back" in shown(technician.get(answer.url))


def test_an_overtaken_plan_is_told_and_made_again(technician, booked, eager_queue, django_capture_on_commit_callbacks):
    load = lab.load(booked.study, "Load 2")
    with django_capture_on_commit_callbacks(execute=True):
        technician.post(reverse("chamber-plans"), {"seconds": "10", "keep": "on"})
    load.places.first().delete()
    answer = technician.post(reverse("accept-plan", args=[ChamberPlan.objects.get().pk]), follow=True)
    assert "other coupons" in shown(answer)
    assert "It is being planned again; nothing was booked." in shown(answer)
    assert ChamberPlan.objects.count() == 2
    assert not load.bookings.exists()


def planned(client, load, callbacks):
    """A plan that proposes the bookings of one load."""
    with callbacks(execute=True):
        client.post(reverse("chamber-plans"), {"seconds": "10", "keep": "on", "loads": [load.pk]})
    return ChamberPlan.objects.get()


def test_a_plan_outlives_a_new_name_of_its_chamber(technician, booked, eager_queue, django_capture_on_commit_callbacks):
    load = lab.load(booked.study, "Load 2")
    plan = planned(technician, load, django_capture_on_commit_callbacks)
    Chamber.objects.filter(code="F-1").update(code="F-9")
    assert "F-9" in shown(technician.get(reverse("chamber-plan", args=[plan.pk])))
    technician.post(reverse("accept-plan", args=[plan.pk]))
    assert {one.chamber.code for one in load.bookings.filter(step__kind="freeze")} == {"F-9"}


@pytest.mark.parametrize("gone", ["F-0", 10_000])
def test_a_plan_with_a_chamber_that_is_no_more_is_overtaken(
    technician, booked, eager_queue, django_capture_on_commit_callbacks, gone
):
    plan = planned(technician, lab.load(booked.study, "Load 2"), django_capture_on_commit_callbacks)
    # By its code, as plans were kept before, or by its key.
    plan.result["bookings"][0]["chamber"] = gone
    plan.save()
    assert technician.get(reverse("chamber-plan", args=[plan.pk])).status_code == 200
    answer = technician.post(reverse("accept-plan", args=[plan.pk]), follow=True)
    assert "a chamber of it is not in the catalogue any more" in shown(answer)
    assert Booking.objects.exclude(load=booked).count() == 0


def test_where_no_load_of_an_overtaken_plan_travels_nothing_is_planned_again(
    technician, booked, eager_queue, django_capture_on_commit_callbacks
):
    load = lab.load(booked.study, "Load 2")
    plan = planned(technician, load, django_capture_on_commit_callbacks)
    load.state = "done"
    load.save()
    answer = technician.post(reverse("accept-plan", args=[plan.pk]), follow=True)
    assert "no load of it travels any more. Nothing was booked." in shown(answer)
    assert ChamberPlan.objects.count() == 1


def test_a_plan_stopped_before_it_began_looks_for_its_whole_time_when_it_is_tried_again(technician, booked):
    technician.post(reverse("chamber-plans"), {"seconds": "10", "keep": "on"})
    plan = ChamberPlan.objects.get()
    technician.post(reverse("stop-plan", args=[plan.pk]))
    plan.refresh_from_db()
    assert (plan.job.state, plan.is_stop_requested) == ("cancelled", False)


def test_progress_tells_the_best_plan_so_far_and_how_far_from_the_best_it_may_be(lead, booked):
    from labbench.bench.chamber_plans import request_plan

    job = request_plan(by=factories.person())
    plan = ChamberPlan.objects.get(job=job)
    plan.standing = {
        "end": "2026-12-04T12:00:00+00:00",
        "late_minutes": 90,
        "moved": 2,
        "makespan_minutes": 1000,
        "bound_minutes": 900,
    }
    plan.save()
    page = shown(lead.get(reverse("chamber-plan", args=[plan.pk]), headers={"hx-request": "true"}))
    assert "Best so far ends" in page
    assert "10" in page.split("so at most")[1][:20]
    assert "Enough: keep the best so far" in page
    now = timezone.now()
    Job.objects.filter(pk=job.pk).update(state="running", run_token=uuid4(), started_at=now, heartbeat_at=now)
    lead.post(reverse("stop-plan", args=[plan.pk]))
    plan.refresh_from_db()
    assert plan.is_stop_requested


def test_the_tables_show_the_labs_own_time(lead, booked, settings):
    row = first_of(booked)
    settings.TIME_ZONE = "Asia/Kolkata"
    with timezone.override("Asia/Kolkata"):
        wanted = timezone.localtime(row.planned_start)
    for name in ("chamber-bookings", "chamber-loads"):
        assert f"{wanted:%H:%M}" in shown(lead.get(reverse(name))), name


def asked(client, callbacks):
    """The plan that the page asked for, and its own page."""
    with callbacks(execute=True):
        answer = client.post(reverse("chamber-plans"), {"seconds": "10", "keep": "on"})
    return ChamberPlan.objects.get(), shown(client.get(answer.url))


def test_where_nothing_fits_the_page_says_what_is_in_the_way(lead, eager_queue, django_capture_on_commit_callbacks):
    lab.chambers()
    lab.staffed(start=7 * 60, end=9 * 60)
    lab.load(factories.study(profile=lab.profile(), rounds_planned=1))
    plan, page = asked(lead, django_capture_on_commit_callbacks)
    assert "No plan keeps all rules" in page
    assert "It would do with" in page
    assert f"(done by {timezone.localdate().isoformat()[:3]}" not in page
    assert "These need a person’s decision" in page
    # It is the only load: no others are left to plan.
    assert reverse("plan-others", args=[plan.pk]) not in page
    assert reverse("accept-plan", args=[plan.pk]) not in page


def test_the_loads_that_have_a_place_are_planned_without_the_one_that_has_none(
    lead, eager_queue, django_capture_on_commit_callbacks
):
    lab.chambers()
    lab.staffed(start=6 * 60, end=22 * 60)
    study = factories.study(profile=lab.profile(), rounds_planned=1)
    stuck, other = lab.load(study, "Stuck", 30), lab.load(study, "Other")
    plan, page = asked(lead, django_capture_on_commit_callbacks)
    assert plan.result["no_place"] == [stuck.pk]
    assert "These need a person’s decision" in page
    with django_capture_on_commit_callbacks(execute=True):
        answer = lead.post(reverse("plan-others", args=[plan.pk]))
    new = ChamberPlan.objects.exclude(pk=plan.pk).get()
    assert answer.url == reverse("chamber-plan", args=[new.pk])
    assert new.loads == [other.pk]
    assert {row["load"] for row in new.result["bookings"]} == {other.pk}
    assert reverse("accept-plan", args=[new.pk]) in shown(lead.get(answer.url))


def test_the_timeline_leads_to_the_failure_of_a_chamber(lead, guest, booked):
    row = first_of(booked)
    address = reverse("chambers") + f"?zoom=all&booking={row.pk}"
    there = reverse("chamber-failure", args=[row.chamber_id])
    assert shown(lead.get(address)).count(there) == 2
    assert there not in shown(guest.get(address))


def test_without_anything_to_plan_the_page_says_why(lead, eager_queue, django_capture_on_commit_callbacks):
    lab.load(factories.study(code="BARE"), "Load 1")
    _, page = asked(lead, django_capture_on_commit_callbacks)
    assert "There is no load to plan. BARE Load 1: neither it nor its study has a profile." in page


def test_an_empty_lab_says_what_to_do(lead):
    assert "No load travels" in shown(lead.get(reverse("chambers")))
    assert "No load travels" in shown(lead.get(reverse("chamber-plans")))
    assert "No hours are recorded" in shown(lead.get(reverse("staffed-hours")))


def test_the_timeline_has_a_list_of_the_moves_for_the_wall(lead, booked):
    first, heat, *_, last = booked.bookings.order_by("planned_start")
    wall = lead.get(reverse("chambers") + "?zoom=all").context["wall"]
    assert len(wall) == 7
    assert (wall[0].words, wall[-1].words) == ("into F-1", f"out of {last.chamber.code}")
    assert (wall[1].at, wall[1].words) == (first.planned_end, "out of F-1, into O-1")
    assert wall[1].steps == "round 1, freeze, then round 1, heat"
    # A move that was made is no longer to be made.
    first.started_at, first.started_by = first.planned_start, factories.person()
    first.save()
    Booking.objects.filter(pk=heat.pk).update(planned_start=first.planned_end + 5 * lab.MINUTE)
    page = lead.get(reverse("chambers") + "?zoom=all")
    assert len(page.context["wall"]) == 6
    at = timezone.localtime(first.planned_end + 5 * lab.MINUTE)
    assert page.context["wall"][0].words == f"out of F-1, into O-1 at {at:%H:%M}"
    assert '<div class="only-print"><section class="panel" aria-labelledby="wall-title">' in shown(page)


def test_a_plan_that_changes_only_when_a_load_comes_out_says_so(booked):
    row = first_of(booked)
    way = chamber_book(now=timezone.now()).ways[booked.pk]
    after = Booking(load=row.load, chamber=row.chamber, step=row.step, round_number=1)
    after.planned_start, after.planned_end = row.planned_start, row.planned_end - 10 * lab.MINUTE
    told = row_of(Proposed(way, row, after))
    assert (told["words"], told["minutes"]) == ("comes out", -10)


def test_without_staffed_hours_a_plan_and_the_page_of_the_hours_say_what_that_means(lead, booked):
    answer = lead.post(reverse("staffed-hours"), {"form": "week"}, follow=True)
    assert "No staffed hours are recorded any more: moves are planned at any time of day and night." in shown(answer)
    made = planned_lab(chamber_book(now=timezone.now()), start=timezone.now())
    assert "No staffed hours are recorded: moves are planned at any time of day and night." in made.notes
