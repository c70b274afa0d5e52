"""What people have to do next with the loads, in order of time; and what each chamber holds. A constant number of queries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

from django.db.models import Count, Q
from django.utils import timezone

from labbench.bench.loads import GONE
from labbench.bench.models import Booking, ChamberFailure, Deviation, Load, LoadPlace, Repair
from labbench.bench.queries import NEEDS_LOOK, coupons_where
from labbench.bench.services import UNDO_WITHIN
from labbench.bench.soak_watch import (
    duration_text,
    in_order,
    longest_transfer,
    profile_of,
    soak_minutes_allowed,
    soak_window,
)
from labbench.lab.models import Chamber, ProfileStep
from labbench.studies.models import Study

# What the plan says is late only after this; what the profile says at once.
PLAN_GRACE = timedelta(minutes=5)
SHOWN_AHEAD = timedelta(days=2)
START, MOVE, ENTER, LEAVE, INSPECT, FINISH, BOOK = "start", "move", "enter", "leave", "inspect", "finish", "book"


@dataclass(slots=True)
class Doing:
    """One thing to do with one load. Times that there is no rule for are None."""

    kind: str
    load: Load
    coupons: int
    planned: datetime | None = None
    earliest: datetime | None = None
    latest: datetime | None = None
    out_of: Booking | None = None
    into: Booking | None = None
    round_number: int | None = None
    # Not to be done yet: something else comes first.
    is_ahead: bool = False
    failure: ChamberFailure | None = None
    why_earliest: str = ""
    why_latest: str = ""
    # The next round began without this look.
    is_forgotten: bool = False

    @property
    def key(self) -> str:
        booking = self.out_of or self.into
        return f"{self.kind}-{self.load.pk}-{booking.pk if booking else self.round_number or 0}"

    @property
    def at(self) -> datetime | None:
        """When it is to be done: as planned, but inside its window."""
        at = self.planned or self.earliest or self.latest
        if at is not None and self.earliest is not None:
            at = max(at, self.earliest)
        if at is not None and self.latest is not None:
            at = min(at, self.latest)
        return at

    def is_late(self, now: datetime) -> bool:
        if self.failure is not None:
            return True
        if self.latest is not None:
            return now > self.latest
        return (
            not self.is_ahead
            and self.planned is not None
            and now > max(self.planned, self.earliest or self.planned) + PLAN_GRACE
        )

    def can_be_done(self, now: datetime) -> bool:
        """Whether its time has come: the least soak is reached, the load is ready."""
        if self.is_ahead:
            return False
        if self.kind == START:
            return self.planned is None or now >= self.planned - PLAN_GRACE
        return self.earliest is None or now >= self.earliest


@dataclass(slots=True)
class ChamberNow:
    """What is in a chamber at this moment."""

    chamber: Chamber
    loads: list[tuple[Booking, int]] = field(default_factory=list)
    failure: ChamberFailure | None = None

    @property
    def taken(self) -> int:
        return sum(count for _, count in self.loads)


@dataclass(slots=True)
class Work:
    """Everything the page of the day shows."""

    now: datetime
    late: list[Doing] = field(default_factory=list)
    due: list[Doing] = field(default_factory=list)
    later: list[Doing] = field(default_factory=list)
    ahead: list[Doing] = field(default_factory=list)
    beyond: int = 0
    chambers: list[ChamberNow] = field(default_factory=list)
    moves: list[tuple[Booking, bool]] = field(default_factory=list)
    without_reason: list[Deviation] = field(default_factory=list)

    @property
    def doings(self) -> list[Doing]:
        return [*self.late, *self.due, *self.later, *self.ahead]


def studies_of(person: Any) -> set[int]:
    """Studies that are this person's: led, repaired in, or moved loads of."""
    led = Study.objects.filter(lead=person).values("pk")
    repaired = Repair.objects.filter(technician=person).values("coupon__study")
    moved = Booking.objects.filter(Q(started_by=person) | Q(ended_by=person)).values("load__study")
    return set(Study.objects.filter(Q(pk__in=led) | Q(pk__in=repaired) | Q(pk__in=moved)).values_list("pk", flat=True))


def loads_at_work(studies: set[int] | None) -> list[Load]:
    """Loads that are planned or under way in running studies."""
    rows = Load.objects.filter(state__in=[Load.State.PLANNED, Load.State.RUNNING], study__state=Study.State.RUNNING)
    if studies is not None:
        rows = rows.filter(study__in=studies)
    return list(rows.select_related("study__profile", "profile").order_by("study__code", "name"))


