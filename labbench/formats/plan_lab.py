"""LAB.json: a lab to plan for, with its hours, chambers, profile and loads, or every fault in it.

Keys are those of the headless command `plan`: `start`, `staffed`, `chambers`, `closures`, `profile`, `loads`; a load may have
a `profile` of its own. What is not used is noted. A load too large for a chamber is no fault of the file: the plan says what is in the way.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from labbench.formats.faults import Fault, FaultList, UnreadableFileError, lines_of, shown
from labbench.formats.json_documents import read_json
from labbench.formats.limits import DEFAULT, Limits
from labbench.formats.plan_values import Values
from labbench.formats.uploads import Readable, read_upload
from labbench.science.scheduling.lab import (
    CHAMBER_KINDS,
    STEP_KINDS,
    Chamber,
    Closure,
    Lab,
    Load,
    Profile,
    ProfileStep,
    StaffedWindow,
)

MOST_LOADS = 500
MOST_CHAMBERS = 100
MOST_WINDOWS = 200
MOST_CLOSURES = 1_000
MOST_STEPS = 50
MOST_ROUNDS = 1_000
MOST_SOAKS = 500
MOST_BOOKINGS = 20_000
MOST_COUPONS = 100_000
LONGEST_MINUTES = 60 * 24 * 60
LONGEST_PROFILE_MINUTES = 366 * 24 * 60
FARTHEST = timedelta(days=2 * 366)
# Nobody plans outside; a plan that runs into the year 10000 has no dates.
FIRST_YEAR, LAST_YEAR = 1970, 2200


@dataclass(frozen=True, slots=True)
class LabReading:
    """A lab, or None with every fault; notes say what was not used."""

    lab: Lab | None
    faults: tuple[Fault, ...]
    faults_left_out: int = 0
    notes: tuple[str, ...] = ()

    @property
    def fault_lines(self) -> list[str]:
        """One line per fault, and a last one that counts those left out."""
        return lines_of(self.faults, self.faults_left_out)


def read_lab(data: bytes | Readable, *, limits: Limits = DEFAULT) -> LabReading:
    """Read a lab file; never raises for what is in it."""
    faults = FaultList(limits.faults)
    values = Values(limits, faults, [])
    lab = None
    try:
        lab = _lab(values, read_json(read_upload(data, limits).data, "the lab file"))
    except UnreadableFileError as refused:
        faults.add(None, None, str(refused))
    return LabReading(None if faults.found else lab, faults.first(), faults.left_out, tuple(values.notes))


def _lab(values: Values, document: object) -> Lab | None:
    required, optional = ("start", "chambers", "profile", "loads"), ("staffed", "closures")
    lab = values.mapping("", document, required, optional)
    if lab is None:
        return None
    start = values.time("start", lab["start"]) if "start" in lab else None
    if start is not None and not FIRST_YEAR <= start.year <= LAST_YEAR:
        values.fault("start", f"{lab['start']} is not in the years {FIRST_YEAR} to {LAST_YEAR}")
        start = None
    staffed = None if lab.get("staffed") is None else _staffed(values, lab["staffed"])
    chambers = _chambers(values, lab["chambers"]) if "chambers" in lab else ()
    closures = _closures(values, lab.get("closures"), {chamber.name for chamber in chambers}, start)
    profile = _profile(values, "profile", lab["profile"]) if "profile" in lab else None
    loads = _loads(values, lab["loads"], start) if "loads" in lab else ()
    if profile is not None:
        bookings = sum(len((load.profile or profile).stages) for load in loads)
        if bookings > MOST_BOOKINGS:
            values.fault("loads", f"{len(loads)} loads have {bookings:,} soaks, more than {MOST_BOOKINGS:,} bookings")
    if start is None or profile is None:
        return None
    return Lab(start, staffed, chambers, closures, profile, loads)


def _staffed(values: Values, stated: object) -> tuple[StaffedWindow, ...]:
    windows = []
    for place, one in enumerate(values.entries("staffed", stated, MOST_WINDOWS)):
        path = f"staffed[{place}]"
        window = values.mapping(path, one, ("weekday", "from", "to"))
        if window is None:
            continue
        weekday = values.whole(f"{path}.weekday", window["weekday"], 0, 6) if "weekday" in window else None
        first = values.clock(f"{path}.from", window["from"]) if "from" in window else None
        last = values.clock(f"{path}.to", window["to"]) if "to" in window else None
        if first is not None and last is not None and first >= last:
            values.fault(path, f"{window['from']} is not before {window['to']}: a window lies within one day")
        elif weekday is not None and first is not None and last is not None:
            windows.append(StaffedWindow(weekday, first, last))
    return tuple(windows)


def _chambers(values: Values, stated: object) -> tuple[Chamber, ...]:
    chambers = []
    names = _Names(values, "chambers")
    listed = values.entries("chambers", stated, MOST_CHAMBERS)
    if stated == []:
        values.fault("chambers", "is empty")
    for place, one in enumerate(listed):
        path = f"chambers[{place}]"
        chamber = values.mapping(path, one, ("name", "kind", "capacity"))
        if chamber is None:
            continue
        name = names.read(path, chamber)
        kind = values.choice(f"{path}.kind", chamber["kind"], CHAMBER_KINDS) if "kind" in chamber else None
        capacity = None
        if "capacity" in chamber:
            capacity = values.whole(f"{path}.capacity", chamber["capacity"], 1, MOST_COUPONS, "coupons")
        if name is not None:
            # With a fault there is no lab; the name must be known all the same, or closures would seem wrong.
            chambers.append(Chamber(name, kind or CHAMBER_KINDS[0], capacity or 1))
    return tuple(chambers)


class _Names:
    """Names within one list: each once."""

    def __init__(self, values: Values, listed: str) -> None:
        self._values, self._listed, self._places = values, listed, dict[str, int]()

    def read(self, path: str, entry: dict[str, Any]) -> str | None:
        """The name of one entry, or None with a fault."""
        name = self._values.name(f"{path}.name", entry["name"]) if "name" in entry else None
        if name is not None and name in self._places:
            earlier = f"{self._listed}[{self._places[name]}]"
            self._values.fault(f"{path}.name", f'"{shown(name)}" is already the name of {earlier}')
        elif name is not None:
            self._places[name] = int(path[path.rindex("[") + 1 : -1])
        return name


def _closures(values: Values, stated: object, chambers: Iterable[str], start: datetime | None) -> tuple[Closure, ...]:
    if stated is None:
        return ()
    closures, known = [], set(chambers)
    for place, one in enumerate(values.entries("closures", stated, MOST_CLOSURES)):
        path = f"closures[{place}]"
        closure = values.mapping(path, one, ("chamber", "from", "to"))
        if closure is None:
            continue
        chamber = values.name(f"{path}.chamber", closure["chamber"]) if "chamber" in closure else None
        if chamber is not None and chamber not in known:
            values.fault(f"{path}.chamber", f'"{shown(chamber)}" is not the name of a chamber')
        first = _minutes(values, f"{path}.from", closure["from"], start) if "from" in closure else None
        last = _minutes(values, f"{path}.to", closure["to"], start) if "to" in closure else None
        if first is not None and last is not None and first >= last:
            values.fault(path, f"from {closure['from']} is not before to {closure['to']}")
        elif chamber is not None and first is not None and last is not None:
            closures.append(Closure(chamber, first, last))
    return tuple(closures)


def _minutes(values: Values, path: str, stated: object, start: datetime | None) -> int | None:
    """Minutes after the lab's start."""
    time = values.time(path, stated)
    if time is None or start is None:
        return None
    if abs(time - start) > FARTHEST:
        values.fault(path, f"{stated} is more than two years away from start")
        return None
    return int((time - start).total_seconds()) // 60


