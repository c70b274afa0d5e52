"""What of a load's way does not go by its profile: too early, too late, too long at the door, an inspection forgotten.

A soak is counted here from door to door, by the times that people gave; whether the glass got there is proved by its temperature
trace. Lengths are real minutes, so that a change to summer time neither lengthens nor shortens a soak.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from django.utils import timezone

from labbench.bench.models import Booking, Deviation, Load
from labbench.bench.queries import NEEDS_LOOK
from labbench.formats.date_texts import moment_text
from labbench.lab.models import ProfileStep, ThermalProfile
from labbench.studies.models import Coupon

MOST_NAMED = 8


@dataclass(frozen=True, slots=True)
class MoveFinding:
    """A rule that a move does not keep. `is_avoidable`: it would be kept if the move were not made now."""

    kind: str
    text: str
    is_avoidable: bool = False


@dataclass(frozen=True, slots=True)
class Window:
    """When a load may come out: not before the least soak is reached, not after the longest."""

    earliest: datetime | None
    latest: datetime | None


def minutes_between(start: datetime, end: datetime) -> int:
    """Real minutes from one time to the other, both read to the minute as people read a clock."""
    return (to_the_minute(end) - to_the_minute(start)) // timedelta(minutes=1)


def to_the_minute(at: datetime) -> datetime:
    # In UTC: two times of one zone would be subtracted as the clock on the wall shows them.
    return at.astimezone(UTC).replace(second=0, microsecond=0)


def duration_text(minutes: int) -> str:
    """45 min, 8 h, 26 h 5 min."""
    hours, rest = divmod(minutes, 60)
    return " ".join(f"{count} {unit}" for count, unit in ((hours, "h"), (rest, "min")) if count) or "0 min"


def profile_of(load: Load) -> ThermalProfile | None:
    """The load's own profile, else that of its study."""
    return load.profile or load.study.profile


def soak_minutes_allowed(booking: Booking, steps: Sequence[ProfileStep] | None = None) -> tuple[int, int | None] | None:
    """Least and longest soak of a booking (no longest: None); None where no profile says so.

    A programmable chamber runs all rounds in one go, as many as the study has planned, as it is booked.
    `steps` are those of its profile where they are at hand.
    """
    if booking.step is not None:
        least, longest = booking.step.min_minutes, booking.step.max_minutes
        before = booking.soaked_before_minutes
        return max(0, least - before), None if longest is None else max(0, longest - before)
    profile = profile_of(booking.load)
    if profile is None:
        return None
    all_steps = list(profile.steps.all()) if steps is None else steps
    if not all_steps:
        return None
    rounds = booking.load.study.rounds_planned
    limits = [step.max_minutes for step in all_steps if step.max_minutes is not None]
    whole = None if len(limits) < len(all_steps) else rounds * sum(limits)
    return rounds * sum(step.min_minutes for step in all_steps), whole


def soak_window(booking: Booking, steps: Sequence[ProfileStep] | None = None) -> Window:
    """When the load of a booking that has begun may come out."""
    allowed = soak_minutes_allowed(booking, steps)
    if allowed is None or booking.started_at is None:
        return Window(None, None)
    start = to_the_minute(booking.started_at)
    least, longest = allowed
    return Window(start + timedelta(minutes=least), None if longest is None else start + timedelta(minutes=longest))


def place_in_profile(booking: Booking) -> str:
    """Round 2, freeze; or all rounds of a programmable chamber."""
    return "all rounds" if booking.step is None else f"round {booking.round_number}, {booking.step.name}"


