"""A load on its way: set out, in and out of chambers, done, and the last of these taken back. Each function is one transaction."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from labbench.bench.booking_changes import hold_chambers
from labbench.bench.models import Booking, Deviation, Load
from labbench.bench.progress import REPAIRED_ROLES
from labbench.bench.refusals import refuse_closed
from labbench.bench.rules import STARTED
from labbench.bench.services import UNDONE, Recorded, when
from labbench.bench.soak_watch import MoveFinding, findings_on_entering, findings_on_leaving
from labbench.formats.date_texts import day_text
from labbench.lab.models import Chamber
from labbench.lab.records import keep, remove
from labbench.studies.models import Coupon

CLOCKS_DIFFER = timedelta(minutes=5)
# Coupons that take no place in a chamber any more.
GONE = (Coupon.Stage.CRACKED_OUT, Coupon.Stage.BROKEN, Coupon.Stage.WITHDRAWN)


class MadeAlready(ValidationError):
    """The same move is recorded already: sent twice, or somebody else was quicker. Nothing is stored a second time."""


class NotRepaired(ValidationError):
    """Coupons of a load that should be repaired before its rounds, and are not: `coupons`."""

    def __init__(self, load: Load, coupons: list[Coupon]) -> None:
        super().__init__(f"Not repaired yet in {load.name}: {', '.join(coupon.code for coupon in coupons)}.")
        self.coupons = coupons


class NotReady(ValidationError):
    """A load that starts before the time it is ready from."""

    def __init__(self, load: Load, ready_at: datetime) -> None:
        super().__init__(f"{load.name} is ready only from {when(ready_at)}.")


def not_repaired(load: Load) -> list[Coupon]:
    """Test coupons and reference repairs of a load that wait for their repair. One query."""
    rows = Coupon.objects.filter(
        load_place__load=load, role__in=REPAIRED_ROLES, stage=Coupon.Stage.PREPARED, withdrawn_on=None
    )
    return list(rows.order_by("load_place__place", "code"))


@transaction.atomic
def start_load(*, load: Load, by: Any, unrepaired: Collection[int] = (), is_early: bool = False) -> Load:
    """The load sets out on its rounds. ValidationError if it is under way, or has no coupon.

    Raises `NotReady` before the time it is ready from, unless somebody said that it may start early (`is_early`).
    Raises `NotRepaired` where coupons wait for their repair, unless all of them are in `unrepaired` (keys of coupons that
    somebody said may travel so); the load's history then names them.
    """
    load = Load.objects.select_for_update(of=("self",), no_key=True).select_related("study").get(pk=load.pk)
    refuse_closed(load.study)
    if load.state != Load.State.PLANNED:
        raise MadeAlready(f"{load.name} is {load.get_state_display()} already.")
    if not load.places.exists():
        raise ValidationError(f"{load.name} has no coupon yet.")
    lacking = not_repaired(load)
    if any(coupon.pk not in unrepaired for coupon in lacking):
        raise NotRepaired(load, lacking)
    reason = STARTED
    if load.ready_at is not None and load.ready_at > timezone.now():
        if not is_early:
            raise NotReady(load, load.ready_at)
        reason += f" before it was ready ({when(load.ready_at)})"
    if lacking:
        reason += f" with coupons that are not repaired: {', '.join(coupon.code for coupon in lacking)}"
    load.state = Load.State.RUNNING
    return keep(load, by=by, reason=reason)


class Avoidable(ValidationError):
    """A move that does not keep the profile and need not be made now: `findings`. To be asked before it is recorded."""

    def __init__(self, findings: Sequence[MoveFinding]) -> None:
        super().__init__(" ".join(finding.text for finding in findings))
        self.findings = list(findings)


@dataclass(frozen=True, slots=True)
class Answer:
    """What somebody said to what a move does not keep: that it is made all the same, and why."""

    is_sure: bool = False
    reason: str = ""


@transaction.atomic
def start_into(
    *, load: Load, booking: Booking, by: Any, at: datetime, chamber: Chamber | None = None, **confirmed: Any
) -> Recorded[Booking]:
    """The load sets out and goes into its first chamber; both or neither. Refusals as of `start_load` and `move_in`."""
    if booking.load_id != load.pk:
        raise ValidationError(f"This is no booking of {load.name}.")
    hold_chambers()
    start_load(load=load, by=by, **confirmed)
    return move_in(booking=booking, by=by, at=at, chamber=chamber)


@transaction.atomic
def move_in(
    *, booking: Booking, by: Any, at: datetime, chamber: Chamber | None = None, answer: Answer = Answer()
) -> Recorded[Booking]:
    """The load goes into the chamber of a booking, or into another of its kind (`chamber`).

    What it does not keep (too long at the door, a step or an inspection left out) is stored as deviations. ValidationError if
    the load is not under way, still elsewhere, was later elsewhere, or the chamber is full or has failed; `MadeAlready` if it is
    in there already; `Avoidable` where the answer is not sure.
    """
    hold_chambers()
    return enter(booking=held(booking), by=by, at=possible(at), chamber=chamber, answer=answer)


def enter(*, booking: Booking, by: Any, at: datetime, chamber: Chamber | None, answer: Answer) -> Recorded[Booking]:
    load = booking.load
    if booking.started_at is not None:
        raise MadeAlready(
            f"{load.name} went into {booking.chamber} at {when(booking.started_at)} already "
            f"({booking.started_by}); nothing is stored twice."
        )
    if load.state != Load.State.RUNNING:
        raise ValidationError(f"{load.name} is {load.get_state_display()}; start it first.")
    rows = list(load.bookings.filter(started_at__isnull=False).select_related("chamber").order_by("started_at"))
    elsewhere = next((row for row in rows if row.ended_at is None), None)
    if elsewhere is not None:
        raise ValidationError(f"{load.name} is still in {elsewhere.chamber}; take it out there first.")
    before = rows[-1] if rows else None
    if before is not None and before.ended_at is not None and at < before.ended_at:
        raise ValidationError(
            {"at": f"It came out of {before.chamber} at {when(before.ended_at)}; it can't have gone in before that."}
        )
    choose(booking, chamber)
    take_places(booking, at)
    findings = findings_on_entering(booking, at, before=before)
    refuse_avoidable(findings, answer)
    booking.started_at, booking.started_by = at, by
    keep(booking, by=by)
    return Recorded(booking, kept_findings(findings, booking=booking, at=at, by=by, reason=answer.reason))


def choose(booking: Booking, chamber: Chamber | None) -> None:
    """Another chamber of the same kind than the one that is booked. ValidationError if it is of another."""
    if chamber is None or chamber.pk == booking.chamber_id:
        return
    if chamber.kind != booking.chamber.kind:
        raise ValidationError(f"{chamber} is no {booking.chamber.get_kind_display()}.")
    booking.chamber = chamber


@transaction.atomic
def move_out(*, booking: Booking, by: Any, at: datetime, answer: Answer = Answer()) -> Recorded[Booking]:
    """The load comes out of the chamber of a booking; a soak too short or too long is stored as a deviation.

    ValidationError if it is not in there, or the time is before it went in; `MadeAlready` if it came out already; `Avoidable`
    where the least soak is not reached and the answer is not sure.
    """
    return leave(booking=held(booking), by=by, at=possible(at), answer=answer)


def leave(*, booking: Booking, by: Any, at: datetime, answer: Answer) -> Recorded[Booking]:
    load = booking.load
    if booking.ended_at is not None:
        raise MadeAlready(
            f"{load.name} came out of {booking.chamber} at {when(booking.ended_at)} already "
            f"({booking.ended_by}); nothing is stored twice."
        )
    if booking.started_at is None:
        raise ValidationError(f"{load.name} is not in {booking.chamber}.")
    if at <= booking.started_at:
        raise ValidationError({"at": f"It went in at {when(booking.started_at)}; it can't have come out before."})
    findings = findings_on_leaving(booking, at)
    refuse_avoidable(findings, answer)
    booking.ended_at, booking.ended_by = at, by
    keep(booking, by=by)
    return Recorded(booking, kept_findings(findings, booking=booking, at=at, by=by, reason=answer.reason))


@transaction.atomic
def transfer(
    *, out_of: Booking, into: Booking, by: Any, at: datetime, chamber: Chamber | None = None, answer: Answer = Answer()
) -> Recorded[Booking]:
    """Out of one chamber and into the next in one go; both or neither is stored. Refusals as of `move_out` and `move_in`."""
    at = possible(at)
    hold_chambers()
    out_of = held(out_of)
    into = Booking.objects.select_related("chamber", "step", "started_by").get(pk=into.pk)
    if into.load_id != out_of.load_id:
        raise ValidationError("These are bookings of two loads.")
    into.load = out_of.load
    if into.started_at is not None:
        raise MadeAlready(
            f"{into.load.name} went into {into.chamber} at {when(into.started_at)} already "
            f"({into.started_by}); nothing is stored twice."
        )
    # What can't be is said before anything is asked, and both are asked about together.
    choose(into, chamber)
    take_places(into, at)
    asked = findings_on_entering(into, at, before=None)
    if out_of.started_at is not None and out_of.ended_at is None and out_of.started_at < at:
        asked = findings_on_leaving(out_of, at) + asked
    refuse_avoidable(asked, answer)
    left: tuple[Deviation, ...] = ()
    # Where somebody else has just taken it out the transfer counts from then.
    if out_of.ended_at is None:
        left = leave(booking=out_of, by=by, at=at, answer=answer).deviations
    entered = enter(booking=into, by=by, at=at, chamber=chamber, answer=answer)
    return Recorded(entered.record, left + entered.deviations)


@transaction.atomic
def undo_move(*, booking: Booking, by: Any, of: datetime | None = None) -> Booking:
    """Take back the last move of a load, with the deviations that it gave; a transfer made in one go goes back in one go.

    `of` is the time of the move as it was shown. ValidationError if the booking has no move or the load a later one or is done,
    or the chamber that it would be in again is too full by now; `MadeAlready` if the move of that time is not there any more.
    """
    hold_chambers()
    booking = held(booking)
    if booking.started_at is None:
        if of is not None:
            raise MadeAlready("This move was taken back already; nothing else was changed.")
        raise ValidationError(f"{booking.load.name} has not been in {booking.chamber}.")
    moved = list(
        booking.load.bookings.filter(started_at__isnull=False).select_related("chamber").order_by("started_at")
    )
    if moved[-1].pk != booking.pk:
        raise ValidationError(f"{booking.load.name} has been in {moved[-1].chamber} since; take that move back first.")
    last = booking.ended_at or booking.started_at
    if of is not None and of != last:
        raise MadeAlready("This move was taken back already, or made anew; nothing else was changed.")
    if booking.load.state == Load.State.DONE:
        raise ValidationError(f"{booking.load.name} is finished; take that back first.")
    if booking.ended_at is not None:
        return take_back_out(booking, by)
    before = moved[-2] if len(moved) > 1 else None
    is_one_go = before is not None and (before.ended_at, before.ended_by_id) == (last, booking.started_by_id)
    take_back_findings(booking, by=by)
    booking.started_at = booking.started_by = None
    keep(booking, by=by, reason=UNDONE)
    if booking.part > 1:
        # Booked by going on after a failure: where that is taken back it is asked anew.
        remove(booking, by=by, reason=UNDONE)
    if is_one_go and before is not None:
        before.load = booking.load
        take_back_out(before, by)
    return booking


def take_back_out(booking: Booking, by: Any) -> Booking:
    refuse_too_full(booking, "Another load took its place since: take that back, or take a load out there, first.")
    take_back_findings(booking, by=by, kind=Deviation.Kind.SOAK, happened_at=booking.ended_at)
    booking.ended_at = booking.ended_by = None
    return keep(booking, by=by, reason=UNDONE)


def take_back_findings(booking: Booking, *, by: Any, **which: Any) -> None:
    """The deviations that a move gave go with it; their history stays."""
    for row in Deviation.objects.filter(booking=booking, failure=None, is_found_by_rule=True, **which):
        remove(row, by=by, reason=UNDONE)


def refuse_avoidable(findings: Sequence[MoveFinding], answer: Answer) -> None:
    if not answer.is_sure and (avoidable := [finding for finding in findings if finding.is_avoidable]):
        raise Avoidable(avoidable)


def kept_findings(
    findings: Sequence[MoveFinding], *, booking: Booking, at: datetime, by: Any, reason: str
) -> tuple[Deviation, ...]:
    """Deviations of the whole load, with the reason if one was given."""
    return tuple(
        keep(
            Deviation(
                study=booking.load.study,
                load=booking.load,
                booking=booking,
                kind=finding.kind,
                happened_at=at,
                description=finding.text,
                reason=reason.strip(),
                is_found_by_rule=True,
                recorded_by=by,
                recorded_at=timezone.now(),
            ),
            by=by,
        )
        for finding in findings
    )


@transaction.atomic
def give_reason(*, deviation: Deviation, by: Any, reason: str) -> Deviation:
    """Say later why it happened; what was said before stays in the history."""
    deviation = Deviation.objects.select_for_update(of=("self",)).select_related("study").get(pk=deviation.pk)
    refuse_closed(deviation.study)
    if not reason.strip():
        raise ValidationError({"reason": "Say why it happened."})
    if deviation.reason == reason.strip():
        return deviation
    deviation.reason = reason.strip()
    return keep(deviation, by=by, reason="reason given")


def possible(at: datetime) -> datetime:
    """The time in UTC. ValidationError where it is still to come: a clock is off, or it is a slip."""
    at, now = at.astimezone(UTC), timezone.now()
    if at > now + CLOCKS_DIFFER:
        raise ValidationError(
            {"at": f"{when(at)} is still to come; by the server it is {when(now)}. Record what has happened."}
        )
    return at


def travelling(load: Load) -> int:
    """Coupons of the load that take a place in a chamber: neither cracked out, nor broken, nor withdrawn."""
    return load.places.exclude(coupon__stage__in=GONE).count()


def take_places(booking: Booking, at: datetime) -> None:
    """ValidationError where the chamber of a booking has failed or is too full for its load.

    The chambers are held by then: of two loads for the last places one waits and is told.
    """
    chamber = booking.chamber
    if chamber.retired_on is not None and chamber.retired_on <= timezone.localtime(at).date():
        raise ValidationError(f"{chamber} was retired on {day_text(chamber.retired_on)}.")
    failure = chamber.failures.filter(Q(ended_at=None) | Q(ended_at__gt=at), began_at__lte=at).first()
    if failure is not None:
        till = f"until {when(failure.ended_at)}" if failure.ended_at else "and has not been seen to work again"
        raise ValidationError(
            f"{chamber} failed at {when(failure.began_at)} {till}. Take another chamber, or say first that it works."
        )
    refuse_too_full(booking, "Take a load out there first, or another chamber.")


def refuse_too_full(booking: Booking, advice: str) -> None:
    """ValidationError with the advice where the chamber of a booking has no places for its load beside those in it."""
    chamber = booking.chamber
    inside = Booking.objects.filter(chamber=chamber, started_at__isnull=False, ended_at=None).exclude(pk=booking.pk)
    there = {row.load: travelling(row.load) for row in inside.select_related("load")}
    wanted = travelling(booking.load)
    if sum(there.values()) + wanted > chamber.capacity_coupons:
        names = ", ".join(f"{load.name} with {count}" for load, count in there.items()) or "nothing"
        raise ValidationError(
            f"{chamber} has {chamber.capacity_coupons} places and {booking.load.name} needs {wanted}; in it: {names}. {advice}"
        )


def held(booking: Booking) -> Booking:
    """The booking, its load's row held: of two people who move a load, one waits."""
    load = (
        Load.objects.select_for_update(of=("self",), no_key=True)
        .select_related("study__profile", "profile")
        .get(pk=booking.load_id)
    )
    refuse_closed(load.study)
    found = Booking.objects.select_related("chamber", "step", "started_by", "ended_by").filter(pk=booking.pk).first()
    if found is None:
        raise ValidationError(f"The plan of {load.name} has changed meanwhile; nothing was stored. Look at it again.")
    found.load = load
    return found