def _profile(values: Values, path: str, stated: object) -> Profile | None:
    profile = values.mapping(path, stated, ("rounds", "max_transfer_minutes", "steps"))
    if profile is None:
        return None
    rounds = transfer = None
    if "rounds" in profile:
        rounds = values.whole(f"{path}.rounds", profile["rounds"], 1, MOST_ROUNDS)
    if "max_transfer_minutes" in profile:
        key = "max_transfer_minutes"
        transfer = values.whole(f"{path}.{key}", profile[key], 0, LONGEST_MINUTES, "minutes")
    steps = _steps(values, f"{path}.steps", profile["steps"]) if "steps" in profile else ()
    if rounds is not None and len(steps) * rounds > MOST_SOAKS:
        values.fault(path, f"{len(steps)} steps x {rounds} rounds are more than {MOST_SOAKS} soaks")
    elif rounds is not None and rounds * sum(step.max_minutes for step in steps) > LONGEST_PROFILE_MINUTES:
        values.fault(path, "the longest soaks of all rounds together are more than a year")
    if rounds is None or transfer is None or values.faults.found:
        return None
    return Profile(rounds, transfer, steps)


def _steps(values: Values, listed: str, stated: object) -> tuple[ProfileStep, ...]:
    steps = []
    names = _Names(values, listed)
    if stated == []:
        values.fault(listed, "is empty")
    for place, one in enumerate(values.entries(listed, stated, MOST_STEPS)):
        path = f"{listed}[{place}]"
        step = values.mapping(path, one, ("name", "kind", "min_minutes", "max_minutes"))
        if step is None:
            continue
        name = names.read(path, step)
        kind = values.choice(f"{path}.kind", step["kind"], STEP_KINDS) if "kind" in step else None
        soak = [
            values.whole(f"{path}.{key}", step[key], 1, LONGEST_MINUTES, "minutes") if key in step else None
            for key in ("min_minutes", "max_minutes")
        ]
        least, most = soak
        if least is not None and most is not None and least > most:
            values.fault(path, f"min_minutes {least} is above max_minutes {most}")
        elif name is not None and kind is not None and least is not None and most is not None:
            steps.append(ProfileStep(name, kind, least, most))
    return tuple(steps)


def _loads(values: Values, stated: object, start: datetime | None) -> tuple[Load, ...]:
    loads = []
    names = _Names(values, "loads")
    if stated == []:
        values.fault("loads", "is empty: there is nothing to plan")
    for place, one in enumerate(values.entries("loads", stated, MOST_LOADS)):
        path = f"loads[{place}]"
        load = values.mapping(path, one, ("name", "coupons"), ("ready", "due", "profile"))
        if load is None:
            continue
        name = names.read(path, load)
        coupons = None
        if "coupons" in load:
            coupons = values.whole(f"{path}.coupons", load["coupons"], 1, MOST_COUPONS, "coupons")
        dates = [
            None if load.get(key) is None else _minutes(values, f"{path}.{key}", load[key], start)
            for key in ("ready", "due")
        ]
        profile = load.get("profile")
        own = None if profile is None else _profile(values, f"{path}.profile", profile)
        if name is not None and coupons is not None:
            loads.append(Load(name, coupons, dates[0], dates[1], profile=own))
    return tuple(loads)
