"""Rows with dull defaults; a test names only what it is about."""

from __future__ import annotations

from datetime import UTC, date, datetime
from itertools import count
from typing import Any

from labbench.lab.models import Calibration, Lamp, LampSurvey, Person, Radiometer, Resin, ResinLot
from labbench.studies.models import Coupon, Factor, Level, Study

numbers = count(1)
NOON = datetime(2026, 11, 2, 12, tzinfo=UTC)
PREPARED = datetime(2026, 9, 1, 8, tzinfo=UTC)


def person(role: str = "lead", **details: Any) -> Person:
    made = Person(username=details.pop("username", f"{role}{next(numbers)}"), role=role, **details)
    made.set_unusable_password()
    made.save()
    return made


def resin_lot(**details: Any) -> ResinLot:
    resin = details.pop("resin", None) or Resin.objects.create(name=f"Resin {next(numbers)}")
    return ResinLot.objects.create(
        resin=resin,
        code=details.pop("code", f"LOT-{next(numbers)}"),
        received_on=details.pop("received_on", date(2026, 9, 1)),
        **details,
    )


def lamp(**details: Any) -> Lamp:
    return Lamp.objects.create(
        code=details.pop("code", f"LAMP-{next(numbers)}"), emitter_kind=details.pop("emitter_kind", "led"), **details
    )


def radiometer(due_on: date = date(2027, 6, 1), **details: Any) -> Radiometer:
    made = Radiometer.objects.create(code=details.pop("code", f"METER-{next(numbers)}"), **details)
    Calibration.objects.create(radiometer=made, calibrated_on=date(2026, 6, 1), due_on=due_on)
    return made


def survey(of: Lamp, at: datetime = datetime(2026, 10, 20, 9, tzinfo=UTC), **details: Any) -> LampSurvey:
    return LampSurvey.objects.create(
        lamp=of,
        radiometer=details.pop("radiometer", None) or radiometer(),
        surveyed_at=at,
        surveyed_by=person("technician"),
        distance_mm=50,
    )


def study(**details: Any) -> Study:
    code = details.pop("code", f"S-{next(numbers)}")
    return Study.objects.create(
        code=code,
        title=f"Study {code}",
        question="Why does it crack out?",
        state=details.pop("state", "running"),
        **details,
    )


def coupon(of: Study | None = None, **details: Any) -> Coupon:
    created_at = details.pop("created_at", PREPARED)
    made = Coupon.objects.create(study=of or study(), code=details.pop("code", f"C-{next(numbers)}"), **details)
    # Set afterwards: a new row gets the time of the machine.
    Coupon.objects.filter(pk=made.pk).update(created_at=created_at)
    made.created_at = created_at
    return made


def factor(of: Study, name: str = "resin", levels: tuple[Any, ...] = ("A", "B"), source: str = "text") -> Factor:
    made = Factor.objects.create(study=of, name=name, source=source, order=of.factors.count())
    for value in levels:
        Level.objects.create(factor=made, name=str(value), number=value if source == "number" else None)
    return made
