"""Plans of the chambers: asked for, searched for in the queue, proposed, accepted.

A plan is a proposal. Nothing is booked before somebody accepts it; then it is checked again against what happened meanwhile.
"""

from __future__ import annotations

import threading
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from labbench.bench.booking_changes import hold_chambers, hold_loads, refuse_broken, store
from labbench.bench.booking_rules import in_order, when
from labbench.bench.chamber_book import ChamberBook, Way, chamber_book
from labbench.bench.chamber_labs import MOST_HORIZON_DAYS, PlannedLab, planned_lab, whole_minute
from labbench.bench.door_times import without_waiting_at_the_door
from labbench.bench.models import Booking, BookingChange, ChamberPlan, Load
from labbench.jobs.models import Job
from labbench.jobs.services import JobRefused, Running, enqueue
from labbench.lab.models import Chamber

TASK = "labbench.plan_chambers"
# Between the asking and the first move there is time to look at the proposal.
LEAD = timedelta(minutes=10)
LOOK_SECONDS = 0.5
MOST_SECONDS = 600
SHORT_SECONDS = 1.0
MOST_REFUSALS = 3


class PlanOvertaken(ValidationError):
    """What happened meanwhile keeps a plan from being accepted; it has to be made again."""


def request_plan(
    *,
    by: Any,
    reason: str = "",
    loads: Collection[Load | int] | None = None,
    seconds: int = 10,
    is_kept_stable: bool = True,
) -> Job:
    """Ask for a plan of the chambers; the job searches for it in the queue and keeps it as a proposal (`job.chamber_plan`).

    Parameters
    ----------
    by
        Who asks.
    reason
        Why: kept with the plan and shown beside it.
    loads
        Loads to plan, all others stay as they are booked; None plans every load that still travels.
    seconds
        How long to look for a better plan, 1 to 600.
    is_kept_stable
        Whether as few present bookings as possible move; else the best plan is sought afresh.

    The same request that still waits in the queue is not made twice.
    """
    if not 1 <= seconds <= MOST_SECONDS:
        raise ValidationError(f"A plan is searched for 1 to {MOST_SECONDS} seconds.")
    chosen = None if loads is None else sorted({load if isinstance(load, int) else load.pk for load in loads})
    if chosen == []:
        raise ValidationError("Name at least one load to plan.")
    with transaction.atomic():
        wanted = {"loads": chosen, "seconds": seconds, "is_kept_stable": is_kept_stable, "reason": reason}
        waiting = ChamberPlan.objects.filter(job__state=Job.State.QUEUED, requested_by=by).select_related("job")
        for plan in waiting:
            if all(getattr(plan, name) == value for name, value in wanted.items()):
                return plan.job
        title = "Plan of the chambers" if chosen is None else f"Plan of {len(chosen)} load{'s' * (len(chosen) > 1)}"
        job = enqueue(task=TASK, title=title, arguments={}, requested_by=by)
        ChamberPlan.objects.create(job=job, requested_by=by, requested_at=timezone.now(), **wanted)
    return job


def stop_search(*, plan: ChamberPlan) -> None:
    """Ask the search to end now and to keep the best plan it has; no effect on one that was cancelled, which may be tried again."""
    is_open = Q(job__state__in=[Job.State.QUEUED, Job.State.RUNNING])
    ChamberPlan.objects.filter(is_open, pk=plan.pk, finished_at=None).update(is_stop_requested=True)


# --- The search -------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Found:
    """What the search's own thread hands over: it never touches the database."""

    standing: dict[str, Any]
    plan: Any = None
    error: BaseException | None = None
    is_stopped: bool = False


