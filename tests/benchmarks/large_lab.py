"""A lab with many coupons, for benchmarks: 20 studies of 5,000 coupons each, all through the intake that a user would use."""

from __future__ import annotations

import random
import time
from datetime import timedelta

from labbench.bench.intake import take_in
from labbench.bench.models import Inspection, Repair
from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.lab.models import Person, Resin
from labbench.studies.models import Coupon, Study
from tests import factories
from tests.factories import NOON

LEVELS = {
    "resin": ("A", "B", "C"),
    "lamp": ("L1", "L2", "L3", "L4"),
    "technician": ("T1", "T2"),
    "cure_time_s": ("60", "90", "120"),
}


def sheet(coupons: int, seed: int) -> bytes:
    """A coupon sheet of three rounds in which resin B under lamp L2 mostly fails."""
    drawn = random.Random(seed)
    lines = [
        "coupon," + ",".join(f"factor.{name}" for name in LEVELS) + ",block,rounds_survived,failed_round,strength_mpa"
    ]
    for number in range(coupons):
        levels = [drawn.choice(values) for values in LEVELS.values()]
        failed = drawn.randint(1, 3) if drawn.random() < (0.7 if levels[:2] == ["B", "L2"] else 0.1) else 0
        outcome = f"{failed - 1},{failed}," if failed else f"3,,{drawn.gauss(45, 6):.2f}"
        lines.append(f"C{number:05d},{','.join(levels)},Load {number // 24 + 1},{outcome}")
    return "\n".join(lines).encode()


def build(studies: int = 20, coupons: int = 5000) -> list[Study]:
    """Fill the database."""
    lead = Person.objects.create(username="bench-lead", role="lead", is_superuser=True)
    made = []
    for number in range(studies):
        study = Study.objects.create(
            code=f"BENCH-{number:02d}", title=f"Study {number}", question="Which?", state="running", lead=lead
        )
        start = time.perf_counter()
        take_in(
            study=study,
            reading=read_coupon_sheet(sheet(coupons, number)),
            filename="bench.csv",
            may_add_levels=True,
            by=lead,
            now=NOON,
        )
        if number == 0:
            print(f"taking in {coupons:,} coupons: {time.perf_counter() - start:.1f} s")
        made.append(study)
    repair_all()
    # Half of the studies are not blind: a technician sees their failures, and only theirs.
    Study.objects.filter(pk__in=[study.pk for study in made[::2]]).update(is_blind=False)
    return made


def repair_all() -> None:
    """A repair of every test coupon, by the row: four lots of two resins, three lamps, four technicians; edges, modes, days."""
    drawn = random.Random(0)
    resins = [Resin.objects.create(name=name) for name in ("Clear A", "Clear B")]
    lots = [factories.resin_lot(resin=resins[number % 2]) for number in range(4)]
    lamps = [factories.lamp() for _ in range(3)]
    hands = [factories.person("technician") for _ in range(4)]
    coupons = list(Coupon.objects.filter(role=Coupon.Role.TEST).only("pk"))
    repairs = [
        Repair(
            coupon=coupon, repaired_at=NOON, cure_time_s=60,
            technician=drawn.choice(hands), resin_lot=drawn.choice(lots), lamp=drawn.choice(lamps),
        )
        for coupon in coupons
    ]  # fmt: skip
    Repair.objects.bulk_create(repairs, batch_size=2000)
    for coupon in coupons:
        coupon.edge_distance_mm = drawn.choice([None, 30.0, 90.0])
    Coupon.objects.bulk_update(coupons, ["edge_distance_mm"], batch_size=300)
    looks = list(Inspection.objects.exclude(outcome="intact").only("pk"))
    for look in looks:
        look.seen_at = NOON - timedelta(days=drawn.randrange(300))
        look.failure_mode = drawn.choice(["", "leg ran", "ran from the pit", "ran to the edge"])
    Inspection.objects.bulk_update(looks, ["seen_at", "failure_mode"], batch_size=300)
