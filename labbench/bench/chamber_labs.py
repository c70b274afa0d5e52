"""The book of the chambers as the lab that the science core plans for: real minutes after the plan's start, whatever the clocks do.

Loads under way stay as they are: only the soak they are in (or came out of last) is handed over, firm, and what follows it is
planned. A load that is not to be planned again is handed over with all its bookings firm.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from django.utils import timezone

from labbench.bench.chamber_book import KIND_OF_STEP, ChamberBook, Way, real_span
from labbench.bench.models import Booking, Load
from labbench.bench.refusals import is_far_ahead
from labbench.formats.date_texts import day_text, moment_text
from labbench.formats.number_texts import number_text
from labbench.lab.models import Chamber, ProfileStep
from labbench.science.scheduling import lab as science

# A step without a longest soak is planned at most this much longer than its least.
OPEN_SOAK_MINUTES = 2 * science.DAY_MINUTES
# However far ahead a plan ends, the calendar is known no further.
MOST_HORIZON_DAYS = 1_000
MINUTE = timedelta(minutes=1)
Place = tuple[str, int | None, str | None]


@dataclass(slots=True)
class PlannedLab:
    """A lab to plan for, with the way back from its names to the stored rows.

    Attributes
    ----------
    lab : Lab or None
        None where no load is left to plan.
    start : datetime
        Minute 0.
    ways : dict
        Loads that are planned, by their name in the lab.
    chambers : dict
        Keys of the chambers, by their code in the lab.
    soaks : dict
        What each place (load, round, step) of the lab stands for: round and step of the profile.
    previous : frozenset of Booking
        The present bookings of the planned loads that have not begun, and the one each load is in.
    left_out : list of str
        Loads that can't be planned, and why.
    notes : list of str
        Warnings: calibrations overdue, chambers that don't reach a set-point.
    """

    start: datetime
    lab: science.Lab | None = None
    ways: dict[str, Way] = field(default_factory=dict)
    chambers: dict[str, int] = field(default_factory=dict)
    soaks: dict[Place, tuple[int | None, ProfileStep | None]] = field(default_factory=dict)
    previous: frozenset[science.Booking] = frozenset()
    left_out: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def minutes(self, at: datetime) -> int:
        """Whole minutes after the start, cut off."""
        return (at - self.start) // MINUTE

    def minutes_up(self, at: datetime) -> int:
        """Whole minutes after the start, a begun one counted."""
        return -((self.start - at) // MINUTE)

    def time(self, minutes: int) -> datetime:
        return self.start + timedelta(minutes=minutes)


def whole_minute(now: datetime) -> datetime:
    """The next whole minute."""
    floor = now.astimezone(UTC).replace(second=0, microsecond=0)
    return floor if floor == now else floor + MINUTE


def planned_lab(
    book: ChamberBook, *, start: datetime, loads: Collection[int] | None = None, horizon_days: int = 28
) -> PlannedLab:
    """The lab of the book; with `loads` only these are planned and all others stay as they are booked.

    Holidays, extra hours, changes of the clocks, closures and retirements are known for `horizon_days`; a plan that ends later
    is to be made again with more of them.
    """
    made = PlannedLab(start, chambers={chamber.code: pk for pk, chamber in book.chambers.items()})
    chosen = [way for way in book.ways.values() if _is_chosen(book, way, loads, made)]
    kinds = _kinds(book, chosen, made)
    entries: list[science.Load] = []
    firm: list[science.FirmBooking] = []
    previous: list[science.Booking] = []
    chosen_pks = {way.load.pk for way in chosen}
    for way in book.ways.values():
        is_planned = way.load.pk in chosen_pks
        entry = _planned(made, book, way, kinds, firm, previous) if is_planned else _fixed(made, book, way, firm)
        if entry is not None:
            entries.append(entry)
            if entry.name == way.label:
                made.ways[entry.name] = way
    if not made.ways:
        return made
    if book.hours.is_always:
        made.notes.append("No staffed hours are recorded: moves are planned at any time of day and night.")
    made.previous = frozenset(previous)
    used = {booking.chamber for booking in firm}
    made.lab = science.Lab(
        **_hours(made, book, horizon_days),
        chambers=tuple(
            science.Chamber(chamber.code, kinds.of_chamber.get(chamber.pk, "not used"), chamber.capacity_coupons)
            for chamber in book.chambers.values()
            if chamber.pk in kinds.of_chamber or chamber.code in used
        ),
        closures=tuple(_closures(made, book, kinds, used, horizon_days * science.DAY_MINUTES)),
        # Every load brings its own; this one belongs to none.
        profile=next(entry.profile for entry in entries if entry.profile is not None),
        loads=tuple(entries),
        firm=tuple(firm),
    )
    return made


def _is_chosen(book: ChamberBook, way: Way, loads: Collection[int] | None, made: PlannedLab) -> bool:
    if loads is not None and way.load.pk not in loads:
        return False
    if not way.is_open:
        return False
    why = ""
    if not way.steps:
        why = "neither it nor its study has a profile"
    elif not way.coupons:
        why = "no coupon of it travels" if way.load.state == Load.State.RUNNING else "it has no coupon yet"
    elif is_far_ahead(way.load.ready_at, book.now) and not any(one.started_at for one in way.bookings):
        why = f"it is ready only from {moment_text(timezone.localtime(way.load.ready_at))}, and chambers are planned for two years at most"
    elif _is_out_of_order(way):
        why = "its moves do not follow the steps of its profile"
    if why:
        made.left_out.append(f"{way.label}: {why}.")
    return not why


def _is_out_of_order(way: Way) -> bool:
    """Whether what has begun is not the first soaks of the profile, in order."""
    begun = [booking for booking in way.bookings if booking.started_at is not None]
    if any(booking.step_id is None for booking in begun):
        return len({booking.step_id for booking in begun}) > 1
    done = list(dict.fromkeys((booking.round_number, booking.step_id) for booking in _by_start(begun)))
    return done != [(number, step.pk) for number, step in way.stages][: len(done)]


def _by_start(bookings: Iterable[Booking]) -> list[Booking]:
    return sorted(bookings, key=lambda booking: (booking.started_at or booking.planned_start, booking.part))


# --- Chambers ---------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Kinds:
    """The kind that each chamber and each step has in the lab: steps of one kind that no chamber serves alike are told apart."""

    of_chamber: dict[int, str] = field(default_factory=dict)
    of_step: dict[int, str] = field(default_factory=dict)


def reaches(chamber: Chamber, step: ProfileStep) -> bool:
    """Whether a chamber's air can be at a step's set-point; unknown limits and set-points count as reached."""
    air_c = step.air_set_point_c if step.air_set_point_c is not None else step.target_c
    if air_c is None:
        return True
    low, high = chamber.lowest_c, chamber.highest_c
    return (low is None or low <= air_c) and (high is None or air_c <= high)


def _kinds(book: ChamberBook, chosen: Iterable[Way], made: PlannedLab) -> Kinds:
    kinds = Kinds()
    today = timezone.localtime(book.now).date()
    in_service = [one for one in book.chambers.values() if one.retired_on is None or one.retired_on > today]
    steps = {step.pk: step for way in chosen for step in way.steps}
    for kind in dict.fromkeys(KIND_OF_STEP.values()):
        of_kind = [step for step in steps.values() if KIND_OF_STEP[step.kind] == kind]  # type: ignore[index]
        chambers = [one for one in in_service if one.kind == kind]
        _serve(kinds, str(kind), of_kind, chambers, made)
    for one in in_service:
        if one.kind == Chamber.Kind.CYCLER:
            missed = sorted({step.name for step in steps.values() if not reaches(one, step)})
            if missed:
                made.notes.append(f"{one.code} is not planned for: it does not reach the air of {', '.join(missed)}.")
            elif steps:
                kinds.of_chamber[one.pk] = science.CYCLER
    for pk in kinds.of_chamber:
        due = book.chambers[pk].calibration_due_on
        if due is not None and due < today:
            made.notes.append(
                f"{book.chambers[pk].code} is planned for, though its calibration was due on {day_text(due)}."
            )
    return kinds


def _serve(kinds: Kinds, kind: str, steps: list[ProfileStep], chambers: list[Chamber], made: PlannedLab) -> None:
    """Give steps and chambers of one kind their names, so that no step is planned into a chamber that does not reach it.

    The science core knows chambers by kind only. Steps whose chambers overlap share those that serve all of them.
    """
    groups: list[tuple[list[ProfileStep], set[int], set[int]]] = []
    for step in steps:
        serving = {one.pk for one in chambers if reaches(one, step)}
        merged: tuple[list[ProfileStep], set[int], set[int]] = ([step], set(serving), set(serving))
        apart = []
        for group in groups:
            if group[1] & merged[1]:
                merged = ([*group[0], *merged[0]], group[1] | merged[1], group[2] & merged[2])
            else:
                apart.append(group)
        groups = [*apart, merged]
    for number, (together, _, common) in enumerate(groups):
        name = kind if number == 0 else f"{kind} {number + 1}"
        for step in together:
            kinds.of_step[step.pk] = name
        for pk in common:
            kinds.of_chamber[pk] = name
    for one in chambers:
        missed = [step for step in steps if not reaches(one, step)]
        if one.pk not in kinds.of_chamber and missed:
            air = missed[0].air_set_point_c if missed[0].air_set_point_c is not None else missed[0].target_c
            made.notes.append(
                f"{one.code} is not planned for: its air does not reach the {number_text(air or 0.0)} °C of “{missed[0].name}”."
            )


def _closures(
    made: PlannedLab, book: ChamberBook, kinds: Kinds, used: set[str], horizon_minutes: int
) -> Iterable[science.Closure]:
    """What is closed before the horizon, until then: the science core lays out every minute until the last closure ends."""
    for chamber in book.chambers.values():
        if chamber.pk not in kinds.of_chamber and chamber.code not in used:
            continue
        for closure in book.closures[chamber.pk]:
            first, last = made.minutes(closure.starts_at), made.minutes_up(closure.ends_at)
            if last > 0 and first < horizon_minutes:
                yield science.Closure(chamber.code, first, min(last, horizon_minutes))
        if chamber.retired_on is not None:
            midnight = timezone.make_aware(datetime.combine(chamber.retired_on, datetime.min.time()))
            if midnight > made.start and (first := made.minutes(midnight)) < horizon_minutes:
                yield science.Closure(chamber.code, first, horizon_minutes)


# --- Loads ------------------------------------------------------------------------------------------------------------


def _planned(
    made: PlannedLab,
    book: ChamberBook,
    way: Way,
    kinds: Kinds,
    firm: list[science.FirmBooking],
    previous: list[science.Booking],
) -> science.Load | None:
    """A load that is planned; None where nothing of it is left to plan."""
    begun = _by_start(booking for booking in way.bookings if booking.started_at is not None)
    load, again = way.load, _again(way, begun)
    if begun and again is None and (begun[-1].step_id is None or _is_last(way, begun[-1])):
        # In its last chamber or through: nothing is planned, but its places are taken.
        return _fixed(made, book, way, firm)
    profile = _profile_left(made, way, kinds, begun, again)
    if begun and again is None:
        firm.append(_firm(made, book, way, begun))
    previous += _present(made, way, begun, again)
    return science.Load(
        way.label,
        way.coupons,
        None if load.ready_at is None or begun else made.minutes_up(load.ready_at),
        None if load.due_at is None else made.minutes(load.due_at),
        load.priority,
        profile,
    )


def _again(way: Way, begun: list[Booking]) -> Booking | None:
    """The booking in which a soak that was broken off goes on or is done again, as long as it has not begun."""
    if not begun:
        return None
    soak = begun[-1].round_number, begun[-1].step_id
    waiting = (one for one in way.bookings if one.started_at is None and (one.round_number, one.step_id) == soak)
    return next(waiting, None)


def _is_last(way: Way, booking: Booking) -> bool:
    number, step = way.stages[-1]
    return (booking.round_number, booking.step_id) == (number, step.pk) and booking.ended_at is not None


def _profile_left(
    made: PlannedLab, way: Way, kinds: Kinds, begun: list[Booking], again: Booking | None
) -> science.Profile:
    """The load's profile; of one under way the soaks from the last begun on, unrolled."""

    def science_step(step: ProfileStep, name: str) -> science.ProfileStep:
        most = step.max_minutes if step.max_minutes is not None else step.min_minutes + OPEN_SOAK_MINUTES
        least = max(step.min_minutes, 1)
        return science.ProfileStep(name, kinds.of_step[step.pk], least, max(most, least))

    transfer = way.max_transfer_minutes
    if not begun:
        for number, step in way.stages:
            made.soaks[way.label, number, _name(step)] = (number, step)
        made.soaks[way.label, None, None] = (None, None)
        return science.Profile(way.rounds, transfer, tuple(science_step(step, _name(step)) for step in way.steps))
    last = begun[-1].round_number, begun[-1].step_id
    place = [(number, step.pk) for number, step in way.stages].index(last)  # type: ignore[arg-type]
    left = []
    for number, step in way.stages[place:]:
        name = f"{_name(step)} of round {number}"
        made.soaks[way.label, 1, name] = (number, step)
        left.append(science_step(step, name))
    if again is not None and again.soaked_before_minutes:
        first, soaked = left[0], again.soaked_before_minutes
        least = max(first.min_minutes - soaked, 1)
        left[0] = replace(first, min_minutes=least, max_minutes=max(first.max_minutes - soaked, least))
    return science.Profile(1, transfer, tuple(left))


