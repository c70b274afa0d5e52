"""Small studies whose repairs got a known dose."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

from labbench.bench.services import create_load, record_deviation, record_inspection, record_repair
from labbench.lab.models import Lamp, SurveyPoint
from labbench.studies.models import Study
from labbench.studies.services import set_level
from tests import factories
from tests.factories import NOON

# (lamp, cure time in s, failed) of each coupon; L1 gives 1 mW/cm² at its coldest place and 2 at the other, L2 4 and 16.
ARMS = [("L1", 60.0, True)] * 3 + [("L1", 240.0, False)] * 3 + [("L2", 15.0, True)] * 3 + [("L2", 60.0, False)] * 3
COLDEST = {"L1": 1.0, "L2": 4.0}
HOTTEST = {"L1": 2.0, "L2": 16.0}


def surveyed_lamp(code: str) -> Lamp:
    lamp = factories.lamp(code=code)
    survey = factories.survey(lamp, at=NOON - timedelta(days=10))
    survey.distance_mm, survey.lamp_hours_h = 30.0, 100.0
    survey.save()
    for x, value in ((0, COLDEST[code]), (20, HOTTEST[code])):
        SurveyPoint.objects.create(survey=survey, x_mm=x, y_mm=0, irradiance_mw_cm2=value)
    return lamp


def dosed_study(arms: Sequence[tuple[str, float, bool]] = ARMS, *, per_load: int = 6, **details: Any) -> Study:
    """A study with the factors lamp and cure_time_s, its coupons repaired, in loads, and looked at after three rounds."""
    study, hand = factories.study(rounds_planned=3, **details), factories.person("technician")
    lamps = {code: surveyed_lamp(code) for code in sorted({lamp for lamp, _, _ in arms})}
    lamp_factor = factories.factor(study, "lamp", (), source="lamp")
    times = factories.factor(study, "cure_time_s", sorted({time_s for _, time_s, _ in arms}), source="number")
    for code, lamp in lamps.items():
        lamp_factor.levels.create(name=code, lamp=lamp)
    lot, coupons = factories.resin_lot(), []
    for number, (code, time_s, is_failed) in enumerate(arms):
        coupon = factories.coupon(study, code=f"C{number:02d}")
        coupons.append(coupon)
        set_level(coupons=[coupon], factor=lamp_factor, level=lamp_factor.levels.get(name=code), by=hand)
        set_level(coupons=[coupon], factor=times, level=times.levels.get(number=time_s), by=hand)
        record_repair(
            coupon=coupon, by=hand, repaired_at=NOON, resin_lot=lot, lamp=lamps[code], cure_time_s=time_s, distance_mm=30.0,
            glass_c=20.0 + number / 10,
        )  # fmt: skip
        record_inspection(
            coupon=coupon, by=hand, seen_at=NOON + timedelta(days=3), round_number=3,
            outcome="cracked_out" if is_failed else "intact",
        )  # fmt: skip
    for start in range(0, len(coupons), per_load):
        create_load(
            study=study, name=f"Load {start // per_load + 1}", by=hand, coupons=coupons[start : start + per_load]
        )
    return study


def deviate(study: Study, kind: str, **about: Any) -> Any:
    return record_deviation(
        study=study,
        by=factories.person(),
        kind=kind,
        happened_at=NOON + timedelta(days=1),
        description=f"A {kind} of {about}",
        **about,
    )