def doings(loads: Sequence[Load]) -> list[Doing]:
    """All that is to be done with these loads, in no order. Five queries."""
    by_load: dict[int, list[Booking]] = defaultdict(list)
    mine = {load.pk: load for load in loads}
    for row in Booking.objects.filter(load__in=mine).select_related("chamber", "step", "started_by", "ended_by"):
        row.load = mine[row.load_id]
        by_load[row.load_id].append(row)
    places = LoadPlace.objects.filter(load__in=mine).order_by()
    counts = dict(places.exclude(coupon__stage__in=GONE).values_list("load").annotate(Count("pk")))
    rounds: dict[int, dict[int, int]] = defaultdict(dict)
    looks = places.filter(coupons_where(NEEDS_LOOK)).values_list("load", "coupon__rounds_survived")
    for load_pk, survived, count in looks.annotate(Count("pk")):
        rounds[load_pk][survived + 1] = count
    profiles = {profile.pk for load in loads if (profile := profile_of(load)) is not None}
    steps: dict[int, list[ProfileStep]] = defaultdict(list)
    for step in ProfileStep.objects.filter(profile__in=profiles):
        steps[step.profile_id].append(step)
    failures = open_failures()
    found = []
    for load in loads:
        profile = profile_of(load)
        found += doings_of_load(
            load,
            in_order(by_load[load.pk]),
            coupons=counts.get(load.pk, 0),
            looks=rounds[load.pk],
            steps=steps[profile.pk] if profile else [],
            failures=failures,
        )
    return found


def open_failures() -> dict[int, ChamberFailure]:
    """Chambers that have failed and were not seen to work again."""
    return {row.chamber_id: row for row in ChamberFailure.objects.filter(ended_at=None).select_related("chamber")}


def doings_of_load(
    load: Load,
    bookings: Sequence[Booking],
    *,
    coupons: int,
    looks: dict[int, int],
    steps: Sequence[ProfileStep],
    failures: dict[int, ChamberFailure],
) -> list[Doing]:
    current = next((row for row in bookings if row.started_at is not None and row.ended_at is None), None)
    ahead = [row for row in bookings if row.started_at is None]
    ended = sorted(
        (row for row in bookings if row.ended_at is not None), key=lambda row: row.ended_at or row.planned_end
    )
    found: list[Doing] = []
    if load.state == Load.State.PLANNED:
        if ahead:
            found.append(
                Doing(START, load, coupons, planned=ahead[0].planned_start, earliest=load.ready_at, into=ahead[0],
                      why_earliest="ready")
            )  # fmt: skip
            found += planned_moves(load, ahead, coupons)
        return found
    if current is not None:
        window = soak_window(current, steps)
        allowed = soak_minutes_allowed(current, steps)
        # Where nothing travels any more it only comes out.
        into = ahead[0] if ahead and coupons else None
        doing = Doing(
            MOVE if into else LEAVE, load, coupons, planned=current.planned_end, earliest=window.earliest,
            latest=window.latest, out_of=current, into=into, failure=failures.get(current.chamber_id),
        )  # fmt: skip
        if allowed is not None:
            doing.why_earliest = f"least soak, {duration_text(allowed[0])}"
            doing.why_latest = f"longest soak, {duration_text(allowed[1])}" if allowed[1] is not None else ""
        found.append(doing)
    elif not coupons:
        found.append(Doing(FINISH, load, coupons, earliest=ended[-1].ended_at if ended else None))
    elif ahead:
        last = ended[-1] if ended else None
        most = longest_transfer(load)
        doing = Doing(ENTER, load, coupons, planned=ahead[0].planned_start, into=ahead[0], out_of=last)
        if last is not None and last.ended_at is not None and most is not None:
            doing.latest = last.ended_at + timedelta(minutes=most)
            doing.why_latest = f"longest transfer, {duration_text(most)}"
        found.append(doing)
    elif not bookings or (looks and has_soaks_left(load, bookings, steps)):
        found.append(Doing(BOOK, load, coupons))
    elif not looks:
        found.append(Doing(FINISH, load, coupons, earliest=ended[-1].ended_at))
    if coupons:
        found += planned_moves(load, ([current] if current else []) + ahead, coupons)
    found += inspections_of_load(load, bookings, looks, steps)
    return found


def has_soaks_left(load: Load, bookings: Sequence[Booking], steps: Iterable[ProfileStep]) -> bool:
    """Whether soaks of the load's profile have neither begun nor are booked; a run of a programmable chamber has them all."""
    booked = {(row.round_number, row.step_id) for row in bookings}
    if any(step is None for _, step in booked):
        return False
    rounds = range(1, load.study.rounds_planned + 1)
    return any((number, step.pk) not in booked for step in steps for number in rounds)


def planned_moves(load: Load, bookings: Sequence[Booking], coupons: int) -> list[Doing]:
    """The moves after the next one, as planned."""
    moves = [
        Doing(MOVE, load, coupons, planned=before.planned_end, out_of=before, into=after, is_ahead=True)
        for before, after in pairwise(bookings)
        if before.started_at is None
    ]
    if bookings and bookings[-1].started_at is None:
        moves.append(Doing(LEAVE, load, coupons, planned=bookings[-1].planned_end, out_of=bookings[-1], is_ahead=True))
    return moves


