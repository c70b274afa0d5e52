"""Coupons that an analysis proposed: given to coupons that wait for their levels, and put up where there are too few."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from random import Random, SystemRandom
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Exists, OuterRef, QuerySet

from labbench.formats.factor_levels import level_text
from labbench.science.sheet import Level as LevelValue
from labbench.studies.coupon_codes import random_codes
from labbench.studies.models import Coupon, CouponLevel, Factor, Level, Study
from labbench.studies.services import add_coupons, set_level

Levels = Mapping[Factor, Level]
USUAL_DETAILS = ("glass", "break_type", "size_mm")


@dataclass(frozen=True, slots=True)
class Arm:
    """So many coupons with these levels (factor name -> level)."""

    levels: Mapping[str, LevelValue]
    count: int


@dataclass(frozen=True, slots=True)
class Added:
    """Coupons put up for the arms, and those that waited and were given levels of them."""

    made: list[Coupon]
    given: list[Coupon]


@transaction.atomic
def add_proposed(
    *,
    study: Study,
    arms: Sequence[Arm],
    note: str,
    by: Any,
    waiting: Sequence[Coupon] = (),
    chance: Random | None = None,
    **details: Any,
) -> Added:
    """See that the study has the proposed coupons: first `waiting` coupons get levels, new ones are made for the rest.

    A coupon that carries the levels of an arm and has not started counts as one of it, so asking twice adds nothing. Of `waiting`
    only coupons that still have no levels and no repair are used, and only for levels that agree with their glass and break.
    `details` (glass, break_type, size_mm) are those of the new coupons, where no level says otherwise; `chance` deals the levels
    out. ValidationError where a factor or level is gone since, the study is closed, or nothing is lacking.
    """
    study = Study.objects.select_for_update(no_key=True).get(pk=study.pk)
    if study.state == Study.State.CLOSED:
        raise ValidationError(f"{study.code} is closed; it takes no more coupons.")
    carried = lacking(study, arms)
    if not carried:
        raise ValidationError("The study has these coupons already, and they have not started yet.")
    # In a random order, so that neither a code nor its place in the list tells the arm.
    chance = chance or SystemRandom()
    chance.shuffle(carried)
    free = list(without_levels(study).filter(pk__in=[coupon.pk for coupon in waiting]).order_by("code"))
    chance.shuffle(free)
    taken = matched(carried, free)
    given = [free[place] for place in taken.values()]
    give(given, [carried[place] for place in taken], by=by, note=note)
    rest = [levels for place, levels in enumerate(carried) if place not in taken]
    present = set(study.coupons.values_list("code", flat=True))
    made = []
    # Coupons that are alike in what they are made of are stored together.
    codes = random_codes("", len(rest), present)
    for kind in dict.fromkeys(tuple(sorted(made_of(levels).items(), key=str)) for levels in rest):
        alike = [place for place, levels in enumerate(rest) if made_of(levels) == dict(kind)]
        stored = add_coupons(
            study=study, codes=[codes[place] for place in alike], by=by, note=note, **(details | dict(kind))
        )
        made += list(zip(alike, stored, strict=True))
    coupons = [coupon for _, coupon in sorted(made, key=lambda pair: pair[0])]
    give(coupons, rest, by=by, note=note)
    return Added(coupons, given)


def give(coupons: Sequence[Coupon], carried: Sequence[Levels], *, by: Any, note: str) -> None:
    """Each coupon its levels, in history with the note."""
    for factor, level in dict.fromkeys(pair for levels in carried for pair in levels.items()):
        with_it = [coupon for coupon, levels in zip(coupons, carried, strict=True) if levels.get(factor) == level]
        set_level(coupons=with_it, factor=factor, level=level, by=by, reason=note)


def lacking(study: Study, arms: Sequence[Arm]) -> list[Levels]:
    """The levels of every coupon that the arms ask for and the study does not have, one entry a coupon."""
    wanted = [(known_levels(study, arm), arm.count) for arm in arms]
    return [levels for levels, count in wanted for _ in range(count - not_started(study, levels))]


def without_levels(study: Study) -> QuerySet[Coupon]:
    """Test coupons of a study that were neither repaired nor given a level."""
    return Coupon.objects.filter(
        ~Exists(CouponLevel.objects.filter(coupon=OuterRef("pk"))),
        study=study,
        role=Coupon.Role.TEST,
        stage=Coupon.Stage.PREPARED,
        withdrawn_on=None,
    )


def matched(carried: Sequence[Levels], free: Sequence[Coupon]) -> dict[int, int]:
    """Place in `carried` -> place in `free`: as many pairs as agree, each coupon once.

    Augmenting paths: a coupon that two sets of levels could use goes where the other finds another one.
    """
    wanted = [made_of(levels) for levels in carried]
    suits = [[n for n, coupon in enumerate(free) if agrees(coupon, made)] for made in wanted]
    user: dict[int, int] = {}

    def find(place: int, seen: set[int]) -> bool:
        for n in suits[place]:
            if n not in seen:
                seen.add(n)
                if n not in user or find(user[n], seen):
                    user[n] = place
                    return True
        return False

    for place in range(len(carried)):
        find(place, set())
    return {place: n for n, place in user.items()}


def agrees(coupon: Coupon, made: Mapping[str, Any]) -> bool:
    """Whether a coupon is what levels say of it, or it is not known."""
    return all(getattr(coupon, name) in (None, "", value) for name, value in made.items())


def made_of(levels: Levels) -> dict[str, Any]:
    """What levels say of the coupon itself: its glass, break type and size."""
    found: dict[str, Any] = {}
    words = {key: value for value, label in Coupon.BreakType.choices for key in (value, label)}
    for factor, level in levels.items():
        if level.glass is not None:
            found["glass"] = level.glass
        elif factor.name == "break_type" and level.name.casefold() in words:
            found["break_type"] = words[level.name.casefold()]
        elif factor.name == "size_mm" and level.number is not None:
            found["size_mm"] = level.number
    return found


def usual_details(study: Study) -> dict[str, Any]:
    """Field -> what most test coupons of the study have, of several the one used last; left out where none is known."""
    rows = Coupon.objects.filter(study=study, role=Coupon.Role.TEST).order_by("-pk").values_list(*USUAL_DETAILS)
    columns = dict(zip(USUAL_DETAILS, zip(*rows, strict=True), strict=False))
    counts = {name: Counter(value for value in values if value not in (None, "")) for name, values in columns.items()}
    # Equally frequent values come in the order in which they were met.
    return {name: found.most_common(1)[0][0] for name, found in counts.items() if found}


def known_levels(study: Study, arm: Arm) -> dict[Factor, Level]:
    """The study's own levels of an arm; ValidationError naming what it does not have."""
    factors = {factor.name: factor for factor in study.factors.prefetch_related("levels__glass")}
    found = {}
    for name, value in arm.levels.items():
        text = level_text(value)
        levels = {level.name: level for level in factors[name].levels.all()} if name in factors else {}
        if text not in levels:
            raise ValidationError(f"{study.code} has no level {text} of {name} any more; analyse it as it stands now.")
        found[factors[name]] = levels[text]
    return found


def not_started(study: Study, levels: Levels) -> int:
    """Test coupons with these levels that no round has begun for."""
    rows = Coupon.objects.filter(
        study=study,
        role=Coupon.Role.TEST,
        stage__in=(Coupon.Stage.PREPARED, Coupon.Stage.REPAIRED),
        withdrawn_on=None,
    )
    for level in levels.values():
        rows = rows.filter(Exists(CouponLevel.objects.filter(coupon=OuterRef("pk"), level=level)))
    return rows.count()
