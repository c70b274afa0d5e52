"""One thing to do, in the words and times of the page of the day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from django.utils import timezone

from labbench.bench.models import Booking, Load
from labbench.bench.soak_watch import duration_text, minutes_between, place_in_profile
from labbench.bench.todays_work import (
    BOOK,
    ENTER,
    FINISH,
    INSPECT,
    LEAVE,
    MOVE,
    PLAN_GRACE,
    START,
    ChamberNow,
    Doing,
    chambers_now,
)
from labbench.bench.todays_work import doings as doings_of
from labbench.formats.number_texts import number_text
from labbench.studies.models import Study

REACHED = "least soak reached"
BEHIND = "behind the plan"


@dataclass(frozen=True, slots=True)
class Countdown:
    """A time that is waited for: `ahead` stands before how long it still is, `behind` before how long ago it was."""

    at: datetime
    ahead: str
    behind: str
    words: str
    is_late: bool = False


@dataclass(slots=True)
class Card:
    """What the page shows of one thing to do."""

    doing: Doing
    title: str
    about: str
    window: list[tuple[str, datetime, str]]
    countdown: Countdown | None
    is_late: bool
    can_be_done: bool
    others: list[ChamberNow] = field(default_factory=list)
    # The chamber that it is to go into has failed.
    into_failed: ChamberNow | None = None

    @property
    def step_before(self) -> Booking | None:
        """The soak inside a round after which the coupons may be looked at on the way; the look after a whole round is asked for."""
        out_of, into = self.doing.out_of, self.doing.into
        if out_of is None or into is None or self.doing.is_ahead or not self.can_be_done:
            return None
        return out_of if out_of.step is not None and out_of.round_number == into.round_number else None

    @property
    def state(self) -> str:
        return "late" if self.is_late else "due" if self.can_be_done else "later"


def cards(doings: Sequence[Doing], chambers: Sequence[ChamberNow], now: datetime) -> list[Card]:
    return [card(doing, chambers, now) for doing in doings]


def cards_of_load(load: Load) -> list[Card]:
    """What is to be done next with one load of a running study, without what lies further ahead."""
    if load.study.state != Study.State.RUNNING or load.state == Load.State.DONE:
        return []
    now = timezone.now()
    rows = [doing for doing in doings_of([load]) if not doing.is_ahead and doing.kind not in {BOOK, FINISH}]
    return cards(rows, chambers_now(now), now)


def card(doing: Doing, chambers: Sequence[ChamberNow], now: datetime) -> Card:
    return Card(
        doing,
        title_of(doing),
        about_of(doing),
        window_of(doing),
        countdown_of(doing, now),
        doing.is_late(now),
        doing.can_be_done(now),
        [] if doing.is_ahead else others_of(doing, chambers),
        next((row for row in chambers if doing.into and row.chamber.pk == doing.into.chamber_id and row.failure), None),
    )


def title_of(doing: Doing) -> str:
    name, into = doing.load.name, doing.into
    out_of = doing.out_of.chamber if doing.out_of else ""
    count = f"{number_text(doing.coupons)} coupon{'' if doing.coupons == 1 else 's'}"
    return {
        START: f"Start {name}, into {into.chamber if into else ''}",
        MOVE: f"{name}: out of {out_of}, into {into.chamber if into else ''}",
        LEAVE: f"{name}: out of {out_of}",
        ENTER: f"{name}: into {into.chamber if into else ''}",
        INSPECT: f"{name}: look at {count} after round {doing.round_number}",
        FINISH: f"Finish {name}",
        BOOK: f"{name} is under way and no chamber is booked for what comes next",
    }[doing.kind]


def about_of(doing: Doing) -> str:
    """Round and step that end and begin; how many coupons to lift."""
    if doing.kind in {INSPECT, FINISH, BOOK}:
        return ""
    count = f"{number_text(doing.coupons)} coupon{'' if doing.coupons == 1 else 's'}"
    out_of = doing.out_of if doing.kind in {MOVE, LEAVE} else None
    steps: list[Booking] = [row for row in (out_of, doing.into) if row is not None]
    return f"{', then '.join(place_in_profile(row) for row in steps)} · {count}".capitalize()


def window_of(doing: Doing) -> list[tuple[str, datetime, str]]:
    """Earliest, planned and latest time, each with its rule."""
    found = []
    if doing.earliest is not None and (doing.kind in {MOVE, LEAVE} or doing.why_earliest):
        found.append(("from", doing.earliest, doing.why_earliest))
    if doing.planned is not None:
        found.append(("planned", doing.planned, ""))
    if doing.latest is not None:
        found.append(("at the latest", doing.latest, doing.why_latest))
    return found


def countdown_of(doing: Doing, now: datetime) -> Countdown | None:
    """The next time of this load that matters."""
    if doing.is_ahead:
        return None
    if doing.kind in {MOVE, LEAVE}:
        if doing.earliest is not None and now < doing.earliest:
            return counted(doing.earliest, now, "least soak reached in", f"{REACHED}, since")
        if doing.latest is not None:
            return counted(doing.latest, now, "longest soak ends in", "longer than the longest soak by")
        if doing.earliest is not None:
            return counted(doing.earliest, now, "least soak reached in", f"{REACHED}, since")
    if doing.kind == ENTER and doing.latest is not None:
        return counted(doing.latest, now, "at the door; has to be in within", "too long at the door by")
    if doing.kind == INSPECT and doing.latest is not None:
        behind = (
            "forgotten: the next round began, since" if doing.is_forgotten else "the next round is behind its plan by"
        )
        return counted(doing.latest, now, "next round planned in", behind)
    if doing.kind in {START, ENTER} and doing.planned is not None:
        return counted(doing.planned, now, "planned in", f"{BEHIND} by")
    return None


def counted(at: datetime, now: datetime, ahead: str, behind: str) -> Countdown:
    if at > now:
        words = f"{ahead} {duration_text(minutes_between(now, at + timedelta(seconds=59)))}"
        return Countdown(at, ahead, behind, words)
    is_late = not behind.startswith(REACHED) and (not behind.startswith(BEHIND) or now > at + PLAN_GRACE)
    return Countdown(at, ahead, behind, f"{behind} {duration_text(minutes_between(at, now))}", is_late)


def others_of(doing: Doing, chambers: Sequence[ChamberNow]) -> list[ChamberNow]:
    """Other chambers of the same kind that are in use, have room and have not failed."""
    if doing.into is None:
        return []
    kind, planned = doing.into.chamber.kind, doing.into.chamber_id
    today = timezone.localdate()
    return [
        row
        for row in chambers
        if row.chamber.kind == kind
        and row.chamber.pk != planned
        and row.failure is None
        and (row.chamber.retired_on is None or row.chamber.retired_on > today)
        and row.taken + doing.coupons <= row.chamber.capacity_coupons
    ]
