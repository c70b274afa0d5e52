"""A chamber that failed: which loads were in it, what becomes of them, and the plan made again. Each function is one transaction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Max, Q
from django.utils import timezone

from labbench.bench.booking_changes import hold_chambers, hold_loads
from labbench.bench.chamber_book import CLOSED_WHILE_UNKNOWN
from labbench.bench.chamber_plans import request_plan
from labbench.bench.loads import Answer, MadeAlready, enter, held, possible
from labbench.bench.models import Booking, ChamberFailure, Deviation
from labbench.bench.services import SAME_WITHIN, UNDONE, Recorded, when
from labbench.bench.soak_watch import minutes_between, place_in_profile, soak_minutes_allowed, to_the_minute
from labbench.jobs.models import Job
from labbench.lab.hours import Hours
from labbench.lab.hours import hours as lab_hours
from labbench.lab.models import Chamber, ChamberClosure
from labbench.lab.records import keep, remove
from labbench.studies.models import Study


@dataclass(frozen=True, slots=True)
class FailureRecorded:
    """The failure, what it marked, and the job that plans the chambers again (None: no booking lay ahead)."""

    failure: ChamberFailure
    deviations: tuple[Deviation, ...]
    job: Job | None = None


@transaction.atomic
def record_failure(
    *, chamber: Chamber, by: Any, began_at: datetime, ended_at: datetime | None = None, note: str = ""
) -> FailureRecorded:
    """Close the chamber for as long as it failed, mark the loads that were in it, and ask for a new plan of what lies ahead.

    ValidationError if a time can't be, or the chamber failed at that time already; `MadeAlready` if the same form comes twice.
    """
    began_at = to_the_minute(possible(began_at))
    ended_at = None if ended_at is None else to_the_minute(possible(ended_at))
    if ended_at is not None and ended_at <= began_at:
        raise ValidationError({"ended_at": f"It failed at {when(began_at)}; it can't have worked again before that."})
    hold_chambers()
    chamber = Chamber.objects.get(pk=chamber.pk)
    till = Q() if ended_at is None else Q(began_at__lt=ended_at)
    earlier = chamber.failures.filter(till & (Q(ended_at=None) | Q(ended_at__gt=began_at))).first()
    if earlier is not None:
        said = f"{chamber} is recorded as failed from {when(earlier.began_at)} {until(earlier)} already"
        if earlier.recorded_by_id == by.pk and earlier.recorded_at > timezone.now() - SAME_WITHIN:
            raise MadeAlready(f"{said}; nothing is stored twice.")
        raise ValidationError(f"{said}. Take that back first if it is wrong.")
    failure = ChamberFailure(
        chamber=chamber,
        began_at=began_at,
        ended_at=ended_at,
        note=note.strip(),
        recorded_by=by,
        recorded_at=timezone.now(),
    )
    failure.closure = keep(
        ChamberClosure(
            chamber=chamber,
            starts_at=began_at,
            ends_at=closed_until(failure),
            reason=f"failed: {note}"[:120].strip(": "),
        ),
        by=by,
    )
    keep(failure, by=by)
    deviations = mark(failure, by=by)
    return FailureRecorded(failure, deviations, plan_again(failure, by=by))


@transaction.atomic
def end_failure(*, failure: ChamberFailure, by: Any, ended_at: datetime) -> FailureRecorded:
    """The chamber works again; what was marked says until when. ValidationError if it was said already or can't be."""
    ended_at = to_the_minute(possible(ended_at))
    failure = present(failure)
    if failure.ended_at is not None:
        raise MadeAlready(f"{failure.chamber} works again since {when(failure.ended_at)}; nothing is stored twice.")
    if ended_at <= failure.began_at:
        raise ValidationError(
            {"ended_at": f"It failed at {when(failure.began_at)}; it can't have worked again before that."}
        )
    failure.ended_at = ended_at
    keep(failure, by=by, reason="works again")
    if failure.closure is not None:
        failure.closure.ends_at = ended_at
        keep(failure.closure, by=by, reason="works again")
    return FailureRecorded(failure, mark(failure, by=by), plan_again(failure, by=by))


@transaction.atomic
def take_back_failure(*, failure: ChamberFailure, by: Any) -> Job | None:
    """It was no failure after all: its closure and what it marked go, their history stays. Moves made since stay as they are."""
    failure = present(failure)
    job = plan_again(failure, by=by)
    for row in failure.deviations.all():
        remove(row, by=by, reason=UNDONE)
    closure = failure.closure
    remove(failure, by=by, reason=UNDONE)
    if closure is not None:
        remove(closure, by=by, reason=UNDONE)
    return job