@transaction.atomic
def finish_load(*, load: Load, by: Any) -> Load:
    """The load has been through its rounds. ValidationError if it is not under way."""
    load = Load.objects.select_for_update(of=("self",), no_key=True).get(pk=load.pk)
    if load.state != Load.State.RUNNING:
        raise ValidationError(f"{load.name} is {load.get_state_display()}; only a running load is finished.")
    inside = load.bookings.filter(started_at__isnull=False, ended_at=None).select_related("chamber").first()
    if inside is not None:
        raise ValidationError(f"{load.name} is still in {inside.chamber}; take it out there first.")
    load.state = Load.State.DONE
    return keep(load, by=by, reason="finished")


@transaction.atomic
def step_back_load(*, load: Load, by: Any) -> Load:
    """Take back the last start or finish of a load."""
    load = Load.objects.select_for_update(of=("self",), no_key=True).get(pk=load.pk)
    if load.state == Load.State.PLANNED:
        raise ValidationError(f"{load.name} has not started.")
    if load.state == Load.State.RUNNING and load.bookings.filter(started_at__isnull=False).exists():
        raise ValidationError(f"{load.name} has been in a chamber; take its moves back first.")
    load.state = Load.State.RUNNING if load.state == Load.State.DONE else Load.State.PLANNED
    return keep(load, by=by, reason=UNDONE)
