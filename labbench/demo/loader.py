"""Puts the scenario into an empty database: record by record, in the order in which it happened, through the bench's own services.

So every rule looks at every record, deviations are found by the rules that would find them at the bench, and every history carries the
scenario's times and people.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import Any

from django.db import transaction
from simple_history.utils import bulk_create_with_history

from labbench.bench.loads import finish_load, start_load
from labbench.bench.models import Booking, Inspection, Load
from labbench.bench.services import (
    book,
    correct,
    create_load,
    record_deviation,
    record_inspection,
    record_repair,
    record_strength,
    withdraw,
)
from labbench.bench.standing import settle
from labbench.bench.trace_files import stored_head, take_in
from labbench.bench.traces import confirm_columns, offered_columns, request_evaluation
from labbench.demo import logger_traces
from labbench.demo.clock import Clock, lab_time, scenario_clock
from labbench.lab.hours import add_holiday, set_weekday
from labbench.lab.lamp_lives import record_hours, record_replacement
from labbench.lab.models import (
    Calibration,
    Chamber,
    ChamberClosure,
    GlassStock,
    Lamp,
    LampSurvey,
    Person,
    Procedure,
    ProcedureVersion,
    ProfileStep,
    Radiometer,
    Resin,
    ResinLot,
    SurveyPoint,
    ThermalProfile,
)
from labbench.lab.records import keep
from labbench.lab.surveys import doubts
from labbench.studies.models import Coupon, Factor, Level, Study
from labbench.studies.planning import FactorLimits, save_plan
from labbench.studies.services import add_factor, add_level, save_study, set_level

STUDY_FILES = ("study-qualification.json", "study-dose.json", "study-small.json", "study-elimination.json")
# Loads to come, without a result that could be analysed.
PLANNED_FILES = ("study-winter.json",)
CATALOGUE_DAY = datetime(2026, 8, 24, 8, 0)
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happens at a time: `act` stores it."""

    at: datetime
    act: Callable[[], Any]


def load_demo(folder: Path, *, passphrases: dict[str, str] | None = None, progress: Progress | None = None) -> None:
    """Store the scenario; all of it or nothing. `passphrases`: by username; without one a person can't sign in."""
    lab = read(folder / "lab.json")
    documents = [read(folder / name) for name in (*STUDY_FILES, *PLANNED_FILES)]
    with transaction.atomic(), scenario_clock(lab_time(CATALOGUE_DAY.isoformat())) as clock:
        room = Room(lab, passphrases or {}, clock)
        events = sorted(
            (
                *(event for document in documents for event in StudyLoader(room, document).events()),
                Event(lab_time(logger_traces.UPLOADED_AT), partial(take_in_trace, folder, room)),
            ),
            key=lambda e: e.at,
        )
        for number, event in enumerate(events, start=1):
            clock.at = event.at
            event.act()
            if progress is not None:
                progress(number, len(events))


def take_in_trace(folder: Path, room: Room) -> None:
    """The logger's file of one load, its columns as they are offered; it is evaluated through the queue."""
    load = Load.objects.get(study__code=logger_traces.STUDY, name=logger_traces.LOAD)
    by = room.by[logger_traces.UPLOADED_BY]
    data = (folder / logger_traces.FILE).read_bytes()
    [trace] = take_in(loads=[load], pieces=[data], filename="recorder-r3.csv", by=by)
    mapping, _ = offered_columns(trace, stored_head(trace))
    trace = confirm_columns(trace=trace, mapping=mapping, clock_behind_minutes=0.0, by=by)
    request_evaluation(trace=trace, by=by)


def read(path: Path) -> dict[str, Any]:
    return json.loads(path.read_text(encoding="utf-8"))  # type: ignore[no-any-return]