def present(failure: ChamberFailure) -> ChamberFailure:
    hold_chambers()
    found = ChamberFailure.objects.select_related("chamber", "closure").filter(pk=failure.pk).first()
    if found is None:
        raise MadeAlready("This failure was taken back already; nothing else was changed.")
    return found


def until(failure: ChamberFailure) -> str:
    return f"until {when(failure.ended_at)}" if failure.ended_at else "on, end not known,"


def closed_until(failure: ChamberFailure) -> datetime:
    return failure.ended_at or max(failure.began_at, timezone.now()) + CLOSED_WHILE_UNKNOWN


def bookings_in(failure: ChamberFailure) -> list[Booking]:
    """Bookings whose loads were in the chamber while it had failed."""
    till = Q() if failure.ended_at is None else Q(started_at__lt=failure.ended_at)
    rows = Booking.objects.filter(
        till & (Q(ended_at=None) | Q(ended_at__gt=failure.began_at)),
        chamber=failure.chamber_id,
        started_at__isnull=False,
    )
    return list(rows.select_related("load__study__profile", "load__profile", "chamber", "step").order_by("started_at"))


def mark(failure: ChamberFailure, *, by: Any) -> tuple[Deviation, ...]:
    """One deviation for each load that was in the chamber; those that stand already say what is known now."""
    rows = bookings_in(failure)
    hold_loads(row.load_id for row in rows)
    standing = {row.booking_id: row for row in failure.deviations.all()}
    made = []
    for booking in rows:
        if booking.load.study.state == Study.State.CLOSED:
            continue
        assert booking.started_at is not None  # by the query
        text = (
            f"{failure.chamber} failed from {when(failure.began_at)} "
            f"{f'until {when(failure.ended_at)}' if failure.ended_at else 'on; when it worked again is not known yet'}. "
            f"{booking.load.name} was in it ({place_in_profile(booking)}, since {when(booking.started_at)})."
        )
        row = standing.pop(booking.pk, None) or Deviation(
            study=booking.load.study,
            load=booking.load,
            booking=booking,
            failure=failure,
            kind=Deviation.Kind.CHAMBER,
            is_found_by_rule=True,
            recorded_by=by,
            recorded_at=timezone.now(),
            reason=failure.note[:400],
        )
        row.happened_at = max(failure.began_at, booking.started_at)
        row.description = text
        made.append(keep(row, by=by))
    for row in standing.values():
        remove(row, by=by, reason="was not in the chamber while it had failed")
    return tuple(made)


def plan_again(failure: ChamberFailure, *, by: Any) -> Job | None:
    """Ask for a new plan where bookings lie ahead that the failure, or its end, concerns."""
    ahead = Booking.objects.filter(started_at=None, load__study__state=Study.State.RUNNING)
    inside = [row.load_id for row in bookings_in(failure) if row.ended_at is None]
    if not ahead.filter(Q(chamber=failure.chamber_id) | Q(load__in=inside)).exists():
        return None
    return request_plan(by=by, reason=f"{failure.chamber} failed at {when(failure.began_at)}")


# --- What becomes of a load ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Rest:
    """What a load in a failed chamber had, and what it lacks, in minutes."""

    had: int
    least: int | None
    most: int | None = None

    @property
    def lacks(self) -> int | None:
        return None if self.least is None else max(0, self.least - self.had)


def rest_of(booking: Booking, failure: ChamberFailure) -> Rest:
    """The soak until the failure, with what counts from earlier parts, against the least soak of the whole step."""
    before = booking.soaked_before_minutes
    assert booking.started_at is not None
    had = before + max(
        0, minutes_between(booking.started_at, min(failure.began_at, booking.ended_at or failure.began_at))
    )
    allowed = soak_minutes_allowed(booking)
    if allowed is None:
        return Rest(had, None)
    return Rest(had, allowed[0] + before, None if allowed[1] is None else allowed[1] + before)


LOOK_FOR_STAFF = timedelta(days=14)


@dataclass(frozen=True, slots=True)
class WayOut:
    """When a soak is over at the earliest, the first time that somebody is there then, and when it is booked to end."""

    earliest: datetime
    staffed: datetime | None
    planned: datetime

    @property
    def is_unstaffed(self) -> bool:
        """Whether nobody is there when it is booked to end."""
        return self.planned != self.staffed


