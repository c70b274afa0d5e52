"""A study of the demo as it is written down: coupons, repairs, loads, looks, breaks, deviations, each with its time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from random import Random
from typing import Any

from labbench.demo.lab_records import COVER_SHARE, Record, at_the_break

# Without what is mistaken for something else on a label: no 0 O 1 I L S 5.
CODE_SIGNS = "ABCDEFGHJKMNPQRTUVWXYZ2346789"
ROUNDS = 3
MODES = ("ran from a leg", "ran from the rim of the break", "lifted at the pit, then ran", "ran along the resin front")


def stamp(at: datetime) -> str:
    """A time as the fixtures write it: the lab's own time, without zone, to the minute."""
    return at.isoformat(timespec="minutes")


def other(technician: str) -> str:
    """Who looks at a coupon: not who repaired it."""
    return "technician2" if technician == "technician" else "technician"


class StudyRecords:
    """Collects the records of one study in the order of the bench's work."""

    def __init__(self, rng: Random, study: Record) -> None:
        self.rng = rng
        self.study = study
        self.factors: list[Record] = []
        self.plan: Record | None = None
        self.coupons: list[Record] = []
        self.loads: list[Record] = []
        self.repairs: list[Record] = []
        self.moves: list[Record] = []
        self.inspections: list[Record] = []
        self.strength_tests: list[Record] = []
        self.withdrawals: list[Record] = []
        self.deviations: list[Record] = []
        self.corrections: list[Record] = []
        self._codes: set[str] = set()

    def document(self) -> Record:
        names = ("factors", "coupons", "loads", "repairs", "moves", "inspections", "strength_tests", "withdrawals",
                 "deviations", "corrections")  # fmt: skip
        return {"study": self.study, "plan": self.plan, **{name: getattr(self, name) for name in names}}

    def factor(self, name: str, source: str, levels: Sequence[Any], *, baseline: Any = None) -> None:
        self.factors.append({"name": name, "source": source, "levels": list(levels), "baseline": baseline})

    def code(self) -> str:
        """A coupon code that tells nothing about the coupon."""
        while True:
            made = "".join(self.rng.choice(CODE_SIGNS) for _ in range(4))
            if made not in self._codes:
                self._codes.add(made)
                return made

    def coupon(
        self, role: str, glass: str, prepared_at: datetime, *, levels: Record | None = None, break_type: str = ""
    ) -> Record:
        """A coupon with its break measured."""
        made: Record = {
            "code": self.code(),
            "role": role,
            "glass": glass,
            "prepared_at": stamp(prepared_at),
            "levels": levels or {},
        }
        if role != "pristine":
            made["break_type"] = break_type or self.rng.choice(["bullseye", "star"])
            made["size_mm"] = round(self.rng.gauss(19, 3), 1)
            made["legs"] = self.rng.randint(3, 6) if made["break_type"] == "star" else 0
            made["edge_distance_mm"] = float(self.rng.randint(11, 15) * 10)
        self.coupons.append(made)
        return made

    def repair(
        self,
        coupon: Record,
        at: datetime,
        *,
        technician: str,
        resin_lot: Sequence[str],
        lamp: str,
        cure_time_s: float,
        is_cover_on: bool = False,
        pit_lot: str = "P-117",
        meter: str = "RM-1",
    ) -> None:
        level = at_the_break(lamp) * (COVER_SHARE if is_cover_on else 1)
        self.repairs.append({
            "coupon": coupon["code"], "repaired_at": stamp(at), "technician": technician, "procedure_version": ["REP-01", 2],
            "resin_lot": list(resin_lot), "pit_resin_lot": ["P600", pit_lot], "lamp": lamp, "is_cover_on": is_cover_on,
            "distance_mm": 30.0, "cure_time_s": cure_time_s, "vacuum_minutes": 8.0, "pressure_minutes": 6.0,
            "glass_c": round(self.rng.gauss(20.5, 0.8), 1), "room_c": round(self.rng.gauss(21, 0.6), 1), "radiometer": meter,
            "irradiance_mw_cm2": round(level * self.rng.gauss(1, 0.02), 2),
        })  # fmt: skip

    def load(
        self,
        name: str,
        coupons: Sequence[Record],
        first_freeze: datetime,
        *,
        is_run: bool = True,
        chambers: tuple[str, str, str] = ("F-1", "O-1", "B-1"),
    ) -> None:
        """A load with its bookings: in the freezer overnight, then oven, bench, look; once a day for three days."""
        in_random_places = self.rng.sample(list(coupons), len(coupons))
        bookings = []
        for number in range(1, ROUNDS + 1):
            frozen = first_freeze + timedelta(days=number - 1)
            heated = frozen + timedelta(hours=16)
            cooled = heated + timedelta(hours=2, minutes=15)
            # The bench is where a load waits for its next freeze; after the last round it is cleared sooner.
            cleared = frozen + timedelta(days=1) if number < ROUNDS else cooled + timedelta(hours=3)
            steps = tuple(zip(chambers, (frozen, heated, cooled), (heated, cooled, cleared), strict=True))
            for step, (chamber, start, end) in enumerate(steps, start=1):
                bookings.append(
                    {
                        "round": number,
                        "step": step,
                        "chamber": chamber,
                        "planned_start": stamp(start),
                        "planned_end": stamp(end),
                    }
                )
        self.loads.append({
            "name": name, "created_at": stamp(first_freeze - timedelta(hours=6)), "ready_at": stamp(first_freeze - timedelta(minutes=30)),
            "coupons": [coupon["code"] for coupon in in_random_places], "bookings": bookings,
        })  # fmt: skip
        if is_run:
            self.run(name, bookings)

    def run(
        self, name: str, bookings: Sequence[Record], *, late_minutes: dict[tuple[int, int], int] | None = None
    ) -> None:
        """The moves as they were made: some minutes after the plan, a transfer of two to six minutes between chambers."""
        for booking in bookings:
            start = datetime.fromisoformat(booking["planned_start"]) + timedelta(minutes=self.rng.randint(2, 6))
            end = datetime.fromisoformat(booking["planned_end"]) + timedelta(minutes=self.rng.randint(-3, 1))
            who = self.rng.choice(["technician", "technician2"])
            self.moves.append({
                "load": name, "round": booking["round"], "step": booking["step"], "started_at": stamp(start),
                "ended_at": stamp(end), "by": who,
            })  # fmt: skip

    def delay(self, load: str, round_number: int, step: int, minutes: int) -> datetime:
        """A step of a load began late; gives when."""
        move = next(m for m in self.moves if (m["load"], m["round"], m["step"]) == (load, round_number, step))
        start = datetime.fromisoformat(move["started_at"]) + timedelta(minutes=minutes)
        move["started_at"] = stamp(start)
        return start

    def looks(
        self, coupon: Record, first_freeze: datetime, failed_round: int | None, *, inspector: str, place: int,
        last_round: int = ROUNDS,
    ) -> None:  # fmt: skip
        """The look before the first round and one after each, until the coupon cracks out."""
        self.look(coupon, first_freeze - timedelta(hours=1, minutes=30 - place), 0, "intact", inspector)
        grows_from = failed_round if failed_round is None else max(1, failed_round - self.rng.choice([0, 1, 1]))
        for number in range(1, last_round + 1):
            at = first_freeze + timedelta(days=number - 1, hours=19, minutes=20 + 2 * place)
            if number == failed_round:
                self.look(coupon, at, number, "cracked_out", inspector, failure_mode=self.rng.choice(MODES))
                return
            if failed_round is not None and grows_from is not None and number >= grows_from:
                self.look(
                    coupon, at, number, "crack_growth", inspector, crack_growth_mm=round(self.rng.uniform(2, 9), 1)
                )
            elif self.rng.random() < 0.04:
                self.look(coupon, at, number, self.rng.choice(["void", "discolouration", "pit_loss"]), inspector)
            else:
                self.look(coupon, at, number, "intact", inspector)

    def look(
        self, coupon: Record, at: datetime, round_number: int, outcome: str, inspector: str, **details: Any
    ) -> None:
        self.inspections.append(
            {"coupon": coupon["code"], "seen_at": stamp(at), "round_number": round_number, "outcome": outcome, "inspector": inspector,
             **details}
        )  # fmt: skip

    def break_it(
        self, coupon: Record, at: datetime, stress_mpa: float, *, thickness_mm: float, origin: str, by: str
    ) -> None:
        """A four-point bending test that ends at this stress: force F = 2 b h² sigma / (3 (L - l))."""
        force_n = 2 * 100.0 * thickness_mm**2 * stress_mpa / (3 * (200.0 - 100.0))
        self.strength_tests.append({
            "coupon": coupon["code"], "tested_at": stamp(at), "method": "four_point", "force_n": round(force_n, 0), "width_mm": 100.0,
            "thickness_mm": thickness_mm, "outer_span_mm": 200.0, "inner_span_mm": 100.0, "origin": origin, "tested_by": by,
        })  # fmt: skip

    def deviation(
        self, kind: str, at: datetime, description: str, *, by: str, reason: str = "", load: str = "", coupon: str = ""
    ) -> None:
        self.deviations.append({
            "kind": kind, "happened_at": stamp(at), "description": description, "reason": reason, "load": load, "coupon": coupon, "by": by,
        })  # fmt: skip


def failing_round(rng: Random, chance: float, weights: Sequence[float] = (0.35, 0.4, 0.25)) -> int | None:
    """In which round a coupon cracks out, or None."""
    draw, when = rng.random(), rng.choices(range(1, ROUNDS + 1), weights)[0]
    return when if draw < chance else None