def _name(step: ProfileStep) -> str:
    return f"{step.number} {step.name}"


def _firm(made: PlannedLab, book: ChamberBook, way: Way, begun: list[Booking]) -> science.FirmBooking:
    last = begun[-1]
    assert last.started_at is not None
    # Read to the minute, as `soak_watch` does: else every move after it is planned a minute later than it is booked.
    start = made.minutes(last.started_at) - last.soaked_before_minutes
    end = None if last.ended_at is None else max(made.minutes_up(last.ended_at), start + 1)
    step = next(step for step in way.steps if step.pk == last.step_id)
    chamber = book.chambers[last.chamber_id].code
    return science.FirmBooking(way.label, 1, f"{_name(step)} of round {last.round_number}", chamber, start, end)


def _present(made: PlannedLab, way: Way, begun: list[Booking], again: Booking | None) -> Iterable[science.Booking]:
    """The present bookings as the plan before; of a load under way from the last begun on."""
    steps = {step.pk: step for step in way.steps}
    for booking in way.bookings:
        if booking.started_at is not None and (booking is not begun[-1] or again is not None):
            continue
        if booking.step_id is None:
            number, name = None, None
        elif booking.step_id not in steps:
            continue
        elif begun:
            number, name = 1, f"{_name(steps[booking.step_id])} of round {booking.round_number}"
        else:
            number, name = booking.round_number, _name(steps[booking.step_id])
        began = booking.started_at
        start = made.minutes_up(booking.planned_start) if began is None else made.minutes(began)
        if booking is (begun[-1] if begun else None):
            start -= booking.soaked_before_minutes
        end = made.minutes_up(booking.ended_at or booking.planned_end)
        if end > start:
            yield science.Booking(way.label, number, name, booking.chamber.code, start, end)


