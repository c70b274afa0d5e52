"""A lab with a short profile, a load on its way through it, and a clock that a test sets."""

from __future__ import annotations

from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any
from unittest import mock

from django.utils import timezone

from labbench.bench.loads import start_load
from labbench.bench.models import Booking, Load
from labbench.bench.services import book, create_load, record_repair
from labbench.lab.models import Chamber, ProfileStep, ThermalProfile
from labbench.lab.records import keep
from tests import factories
from tests.factories import NOON

HOUR = timedelta(hours=1)
# Least and longest soak in minutes; transfers of at most 10 min.
STEPS = (("freeze", "freeze", 480, 1080), ("heat", "heat", 120, 180), ("cool", "cool", 30, None))


def profile(rounds: int = 3, **details: Any) -> ThermalProfile:
    made = ThermalProfile.objects.create(
        name=f"Profile {next(factories.numbers)}", rounds=rounds, **{"max_transfer_minutes": 10, **details}
    )
    for number, (name, kind, least, longest) in enumerate(STEPS, start=1):
        ProfileStep.objects.create(
            profile=made, number=number, name=name, kind=kind, min_minutes=least, max_minutes=longest
        )
    return made


def chamber(code: str, kind: str = "freeze", capacity: int = 24, **details: Any) -> Chamber:
    return Chamber.objects.create(code=code, kind=kind, capacity_coupons=capacity, **details)


def chambers() -> dict[str, Chamber]:
    kinds = {"F-1": "freeze", "F-2": "freeze", "O-1": "heat", "O-2": "heat", "B-1": "cool"}
    return {code: chamber(code, kind) for code, kind in kinds.items()}


def load(
    name: str = "Tray 1",
    *,
    rooms: dict[str, Chamber],
    start: datetime = NOON,
    coupons: int = 3,
    rounds: int = 3,
    is_running: bool = True,
    freezer: str = "F-1",
    **details: Any,
) -> Load:
    """A load of repaired coupons, booked round by round: 16 h freezer, 2 h oven, 6 h bench."""
    by = factories.person("lead")
    study = details.pop("study", None) or factories.study(
        profile=profile(rounds), rounds_planned=rounds, is_blind=False
    )
    lamp, lot = factories.lamp(), factories.resin_lot()
    factories.survey(lamp)
    rows = [
        factories.coupon(study, code=f"{name[-1]}{number}", created_at=start - 240 * HOUR) for number in range(coupons)
    ]
    for row in rows:
        record_repair(coupon=row, by=by, repaired_at=start - HOUR, lamp=lamp, resin_lot=lot, cure_time_s=90.0)
    made = create_load(study=study, name=name, by=by, coupons=rows, **details)
    steps = list(study.profile.steps.all())
    for number in range(1, rounds + 1):
        at = start + (number - 1) * 24 * HOUR
        spans = (
            (freezer, at, at + 16 * HOUR),
            ("O-1", at + 16 * HOUR, at + 18 * HOUR),
            ("B-1", at + 18 * HOUR, at + 24 * HOUR),
        )
        for step, (code, since, till) in zip(steps, spans, strict=True):
            book(
                load=made,
                chamber=rooms[code],
                planned_start=since,
                planned_end=till,
                by=by,
                step=step,
                round_number=number,
            )
    return start_load(load=made, by=by) if is_running else made


def booked(of: Load, round_number: int, step: int) -> Booking:
    """The latest part of a step."""
    rows = Booking.objects.filter(load=of, round_number=round_number, step__number=step)
    return rows.select_related("load", "chamber", "step").order_by("part").last()  # type: ignore[return-value]


def been_through(of: Load, until: tuple[int, int], by: Any) -> None:
    """The steps before this one, as planned, without anything to remark."""
    for row in Booking.objects.filter(load=of).order_by("planned_start"):
        if (row.round_number, row.step.number) >= until:
            return
        row.started_at, row.ended_at, row.started_by, row.ended_by = row.planned_start, row.planned_end, by, by
        keep(row, by=by)


@contextmanager
def clock_at(at: datetime):
    """The server's clock stands at this time, and goes on from there only by `set`."""

    class Clock:
        now = at

        def set(self, to: datetime) -> None:
            self.now = to

    clock = Clock()
    with mock.patch.object(timezone, "now", side_effect=lambda: clock.now):
        yield clock
