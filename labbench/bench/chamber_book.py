"""The book of the chambers: chambers with their closures, loads with what they go by, every booking; read in a fixed number of queries."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db.models import Count, Prefetch, Q

from labbench.bench.models import Booking, Load
from labbench.lab.hours import Hours, hours
from labbench.lab.models import Chamber, ChamberClosure, ProfileStep, ThermalProfile
from labbench.lab.models.chambers import StepKind
from labbench.studies.models import Coupon, Study

# A hold has no kind of chamber of its own: it is planned on the bench that cools down.
KIND_OF_STEP = {
    StepKind.FREEZE: Chamber.Kind.FREEZE,
    StepKind.HEAT: Chamber.Kind.HEAT,
    StepKind.COOL: Chamber.Kind.COOL,
    StepKind.HOLD: Chamber.Kind.COOL,
}
TRAVELLING = Q(
    places__coupon__stage__in=[
        Coupon.Stage.PREPARED,
        Coupon.Stage.REPAIRED,
        Coupon.Stage.CYCLING,
        Coupon.Stage.SURVIVED,
    ]
)
Stage = tuple[int, ProfileStep]


@dataclass(slots=True)
class Way:
    """A load, the profile it goes by, and its bookings in order of time."""

    load: Load
    coupons: int
    profile: ThermalProfile | None
    steps: tuple[ProfileStep, ...]
    rounds: int
    bookings: list[Booking] = field(default_factory=list)

    @property
    def label(self) -> str:
        """The load with its study: names of loads are unique within one study only."""
        return f"{self.load.study.code} {self.load.name}"

    @property
    def is_open(self) -> bool:
        return self.load.state != Load.State.DONE and self.load.study.state != Study.State.CLOSED

    @property
    def stages(self) -> list[Stage]:
        """Every soak of the load in order: round and step."""
        return [(number, step) for number in range(1, self.rounds + 1) for step in self.steps]

    @property
    def run_minutes(self) -> int:
        """How long a programmable chamber takes for all rounds."""
        return self.rounds * sum(step.min_minutes for step in self.steps)

    @property
    def max_transfer_minutes(self) -> int:
        return self.profile.max_transfer_minutes if self.profile else 0


@dataclass(slots=True)
class ChamberBook:
    """Everything about the chambers at one moment."""

    now: datetime
    chambers: dict[int, Chamber]
    closures: dict[int, list[ChamberClosure]]
    ways: dict[int, Way]
    hours: Hours

    def bookings(self) -> Iterable[tuple[Way, Booking]]:
        """Every booking with its load's way."""
        for way in self.ways.values():
            for booking in way.bookings:
                yield way, booking

    def way_of(self, booking: Booking) -> Way:
        return self.ways[booking.load_id]


def real_span(booking: Booking, now: datetime) -> tuple[datetime, datetime]:
    """From when to when a booking takes its places: as it was where it has begun, as planned where it has not."""
    if booking.started_at is None:
        return booking.planned_start, booking.planned_end
    if booking.ended_at is not None:
        return booking.started_at, booking.ended_at
    return booking.started_at, max(booking.planned_end, now)


def overlapping(start: datetime, end: datetime) -> Q:
    """Bookings that take places between two points in time, as planned or as they were."""
    planned = Q(planned_start__lt=end, planned_end__gt=start)
    was = Q(started_at__lt=end) & (Q(ended_at__gt=start) | Q(ended_at=None))
    return planned | (Q(started_at__isnull=False) & was)


def chamber_book(*, now: datetime, window: tuple[datetime, datetime] | None = None) -> ChamberBook:
    """The book as it stands: all loads that still travel with all their bookings, and whatever else lies in the window."""
    closures = ChamberClosure.objects.order_by("starts_at")
    chambers = list(Chamber.objects.prefetch_related(Prefetch("closures", queryset=closures)).order_by("kind", "code"))
    open_loads = Q(state__in=[Load.State.PLANNED, Load.State.RUNNING]) & ~Q(study__state=Study.State.CLOSED)
    loads = Load.objects.filter(open_loads)
    if window is not None:
        shown = Booking.objects.filter(overlapping(*window)).order_by().values("load")
        loads = Load.objects.filter(open_loads | Q(pk__in=shown))
    ways = {way.load.pk: way for way in map(way_of, with_coupons(loads))}
    by_pk = {chamber.pk: chamber for chamber in chambers}
    for booking in Booking.objects.filter(load__in=ways).select_related("step").order_by("planned_start", "pk"):
        way = ways[booking.load_id]
        booking.load, booking.chamber = way.load, by_pk[booking.chamber_id]
        way.bookings.append(booking)
    return ChamberBook(
        now,
        by_pk,
        {chamber.pk: list(chamber.closures.all()) for chamber in chambers},
        ways,
        hours(),
    )


def with_coupons(loads: Any) -> list[Load]:
    """Loads with their coupons counted, and their profiles at hand."""
    steps = Prefetch("steps", queryset=ProfileStep.objects.order_by("number"))
    profiles = Prefetch("profile", queryset=ThermalProfile.objects.prefetch_related(steps))
    of_studies = Prefetch("study__profile", queryset=ThermalProfile.objects.prefetch_related(steps))
    return list(
        loads.select_related("study")
        .prefetch_related(profiles, of_studies)
        .annotate(placed=Count("places"), travelling=Count("places", filter=TRAVELLING))
        .order_by("study__code", "name")
    )


def way_of(load: Any) -> Way:
    """The way of a load that `with_coupons` has read. The study says how many rounds, as it does for inspections."""
    profile = load.profile or load.study.profile
    coupons = load.placed if load.state == Load.State.DONE else load.travelling
    return Way(load, coupons, profile, tuple(profile.steps.all()) if profile else (), load.study.rounds_planned)