def _fixed(made: PlannedLab, book: ChamberBook, way: Way, firm: list[science.FirmBooking]) -> science.Load | None:
    """A load that stays as it is booked, from now on; None where it takes no place any more."""
    steps: list[science.ProfileStep] = []
    coupons = max(way.coupons, 1)
    for booking in _by_start(way.bookings):
        if way.load.state == Load.State.DONE and booking.started_at is None:
            continue
        start, end = real_span(booking, book.now)
        first, last = made.minutes(start), made.minutes_up(end)
        if booking.started_at is not None and booking.ended_at is None:
            last = max(last, 1)
        if last <= 0 or not way.is_open:
            continue
        if steps and first < firm[-1].end_minutes:  # type: ignore[operator]
            first = firm[-1].end_minutes or first
        if last <= first:
            continue
        name = f"stays {len(steps) + 1}"
        steps.append(science.ProfileStep(name, "not used", last - first, last - first))
        chamber = book.chambers[booking.chamber_id].code
        firm.append(science.FirmBooking(f"{way.label} (stays)", 1, name, chamber, first, last))
    if not steps:
        return None
    return science.Load(f"{way.label} (stays)", coupons, profile=science.Profile(1, 0, tuple(steps)))


# --- Hours ------------------------------------------------------------------------------------------------------------