def inspections_of_load(
    load: Load, bookings: Sequence[Booking], looks: dict[int, int], steps: Sequence[ProfileStep]
) -> list[Doing]:
    """The looks after each round that has coupons waiting for it: due once its last soak has lasted long enough."""
    found = []
    numbered = [row for row in bookings if row.round_number is not None]
    if not numbered and (whole := [row for row in bookings if row.ended_at is not None]) and looks:
        # A programmable chamber has been through all rounds.
        number = min(looks)
        return [Doing(INSPECT, load, sum(looks.values()), earliest=whole[-1].ended_at, round_number=number)]
    waiting = 0
    for number in sorted({row.round_number for row in numbered if row.round_number}):
        # Whoever was not looked at after an earlier round is looked at later.
        waiting = sum(count for due, count in looks.items() if due <= number)
        last = [row for row in numbered if row.round_number == number][-1]
        following = next((row for row in numbered if (row.round_number or 0) > number), None)
        if not waiting:
            continue
        doing = Doing(
            INSPECT, load, waiting, planned=last.planned_end, round_number=number, is_ahead=last.started_at is None
        )
        if last.ended_at is not None:
            doing.planned, doing.earliest = None, last.ended_at
        elif last.started_at is not None:
            doing.earliest, doing.why_earliest = soak_window(last, steps).earliest, "least soak"
        if following is not None:
            if following.started_at is not None:
                # The next round began without it: overdue since then, unless a later round asks for the same look.
                later = [row for row in numbered if (row.round_number or 0) > number and row.ended_at is None]
                doing.latest = following.started_at
                doing.why_latest = f"round {following.round_number} began" if later else ""
                doing.is_forgotten = True
            elif not doing.is_ahead:
                doing.latest, doing.why_latest = following.planned_start, f"round {following.round_number} begins"
        found.append(doing)
    return found


def todays_work(*, now: datetime, person: Any = None) -> Work:
    """What is late, what can be done now, what comes later, and the chambers; of one person's studies where one is given."""
    loads = loads_at_work(None if person is None else studies_of(person))
    work = Work(now)
    for doing in doings(loads):
        if doing.is_late(now):
            work.late.append(doing)
        elif doing.can_be_done(now):
            work.due.append(doing)
        elif doing.at is not None and doing.at > now + SHOWN_AHEAD:
            work.beyond += 1
        else:
            (work.ahead if doing.is_ahead else work.later).append(doing)
    for part in (work.late, work.due, work.later, work.ahead):
        part.sort(key=lambda doing: (doing.at or now, doing.load.name, doing.key))
    keys = {load.pk for load in loads}
    work.chambers = chambers_now(now)
    work.moves = last_moves(keys, now)
    work.without_reason = list(
        Deviation.objects.filter(load__in=keys, is_found_by_rule=True, reason="", coupon=None)
        .filter(Q(booking__isnull=False) | Q(failure__isnull=False))
        .select_related("load__study", "recorded_by")
        .order_by("happened_at")
    )
    return work


def in_use(now: datetime) -> Q:
    """Chambers not retired yet, by the lab's own day, as moves into them are judged."""
    return Q(retired_on=None) | Q(retired_on__gt=timezone.localtime(now).date())


def chambers_now(now: datetime) -> list[ChamberNow]:
    """What every chamber in use holds, and whether it has failed; also a retired one that holds a load. Four queries."""
    holding = Booking.objects.filter(started_at__isnull=False, ended_at=None).order_by().values("chamber")
    rows = Chamber.objects.filter(in_use(now) | Q(pk__in=holding)).order_by("kind", "code")
    by_key = {chamber.pk: ChamberNow(chamber) for chamber in rows}
    inside = Booking.objects.filter(started_at__isnull=False, ended_at=None).select_related("load__study", "step")
    taken = dict(
        LoadPlace.objects.filter(load__bookings__started_at__isnull=False, load__bookings__ended_at=None)
        .exclude(coupon__stage__in=GONE)
        .order_by()
        .values_list("load")
        .annotate(Count("pk", distinct=True))
    )
    for booking in inside.order_by("started_at"):
        if booking.chamber_id in by_key:
            by_key[booking.chamber_id].loads.append((booking, taken.get(booking.load_id, 0)))
    for chamber_pk, failure in open_failures().items():
        if chamber_pk in by_key:
            by_key[chamber_pk].failure = failure
    return list(by_key.values())


def last_moves(loads: set[int], now: datetime) -> list[tuple[Booking, bool]]:
    """The last move of each load in the last hours, newest first; and whether it was into the chamber (else out of it)."""
    since = now - UNDO_WITHIN
    rows = Booking.objects.filter(load__in=loads).filter(Q(started_at__gte=since) | Q(ended_at__gte=since))
    latest: dict[int, Booking] = {}
    for row in rows.select_related("load__study", "chamber", "started_by", "ended_by").order_by("started_at"):
        latest[row.load_id] = row
    moves = [(row, row.ended_at is None) for row in latest.values()]
    return sorted(moves, key=lambda move: move[0].ended_at or move[0].started_at or since, reverse=True)