class Room:
    """The catalogue, stored, with its records by natural key."""

    def __init__(self, lab: dict[str, Any], passphrases: dict[str, str], clock: Clock) -> None:
        self.by: dict[str, Person] = {}
        for row in lab["people"]:
            person = Person(username=row["username"], first_name=row["name"], role=row["role"])
            if row["username"] in passphrases:
                person.set_password(passphrases[row["username"]])
            else:
                person.set_unusable_password()
            person.full_clean()
            person.save()
            self.by[person.username] = person
        self.lead = self.by["lead"]
        self.resins = {r["name"]: self.keep(Resin(**r)) for r in lab["resins"]}
        self.lots = {
            (r["resin"], r["code"]): self.keep(ResinLot(**dated(r) | {"resin": self.resins[r["resin"]]}))
            for r in lab["resin_lots"]
        }
        self.lamps = {r["code"]: self.keep(Lamp(**dated(r))) for r in lab["lamps"]}
        self.meters = {r["code"]: self.keep(Radiometer(**r)) for r in lab["radiometers"]}
        for r in lab["calibrations"]:
            self.keep(Calibration(**dated(r) | {"radiometer": self.meters[r["radiometer"]]}))
        self.glass = {r["code"]: self.keep(GlassStock(**dated(r))) for r in lab["glass"]}
        self.procedures = {r["code"]: self.keep(Procedure(**r)) for r in lab["procedures"]}
        self.versions = {
            (r["procedure"], r["number"]): self.keep(
                ProcedureVersion(
                    **dated(r)
                    | {"procedure": self.procedures[r["procedure"]], "approved_by": self.by[r["approved_by"]]}
                )
            )
            for r in lab["procedure_versions"]
        }
        self.profiles = {(r["name"], r["version"]): self.keep(ThermalProfile(**r)) for r in lab["profiles"]}
        newest = {name: profile for (name, _), profile in self.profiles.items()}
        self.steps = {
            (r["profile"], r["number"]): self.keep(ProfileStep(**r | {"profile": newest[r["profile"]]}))
            for r in lab["profile_steps"]
        }
        self.chambers = {r["code"]: self.keep(Chamber(**dated(r))) for r in lab["chambers"]}
        for r in lab["closures"]:
            times = {name: lab_time(r[name]) for name in ("starts_at", "ends_at")}
            self.keep(ChamberClosure(**r | times | {"chamber": self.chambers[r["chamber"]]}))
        self.add_staffed_hours(lab)
        self.add_surveys(lab["surveys"], clock)
        self.add_hours(lab["renewals"], lab["hours"], clock)

    def keep(self, row: Any) -> Any:
        return keep(row, by=self.lead)

    def add_staffed_hours(self, lab: dict[str, Any]) -> None:
        for row in lab["staffed"]:
            hours = [row[name].split(":") for name in ("from", "to")]
            start, end = (60 * int(hour) + int(minute) for hour, minute in hours)
            set_weekday(weekday=row["weekday"], windows=[(start, end)], by=self.lead)
        for row in lab["holidays"]:
            days = {name: date.fromisoformat(row[name]) for name in ("first_on", "last_on")}
            add_holiday(**days, name=row["name"], by=self.lead)

    def add_surveys(self, rows: list[dict[str, Any]], clock: Clock) -> None:
        """Readings are many: their histories are written in bulk."""
        started = clock.at
        for row in sorted(rows, key=lambda r: r["surveyed_at"]):
            clock.at, by = lab_time(row["surveyed_at"]), self.by[row["surveyed_by"]]
            survey = LampSurvey(
                lamp=self.lamps[row["lamp"]],
                radiometer=self.meters[row["radiometer"]],
                surveyed_at=clock.at,
                surveyed_by=by,
                distance_mm=row["distance_mm"],
                is_cover_on=row["is_cover_on"],
                lamp_hours_h=row["lamp_hours_h"],
                **{name: row[name] for name in ("area_shape", "area_width_mm", "area_height_mm", "layout")},
            )
            survey.cautions = doubts(survey, row["points_x_y_irradiance"], at=clock.at)
            keep(survey, by=by)
            seen: dict[tuple[float, float], int] = {}
            points = []
            for x, y, value in row["points_x_y_irradiance"]:
                seen[x, y] = seen.get((x, y), 0) + 1
                points.append(SurveyPoint(survey=survey, x_mm=x, y_mm=y, reading=seen[x, y], irradiance_mw_cm2=value))
            for point in points:
                point.clean_fields(exclude=["survey"])
            bulk_create_with_history(points, SurveyPoint, default_user=by, default_date=clock.at)
        clock.at = started

    def add_hours(self, renewals: list[dict[str, Any]], readings: list[dict[str, Any]], clock: Clock) -> None:
        """What the counters of the lamps showed, and the parts that were renewed."""
        started = clock.at
        for row in renewals:
            clock.at = lab_time(row["replaced_at"])
            of = {"lamp": self.lamps[row["lamp"]], "by": self.by[row["replaced_by"]], "replaced_at": clock.at}
            details = {name: row[name] for name in ("part", "hours_before_h", "hours_after_h", "reason")}
            record_replacement(**of, **details)
        for row in readings:
            clock.at = lab_time(row["read_at"])
            lamp, by = self.lamps[row["lamp"]], self.by[row["read_by"]]
            record_hours(lamp=lamp, by=by, read_at=clock.at, hours_h=row["hours_h"])
        clock.at = started

    def record_of(self, source: str, key: Any) -> Any:
        """The catalogue record that a factor's level is bound to."""
        shelf: dict[str, Any] = {"resin_lot": self.lots, "lamp": self.lamps, "technician": self.by, "glass": self.glass}
        return shelf[source][tuple(key) if isinstance(key, list) else key]