def findings_on_leaving(booking: Booking, at: datetime) -> list[MoveFinding]:
    """What a load that comes out at this time does not keep: least and longest soak."""
    allowed = soak_minutes_allowed(booking)
    if allowed is None or booking.started_at is None:
        return []
    least, longest = allowed
    soaked = minutes_between(booking.started_at, at)
    said = f"{booking.load.name} was in {booking.chamber} for {duration_text(soaked)} ({place_in_profile(booking)})"
    if booking.soaked_before_minutes:
        said += f" after {duration_text(booking.soaked_before_minutes)} that count from before"
    if soaked < least:
        return [MoveFinding(Deviation.Kind.SOAK, f"{said}; at least {duration_text(least)}.", is_avoidable=True)]
    if longest is not None and soaked > longest:
        return [MoveFinding(Deviation.Kind.SOAK, f"{said}; at most {duration_text(longest)}.")]
    return []


def findings_on_entering(booking: Booking, at: datetime, *, before: Booking | None) -> list[MoveFinding]:
    """What a load that goes in at this time does not keep: the longest transfer, the order of its steps, the looks due before.

    `before` is the booking that it came out of last.
    """
    return [
        *transfer_findings(booking, at, before),
        *skipped_findings(booking),
        *inspection_findings(booking),
    ]


def longest_transfer(load: Load) -> int | None:
    profile = profile_of(load)
    return None if profile is None else profile.max_transfer_minutes


def transfer_findings(booking: Booking, at: datetime, before: Booking | None) -> list[MoveFinding]:
    """Where the load was at the door for longer than its profile allows."""
    most = longest_transfer(booking.load)
    if before is None or before.ended_at is None or most is None:
        return []
    taken = minutes_between(before.ended_at, at)
    if taken <= most:
        return []
    out_at = moment_text(timezone.localtime(before.ended_at))
    text = (
        f"{booking.load.name} was {duration_text(taken)} between {before.chamber} and {booking.chamber} "
        f"(out at {out_at}; {place_in_profile(booking)}); at most {duration_text(most)}."
    )
    return [MoveFinding(Deviation.Kind.LATE_TRANSFER, text)]


def in_order(bookings: Sequence[Booking]) -> list[Booking]:
    """Bookings of one load as they follow each other by its profile; a programmable chamber's by their planned times."""
    return sorted(
        bookings,
        key=lambda row: (
            row.round_number or 0,
            row.step.number if row.step else 0,
            row.part,
            row.planned_start,
            row.pk,
        ),
    )


def skipped_findings(booking: Booking) -> list[MoveFinding]:
    """Where steps that come before this one have not begun."""
    if booking.step is None:
        return []
    rows = in_order(list(booking.load.bookings.select_related("step")))
    earlier = rows[: [row.pk for row in rows].index(booking.pk)]
    skipped = [row for row in earlier if row.started_at is None]
    if not skipped:
        return []
    names = " and ".join(place_in_profile(row) for row in skipped[:MOST_NAMED])
    return [
        MoveFinding(
            Deviation.Kind.SOAK,
            f"{booking.load.name} went on to {place_in_profile(booking)} without {names}.",
            is_avoidable=True,
        )
    ]


def inspection_findings(booking: Booking) -> list[MoveFinding]:
    """Where a round begins and coupons of the load were not looked at after the round before."""
    if booking.round_number is None or booking.round_number < 2:
        return []
    last = booking.round_number - 1
    waiting = Coupon.objects.filter(NEEDS_LOOK, load_place__load=booking.load_id, rounds_survived__lt=last)
    codes = list(waiting.order_by("load_place__place", "code").values_list("code", flat=True))
    if not codes or booking.load.bookings.filter(round_number=booking.round_number, started_at__isnull=False).exists():
        return []
    travelling = Coupon.objects.filter(NEEDS_LOOK, load_place__load=booking.load_id).count()
    named = ", ".join(codes[:MOST_NAMED]) + (" and others" if len(codes) > MOST_NAMED else "")
    return [
        MoveFinding(
            Deviation.Kind.INSPECTION,
            f"Round {booking.round_number} of {booking.load.name} began with {len(codes)} of {travelling} coupons "
            f"not looked at after round {last}: {named}.",
            is_avoidable=True,
        )
    ]