def run_plan(hold: Running) -> None:
    """Search for the plan of a job and keep the proposal; while it searches the row tells where it stands."""
    plan = ChamberPlan.objects.get(job=hold.job)
    if plan.finished_at is not None:
        return
    hold.progress(0, plan.seconds, "Reading what is booked")
    now = timezone.now()
    book = chamber_book(now=now)
    start = whole_minute(now + LEAD)
    loads = None if plan.loads is None else set(plan.loads)
    made = planned_lab(book, start=start, loads=loads)
    if made.lab is None:
        raise JobRefused(" ".join(["There is no load to plan.", *made.left_out]))
    made = _with_horizon(made, book, loads)
    found = _search(hold, plan, made)
    result = plan_result(made, found.plan, is_stopped=found.is_stopped)
    inputs = {"as_it_was": as_it_was(book, made), "start": start.isoformat(), "left_out": made.left_out}
    # The later of two runs of the same job finds the row filled and leaves it.
    ChamberPlan.objects.filter(pk=plan.pk, finished_at=None).update(
        result=result, inputs=inputs, finished_at=timezone.now()
    )


def _with_horizon(made: PlannedLab, book: ChamberBook, loads: Collection[int] | None) -> PlannedLab:
    """The lab with holidays and changes of the clocks known beyond the end of a first plan."""
    # slow import: ortools
    from labbench.science.scheduling.solver import plan_chambers

    days = 28
    while made.lab is not None:
        first = plan_chambers(made.lab, seconds=SHORT_SECONDS)
        end = first.score.makespan_minutes if first.score else 0
        if end <= (days - 7) * 24 * 60 or days >= MOST_HORIZON_DAYS:
            break
        # In few steps: what is closed for good is never passed.
        days = min(max(end // (24 * 60) + 28, 2 * days), MOST_HORIZON_DAYS)
        made = planned_lab(book, start=made.start, loads=loads, horizon_days=days)
    return made


def _search(hold: Running, plan: ChamberPlan, made: PlannedLab) -> _Found:
    # slow import: ortools
    from labbench.science.scheduling.obstacles import with_obstacles
    from labbench.science.scheduling.solver import plan_chambers

    assert made.lab is not None
    lab, found = made.lab, _Found({})
    stop = threading.Event()

    def note(progress: Any) -> None:
        best, bound = progress.best, progress.bound_minutes
        found.standing = {
            "end": made.time(best.makespan_minutes).isoformat(),
            "late_minutes": best.lateness,
            "moved": best.moved,
            "makespan_minutes": best.makespan_minutes,
            "bound_minutes": bound,
        }

    def search() -> None:
        try:
            previous = made.previous if plan.is_kept_stable else ()
            best = plan_chambers(lab, seconds=plan.seconds, previous=previous, progress=note, should_stop=stop.is_set)
            found.plan = with_obstacles(lab, best, lambda minutes: when(made.time(minutes)))
        except BaseException as error:  # handed to the thread that holds the job
            found.error = error

    worker = threading.Thread(target=search, daemon=True)
    worker.start()
    begun = timezone.now()
    try:
        while worker.is_alive():
            worker.join(LOOK_SECONDS)
            _tell(hold, plan, found, (timezone.now() - begun).total_seconds())
            plan.refresh_from_db(fields=["is_stop_requested"])
            if plan.is_stop_requested:
                found.is_stopped = True
                stop.set()
    finally:
        # Cancelled or taken over: the search ends too.
        stop.set()
        worker.join()
    if found.error is not None:
        raise found.error
    return found


def _tell(hold: Running, plan: ChamberPlan, found: _Found, seconds: float) -> None:
    words = "Looking for a first plan"
    if found.standing:
        words = f"Best so far ends {when(datetime.fromisoformat(found.standing['end']))}"
        ChamberPlan.objects.filter(pk=plan.pk).update(standing=found.standing)
    hold.progress(min(int(seconds), plan.seconds), plan.seconds + 1, words)


def as_it_was(book: ChamberBook, made: PlannedLab) -> dict[str, Any]:
    """What had happened to the planned loads: if it is no more so when the plan is accepted, the plan is made again."""
    return {str(way.load.pk): _state_of(way) for way in made.ways.values()}


def _state_of(way: Way) -> dict[str, Any]:
    begun = [
        [one.pk, one.started_at.isoformat(), one.ended_at.isoformat() if one.ended_at else None]
        for one in way.bookings
        if one.started_at is not None
    ]
    profile = way.profile.pk if way.profile else None
    return {"begun": sorted(begun), "coupons": way.coupons, "profile": profile, "rounds": way.rounds}


def plan_result(made: PlannedLab, plan: Any, *, is_stopped: bool) -> dict[str, Any]:
    """A plan of the science core as it is stored: rows instead of names, points in time instead of minutes."""
    assert made.lab is not None  # by the caller
    bookings = []
    for one in without_waiting_at_the_door(made.lab, plan.bookings):
        if one.load not in made.ways or one.place not in made.soaks:
            continue
        number, step = made.soaks[one.place]
        bookings.append(
            {
                "load": made.ways[one.load].load.pk,
                "round": number,
                "step": step.pk if step is not None else None,
                # Its key: a chamber may be renamed before the plan is accepted.
                "chamber": made.chambers[one.chamber],
                "start": made.time(one.start_minutes).isoformat(),
                "end": made.time(one.end_minutes).isoformat(),
            }
        )
    score = plan.score
    return {
        "status": plan.status,
        "reason": plan.reason,
        "is_stopped": is_stopped,
        "is_repeatable": plan.is_repeatable,
        "proved": list(plan.proved),
        "end": made.time(score.makespan_minutes).isoformat() if score else None,
        "makespan_minutes": score.makespan_minutes if score else None,
        "bound_minutes": plan.bound_minutes,
        "moved": score.moved if score else None,
        "late": [
            {"load": made.ways[name].load.pk, "minutes": minutes} for name, minutes in plan.late if name in made.ways
        ],
        "no_place": [made.ways[name].load.pk for name in plan.no_place if name in made.ways],
        "bookings": bookings,
        "left_out": made.left_out,
        "notes": [*made.notes, *plan.notes],
    }


# --- Accepting --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Proposed:
    """One booking as a plan has it beside the present one; either may be missing."""

    way: Way
    before: Booking | None
    after: Booking | None

    @property
    def is_changed(self) -> bool:
        if self.before is None or self.after is None:
            return True
        old, new = self.before, self.after
        if old.started_at is not None:
            return old.planned_end != new.planned_end
        return (old.chamber_id, old.planned_start, old.planned_end) != (
            new.chamber_id,
            new.planned_start,
            new.planned_end,
        )


def proposal(plan: ChamberPlan, book: ChamberBook) -> list[Proposed]:
    """What a plan would change of the bookings as they stand: every booking of its loads that is not over.

    Bookings in chambers that are not in the catalogue any more are left out.
    """
    result = plan.result or {"bookings": []}
    wanted: dict[int, list[dict[str, Any]]] = {}
    for row in result["bookings"]:
        wanted.setdefault(row["load"], []).append(row)
    found = []
    for pk, rows in wanted.items():
        if (way := book.ways.get(pk)) is None:
            continue
        # A soak that was broken off and goes on elsewhere is booked in its last part.
        present = {(one.round_number, one.step_id): one for one in in_order(way)}
        steps = {step.pk: step for step in way.steps}
        over = {key for key, one in present.items() if one.ended_at is not None}
        for row in rows:
            key = row["round"], row["step"]
            if key in over:
                continue
            before, chamber = present.pop(key, None), chamber_of(book, row)
            if chamber is not None:
                found.append(Proposed(way, before, _booking(way, steps, chamber, row)))
        found += [Proposed(way, one, None) for key, one in present.items() if one.started_at is None]
    return found


def chamber_of(book: ChamberBook, row: dict[str, Any]) -> Chamber | None:
    """The chamber of a row of a plan's result; None where the catalogue has it no more. Plans made before keep its code."""
    if isinstance(row["chamber"], int):
        return book.chambers.get(row["chamber"])
    return next((chamber for chamber in book.chambers.values() if chamber.code == row["chamber"]), None)


def _booking(way: Way, steps: dict[int, Any], chamber: Chamber, row: dict[str, Any]) -> Booking:
    return Booking(
        load=way.load,
        chamber=chamber,
        step=steps.get(row["step"]),
        round_number=row["round"],
        planned_start=datetime.fromisoformat(row["start"]),
        planned_end=datetime.fromisoformat(row["end"]),
    )


@transaction.atomic
def accept_plan(*, plan: ChamberPlan, by: Any) -> BookingChange:
    """Book what a plan proposes, as one change that can be taken back.

    Raises
    ------
    PlanOvertaken
        If a load was moved, its coupons changed, or other bookings stand in the way since the plan was made.
    ValidationError
        If the plan has no bookings or was accepted already.
    """
    hold_chambers()
    plan = ChamberPlan.objects.select_for_update().get(pk=plan.pk)
    if plan.change_id is not None:
        raise ValidationError("This plan was accepted already.")
    result, inputs = plan.result, plan.inputs
    if not result or not inputs or not result["bookings"]:
        raise ValidationError("This plan has no bookings to accept.")
    hold_loads(int(pk) for pk in inputs["as_it_was"])
    book = chamber_book(now=timezone.now())
    _refuse_overtaken(result, inputs, book)
    changed: list[Booking] = []
    made: list[Booking] = []
    gone: list[Booking] = []
    for one in proposal(plan, book):
        if not one.is_changed:
            continue
        if one.before is None and one.after is not None:
            made.append(one.after)
            one.way.bookings.append(one.after)
        elif one.after is None and one.before is not None:
            gone.append(one.before)
            one.way.bookings.remove(one.before)
        elif one.before is not None and one.after is not None:
            if one.before.started_at is None:
                one.before.planned_start, one.before.chamber = one.after.planned_start, one.after.chamber
            one.before.planned_end = one.after.planned_end
            changed.append(one.before)
    if not (changed or made or gone):
        raise ValidationError("Everything is booked as this plan has it already.")
    try:
        refuse_broken(book, [*changed, *made], reason="", is_planned=True)
    except ValidationError as refused:
        said = refused.messages[:MOST_REFUSALS]
        more = len(refused.messages) - len(said)
        raise PlanOvertaken(
            [*said, *([f"{more} more moves are in the way."] if more else []), "Plan again."]
        ) from refused
    words = f"Plan {plan.pk} accepted: {len(made)} new, {len(changed)} moved, {len(gone)} taken out"
    change = store(changed=changed, made=made, gone=gone, words=words, reason=plan.reason, by=by)
    plan.change = change
    plan.save(update_fields=["change"])
    return change


def _refuse_overtaken(result: dict[str, Any], inputs: dict[str, Any], book: ChamberBook) -> None:
    happened = []
    for pk, was in inputs["as_it_was"].items():
        way = book.ways.get(int(pk))
        if way is None or not way.is_open:
            happened.append("a load of it travels no more")
        elif (state := _state_of(way)) != was:
            words = "was moved" if state["begun"] != was["begun"] else "has other coupons or another profile"
            happened.append(f"{way.label} {words} meanwhile")
    if any(chamber_of(book, row) is None for row in result["bookings"]):
        happened.append("a chamber of it is not in the catalogue any more, or has another name")
    # What begins after the plan's minute 0 had not begun when it was made.
    starts = [start for row in result["bookings"] if inputs["start"] <= (start := row["start"])]
    first = min(map(datetime.fromisoformat, starts), default=book.now)
    if first < book.now - LEAD:
        happened.append(f"its first move was planned for {when(first)}, which is past")
    if happened:
        raise PlanOvertaken([f"This plan is overtaken: {'; '.join(happened)}. Plan again."])


def newest_plan() -> ChamberPlan | None:
    """The plan asked for last."""
    return ChamberPlan.objects.select_related("job", "requested_by", "change").first()