class StudyLoader:
    """The events of one study."""

    def __init__(self, room: Room, document: dict[str, Any]) -> None:
        self.room = room
        self.document = document
        self.coupons: dict[str, Coupon] = {}
        self.loads: dict[str, Load] = {}
        self.bookings: dict[tuple[str, int, int], Booking] = {}
        self.study = Study()

    def events(self) -> Iterator[Event]:
        written = self.document
        study = written["study"]
        yield Event(lab_time(study["created_at"]), self.put_up)
        yield Event(lab_time(study["started_at"]), partial(self.set_state, Study.State.RUNNING))
        if study["closed_at"]:
            yield Event(lab_time(study["closed_at"]), partial(self.set_state, Study.State.CLOSED))
        for at in sorted({row["prepared_at"] for row in written["coupons"]}):
            yield Event(lab_time(at), partial(self.prepare, at))
        for kind, time, act in (
            ("loads", "created_at", self.add_load),
            ("repairs", "repaired_at", self.repair),
            ("strength_tests", "tested_at", self.break_it),
            ("withdrawals", "at", self.withdraw),
            ("deviations", "happened_at", self.deviate),
            ("corrections", "at", self.correct),
            ("moves", "started_at", self.move_in),
            ("moves", "ended_at", self.move_out),
        ):
            for row in written[kind]:
                yield Event(lab_time(row[time]), partial(act, row))
        yield from self.looks()

    def looks(self) -> Iterator[Event]:
        """Looks with something to see, or at one's own repair, one by one; the others of a day and round together, for speed."""
        repairers = {row["coupon"]: row["technician"] for row in self.document["repairs"]}
        plain: dict[tuple[str, int], list[dict[str, Any]]] = {}
        for row in self.document["inspections"]:
            if row["outcome"] == Inspection.Outcome.INTACT and row["inspector"] != repairers.get(row["coupon"]):
                plain.setdefault((row["seen_at"][:10], row["round_number"]), []).append(row)
            else:
                yield Event(lab_time(row["seen_at"]), partial(self.inspect, row))
        for rows in plain.values():
            yield Event(lab_time(min(row["seen_at"] for row in rows)), partial(self.inspect_together, rows))

    def store(self, rows: Sequence[Any], *, by: Person, at: datetime) -> None:
        """Many rows with their histories; what only a form would check is checked here, the database does the rest."""
        for row in rows:
            row.clean()
            row.clean_fields()
        bulk_create_with_history(rows, type(rows[0]), default_user=by, default_date=at)

    def put_up(self) -> None:
        row, room = self.document["study"], self.room
        named = {
            name: row[name]
            for name in ("code", "title", "question", "rounds_planned", "confidence", "margin", "is_blind")
        }
        self.study = save_study(
            study=Study(
                **named,
                state=Study.State.PLANNED,
                lead=room.by[row["lead"]],
                profile=room.profiles[tuple(row["profile"])],
                procedure_version=room.versions[tuple(row["procedure_version"])],
            ),
            by=room.lead,
        )
        self.levels: dict[tuple[str, str], tuple[Factor, Level]] = {}
        for written in self.document["factors"]:
            factor = add_factor(study=self.study, name=written["name"], source=written["source"], by=room.lead)
            for value in written["levels"]:
                level = add_level(
                    factor=factor,
                    by=room.lead,
                    is_baseline=value == written["baseline"],
                    **self.level_details(factor, value),
                )
                self.levels[factor.name, json.dumps(value)] = (factor, level)
        if self.document["plan"]:
            self.plan(self.document["plan"])

    def plan(self, written: dict[str, Any]) -> None:
        """What a plan has to keep to."""
        by_name = {factor.name: factor for factor, _ in self.levels.values()}
        limits = {}
        for row in written["factors"]:
            factor = by_name[row["name"]]
            limits[factor] = FactorLimits(
                is_hard_to_change=row.get("is_hard_to_change", False),
                levels_per_session=row.get("levels_per_session"),
                baseline=factor.levels.filter(is_baseline=True).first(),
                reference=self.levels[factor.name, json.dumps(row["reference"])][1],
            )
        stock = {self.levels[row["name"], json.dumps(row["level"])][1]: row["coupons"] for row in written["stock"]}
        save_plan(
            study=self.study, settings=written["settings"], factors=limits, stock=stock, by=self.room.lead, reason=""
        )

    def level_details(self, factor: Factor, value: Any) -> dict[str, Any]:
        if factor.source == Factor.Source.NUMBER:
            return {"number": value}
        if factor.source == Factor.Source.TEXT:
            return {"name": value}
        return {"record": self.room.record_of(factor.source, value)}

    def set_state(self, state: str) -> None:
        self.study.state = state
        save_study(study=self.study, by=self.room.lead)

    def prepare(self, at: str) -> None:
        """Coupons of one morning, with their breaks, and the arms they were allocated."""
        rows = [row for row in self.document["coupons"] if row["prepared_at"] == at]
        arms: dict[tuple[str, str], list[Coupon]] = {}
        coupons = [
            Coupon(
                study=self.study,
                code=row["code"],
                role=row["role"],
                glass=self.room.glass[row["glass"]],
                break_type=row.get("break_type", ""),
                **{name: row.get(name) for name in ("size_mm", "legs", "edge_distance_mm")},
            )
            for row in rows
        ]
        self.store(coupons, by=self.room.lead, at=lab_time(at))
        for row, coupon in zip(rows, coupons, strict=True):
            self.coupons[row["code"]] = coupon
            for name, value in row["levels"].items():
                arms.setdefault((name, json.dumps(value)), []).append(coupon)
        for key, members in arms.items():
            factor, level = self.levels[key]
            set_level(coupons=members, factor=factor, level=level, by=self.room.lead)

    def add_load(self, row: dict[str, Any]) -> None:
        profile = self.study.profile
        assert profile is not None
        load = create_load(
            study=self.study,
            name=row["name"],
            by=self.room.lead,
            coupons=[self.coupons[code] for code in row["coupons"]],
            profile=profile,
            ready_at=lab_time(row["ready_at"]),
            due_at=lab_time(row["due_at"]) if row.get("due_at") else None,
            priority=row.get("priority", 1),
        )
        self.loads[load.name] = load
        for planned in row["bookings"]:
            self.bookings[load.name, planned["round"], planned["step"]] = book(
                load=load,
                chamber=self.room.chambers[planned["chamber"]],
                step=self.room.steps[profile.name, planned["step"]] if planned["step"] else None,
                round_number=planned["round"],
                planned_start=lab_time(planned["planned_start"]),
                planned_end=lab_time(planned["planned_end"]),
                by=self.room.lead,
            )

    def move_in(self, row: dict[str, Any]) -> None:
        load, booking = self.loads[row["load"]], self.bookings[row["load"], row["round"], row["step"]]
        booking.started_at, booking.started_by = lab_time(row["started_at"]), self.room.by[row["by"]]
        keep(booking, by=booking.started_by)
        if load.state == Load.State.PLANNED:
            self.loads[load.name] = start_load(load=load, by=booking.started_by)

    def move_out(self, row: dict[str, Any]) -> None:
        load, booking = self.loads[row["load"]], self.bookings[row["load"], row["round"], row["step"]]
        booking.ended_at, booking.ended_by = lab_time(row["ended_at"]), self.room.by[row["by"]]
        keep(booking, by=booking.ended_by)
        if (row["round"], row["step"]) == max(
            (r["round"], r["step"]) for r in self.document["moves"] if r["load"] == row["load"]
        ):
            self.loads[load.name] = finish_load(load=load, by=booking.ended_by)

    def repair(self, row: dict[str, Any]) -> None:
        room, technician = self.room, self.room.by[row["technician"]]
        bound = {
            "technician": technician,
            "procedure_version": room.versions[tuple(row["procedure_version"])],
            "resin_lot": room.lots[tuple(row["resin_lot"])],
            "pit_resin_lot": room.lots[tuple(row["pit_resin_lot"])],
            "lamp": room.lamps[row["lamp"]],
            "radiometer": room.meters[row["radiometer"]],
        }
        plain = {name: value for name, value in row.items() if name not in {*bound, "coupon", "repaired_at"}}
        record_repair(
            coupon=self.coupons[row["coupon"]],
            by=technician,
            repaired_at=lab_time(row["repaired_at"]),
            **plain,
            **bound,
        )

    def inspect(self, row: dict[str, Any]) -> None:
        details = {name: value for name, value in row.items() if name not in {"coupon", "seen_at", "inspector"}}
        record_inspection(
            coupon=self.coupons[row["coupon"]],
            by=self.room.by[row["inspector"]],
            seen_at=lab_time(row["seen_at"]),
            **details,
        )

    def inspect_together(self, rows: list[dict[str, Any]]) -> None:
        for inspector in sorted({row["inspector"] for row in rows}):
            looks = [
                Inspection(
                    coupon=self.coupons[row["coupon"]],
                    seen_at=lab_time(row["seen_at"]),
                    round_number=row["round_number"],
                    outcome=row["outcome"],
                    inspector=self.room.by[inspector],
                )
                for row in rows
                if row["inspector"] == inspector
            ]
            self.store(looks, by=self.room.by[inspector], at=max(look.seen_at for look in looks))
        settle([self.coupons[row["coupon"]].pk for row in rows])

    def break_it(self, row: dict[str, Any]) -> None:
        details = {name: value for name, value in row.items() if name not in {"coupon", "tested_at", "tested_by"}}
        record_strength(
            coupon=self.coupons[row["coupon"]],
            by=self.room.by[row["tested_by"]],
            tested_at=lab_time(row["tested_at"]),
            **details,
        )

    def withdraw(self, row: dict[str, Any]) -> None:
        withdraw(
            coupon=self.coupons[row["coupon"]],
            by=self.room.by[row["by"]],
            on=date.fromisoformat(row["at"][:10]),
            reason=row["reason"],
        )

    def deviate(self, row: dict[str, Any]) -> None:
        record_deviation(
            study=self.study,
            by=self.room.by[row["by"]],
            kind=row["kind"],
            happened_at=lab_time(row["happened_at"]),
            description=row["description"],
            reason=row["reason"],
            load=self.loads.get(row["load"]),
            coupon=self.coupons.get(row["coupon"]),
        )

    def correct(self, row: dict[str, Any]) -> None:
        coupon = Coupon.objects.get(study=self.study, code=row["coupon"])
        correct(
            record=getattr(coupon, row["kind"]),
            by=self.room.by[row["by"]],
            reason=row["reason"],
            changes=row["changes"],
        )


def dated(row: dict[str, Any]) -> dict[str, Any]:
    """The row with its days read."""
    return {name: date.fromisoformat(value) if name.endswith("_on") and value else value for name, value in row.items()}