def way_out(rest: Rest, start: datetime, *, is_whole_step: bool, hours: Hours) -> WayOut:
    """When a load that goes on from `start` comes out: at the first staffed time, if the longest soak allows that."""
    had = 0 if is_whole_step else rest.had
    earliest = start + timedelta(minutes=max(1, (rest.least or 0) - had))
    spans = hours.spans(earliest, earliest + LOOK_FOR_STAFF)
    staffed = max(spans[0][0], earliest) if spans else None
    latest = None if rest.most is None else start + timedelta(minutes=max(1, rest.most - had))
    is_soon_enough = staffed is not None and (latest is None or staffed <= latest)
    return WayOut(earliest, staffed, staffed if is_soon_enough and staffed is not None else earliest)


@transaction.atomic
def go_on(
    *,
    failure: ChamberFailure,
    booking: Booking,
    chamber: Chamber,
    by: Any,
    at: datetime,
    is_whole_step: bool = False,
) -> Recorded[Booking]:
    """The load of a failed chamber goes on in `chamber` for the rest of its soak, or for the whole step again.

    The same chamber may go on once it works again. The step's next part is booked from then and begun; what the load has booked
    afterwards moves behind it, until the new plan says better. ValidationError as of moves; `MadeAlready` if it went on already.
    """
    at = possible(at)
    failure = present(failure)
    booking = held(booking)
    load = booking.load
    if not any(row.pk == booking.pk for row in bookings_in(failure)):
        raise ValidationError(f"{load.name} was not in {failure.chamber} while it had failed.")
    later = load.bookings.filter(started_at__gte=booking.ended_at or at, started_at__isnull=False).exclude(
        pk=booking.pk
    )
    if booking.ended_at is not None and (since := later.select_related("chamber").order_by("started_at").first()):
        raise MadeAlready(f"{load.name} went on in {since.chamber} already; nothing is stored twice.")
    assert booking.started_at is not None
    if chamber.kind != booking.chamber.kind:
        raise ValidationError(f"{chamber} is no {booking.chamber.get_kind_display()}.")
    if booking.ended_at is None:
        if at <= booking.started_at:
            raise ValidationError({"at": f"It went in at {when(booking.started_at)}; it can't have come out before."})
        booking.ended_at, booking.ended_by = at, by
    rest = rest_of(booking, failure)
    # What was planned of the soak that broke off ends here; the history keeps what it was.
    booking.planned_start = min(booking.planned_start, booking.started_at)
    # Plans are in whole minutes.
    booking.planned_start = to_the_minute(booking.planned_start)
    booking.planned_end = max(to_the_minute(booking.ended_at), booking.planned_start + timedelta(minutes=1))
    keep(booking, by=by, reason=f"broken off: {failure.chamber} failed")
    had = 0 if is_whole_step else rest.had
    start = max(to_the_minute(at), booking.planned_end)
    end = way_out(rest, start, is_whole_step=is_whole_step, hours=lab_hours()).planned
    make_room(load.pk, start, end, by=by)
    last = load.bookings.filter(round_number=booking.round_number, step=booking.step).aggregate(part=Max("part"))[
        "part"
    ]
    part = Booking(
        load=load,
        chamber=chamber,
        step=booking.step,
        round_number=booking.round_number,
        part=last + 1,
        soaked_before_minutes=had,
        planned_start=start,
        planned_end=end,
    )
    keep(part, by=by, reason=f"{'done again' if is_whole_step else 'goes on'}: {failure.chamber} failed")
    recorded = enter(booking=part, by=by, at=at, chamber=None, answer=Answer(is_sure=True))
    if load.bookings.filter(started_at=None).exists():
        request_plan(by=by, reason=f"{load.name} goes on in {chamber}: {failure.chamber} failed")
    return recorded


def make_room(load_pk: int, start: datetime, end: datetime, *, by: Any) -> None:
    """Move the load's bookings that have not begun behind `end`, keeping what lies between them."""
    ahead = list(Booking.objects.filter(load=load_pk, started_at=None).order_by("planned_start"))
    if not ahead or ahead[0].planned_start >= end:
        return
    later_by = end - ahead[0].planned_start
    for row in reversed(ahead):
        row.planned_start, row.planned_end = row.planned_start + later_by, row.planned_end + later_by
        keep(row, by=by, reason="moved behind a soak that goes on after a failure")


def failures_shown(chamber: Chamber, most: int = 20) -> Sequence[ChamberFailure]:
    """The failures of a chamber, newest first."""
    return list(chamber.failures.select_related("recorded_by")[:most])
