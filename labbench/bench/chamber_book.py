"""The book of the chambers: chambers with their closures, loads with what they go by, every booking; read in a fixed number of queries."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Count, Exists, OuterRef, Prefetch, Q

from labbench.bench.models import Booking, ChamberFailure, Load
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
# A chamber that was not seen to work again is planned around for so long, or until somebody says that it does.
CLOSED_WHILE_UNKNOWN = timedelta(days=14)
# As a load goes through them.
ORDER_OF_KINDS: list[str] = [Chamber.Kind.FREEZE, Chamber.Kind.HEAT, Chamber.Kind.COOL, Chamber.Kind.CYCLER]
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
    # The load with its study: names of loads are unique within one study only.
    label: str = field(init=False)

    def __post_init__(self) -> None:
        self.label = f"{self.load.study.code} {self.load.name}"

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

    def by_chamber(self) -> dict[int, list[tuple[Way, Booking]]]:
        """Every booking with its load's way, by the number of its chamber."""
        found: dict[int, list[tuple[Way, Booking]]] = {pk: [] for pk in self.chambers}
        for way in self.ways.values():
            for booking in way.bookings:
                found[booking.chamber_id].append((way, booking))
        return found


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
    """The book as it stands: all loads that still travel with all their bookings, and whatever else lies in the window.

    A chamber that has failed and was not seen to work again is closed for two weeks from now, however long ago that was.
    """
    failing = ChamberFailure.objects.filter(closure=OuterRef("pk"), ended_at=None)
    closures = ChamberClosure.objects.annotate(is_failing=Exists(failing)).order_by("starts_at")
    chambers = sorted(
        Chamber.objects.prefetch_related(Prefetch("closures", queryset=closures)),
        key=lambda chamber: (ORDER_OF_KINDS.index(chamber.kind), chamber.code),
    )
    open_loads = Q(state__in=[Load.State.PLANNED, Load.State.RUNNING]) & ~Q(study__state=Study.State.CLOSED)
    loads = Load.objects.filter(open_loads)
    if window is not None:
        shown = Booking.objects.filter(overlapping(*window)).order_by().values("load")
        loads = Load.objects.filter(open_loads | Q(pk__in=shown))
    ways = {way.load.pk: way for way in map(way_of, with_coupons(loads))}
    by_pk = {chamber.pk: chamber for chamber in chambers}
    steps = {step.pk: step for way in ways.values() for step in way.steps}
    bookings = list(Booking.objects.filter(load__in=ways).order_by("planned_start", "pk"))
    # Bookings of an earlier profile than the one their load goes by now.
    steps |= ProfileStep.objects.in_bulk({one.step_id for one in bookings if one.step_id} - steps.keys())
    for booking in bookings:
        way = ways[booking.load_id]
        booking.load, booking.chamber = way.load, by_pk[booking.chamber_id]
        booking.step = steps[booking.step_id] if booking.step_id else None
        way.bookings.append(booking)
    closed = {chamber.pk: list(chamber.closures.all()) for chamber in chambers}
    for closure in (one for rows in closed.values() for one in rows if one.is_failing):  # type: ignore[attr-defined]
        # The same end all day long, so that a plan made in the morning can be accepted at noon.
        until = (now + CLOSED_WHILE_UNKNOWN).replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
        closure.ends_at = max(closure.ends_at, until)
    return ChamberBook(
        now,
        by_pk,
        closed,
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
