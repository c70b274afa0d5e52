"""A compared plan drawn: which coupon goes into which load and place, and when it is repaired."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from labbench.science.random_allocation import allocate
from labbench.science.sheet import Level


@dataclass(frozen=True, slots=True)
class DrawnCoupon:
    """One coupon; `load` and `person` count from 0, `place` and `repair_order` from 1; a control without repair has no order."""

    role: str
    levels: Mapping[str, Level]
    load: int
    place: int
    repair_order: int | None
    person: int


def drawn_coupons(
    plan: Mapping[str, Any], inputs: Mapping[str, Any], *, seed: int, people: int
) -> tuple[DrawnCoupon, ...]:
    """The coupons of a plan with the controls of every load; the same plan and seed give the same draw."""
    rng = np.random.default_rng(seed)
    levels = [arm["levels"] for arm in plan["arms"] for _ in range(arm["count"])]
    factors = [factor for factor in inputs["factors"] if factor["levels"]]
    codes = np.array([[f["levels"].index(one[f["name"]]) for f in factors] for one in levels], dtype=np.int64)
    drawn = allocate(
        codes,
        places=inputs["places"],
        rng=rng,
        people=people,
        hard=tuple(number for number, factor in enumerate(factors) if factor["is_hard_to_change"]),
        levels_per_load=tuple(factor["levels_per_session"] for factor in factors),
    )
    reference = {f["name"]: f["reference"] for f in inputs["factors"] if f["reference"] is not None}
    made: list[DrawnCoupon] = []
    turn = 0
    for load in range(drawn.loads):
        members = [int(coupon) for coupon in np.flatnonzero(drawn.load == load)]
        members.sort(key=lambda coupon: int(drawn.turn[coupon]))
        repaired: list[tuple[str, Mapping[str, Level], int]] = [
            ("test", levels[coupon], int(drawn.person[coupon])) for coupon in members
        ]
        # Reference repairs are made at random turns among the others.
        for _ in range(inputs["controls"]["reference"]):
            repaired.insert(int(rng.integers(len(repaired) + 1)), ("reference", reference, int(rng.integers(people))))
        others = [role for role in ("unrepaired", "pristine") for _ in range(inputs["controls"][role])]
        places = iter(rng.permutation(len(repaired) + len(others)) + 1)
        for role, carried, person in repaired:
            turn += 1
            made.append(DrawnCoupon(role, carried, load, int(next(places)), turn, person))
        made += [DrawnCoupon(role, {}, load, int(next(places)), None, 0) for role in others]
    return tuple(made)