def _hours(made: PlannedLab, book: ChamberBook, horizon_days: int) -> dict[str, Any]:
    """Start and staffed hours of the lab: weekly where every week is alike in real time, else span by span."""
    until = made.start + timedelta(days=horizon_days)
    after = timezone.localtime(until)
    # The weekly windows go on after the horizon by the clock as it stands then.
    wall = made.start.astimezone(timezone.get_fixed_timezone(after.utcoffset() or timedelta(0)))
    start = wall.replace(tzinfo=None)
    windows = (
        None
        if book.hours.is_always
        else tuple(science.StaffedWindow(one.weekday, one.from_minutes, one.to_minutes) for one in book.hours.windows)
    )
    days = [timezone.localtime(made.start + timedelta(days=day)).date() for day in range(-1, horizon_days + 1)]
    is_alike = timezone.localtime(made.start).utcoffset() == after.utcoffset() and not any(
        one.day in days for one in book.hours.extra
    )
    holidays = [one for one in book.hours.holidays if one.first_on <= days[-1] and one.last_on >= days[0]]
    if is_alike and not holidays:
        return {"start": start, "staffed": windows}
    spans = tuple(
        (made.minutes_up(first), made.minutes(last))
        for first, last in book.hours.spans(made.start, until)
        if made.minutes_up(first) <= made.minutes(last)
    )
    if windows is None:
        # Always staffed but for holidays: what lies between the spans is an absence.
        absences, edge = [], -1
        for first, last in spans:
            if first > edge + 1 and edge >= 0:
                absences.append(science.Absence(edge, first))
            elif first > 0 and edge < 0:
                absences.append(science.Absence(-1, first))
            edge = last
        return {"start": start, "staffed": None, "absences": tuple(absences)}
    return {"start": start, "staffed": windows, "staffed_spans": spans}
