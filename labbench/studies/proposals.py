"""Coupons that an analysis proposed, put up in the study."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from random import SystemRandom
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Exists, OuterRef

from labbench.formats.factor_levels import level_text
from labbench.science.sheet import Level as LevelValue
from labbench.studies.coupon_codes import random_codes
from labbench.studies.models import Coupon, CouponLevel, Factor, Level, Study
from labbench.studies.services import add_coupons, set_level


@dataclass(frozen=True, slots=True)
class Arm:
    """So many coupons with these levels (factor name -> level)."""

    levels: Mapping[str, LevelValue]
    count: int


@transaction.atomic
def add_proposed(*, study: Study, arms: Sequence[Arm], note: str, by: Any) -> list[Coupon]:
    """Add what the study lacks of the proposed coupons, under codes drawn at random.

    A coupon that carries the levels of an arm and has not started counts as one of it, so asking twice adds nothing.
    ValidationError where a factor or level is gone since, the study is closed, or nothing is lacking.
    """
    study = Study.objects.select_for_update().get(pk=study.pk)
    if study.state == Study.State.CLOSED:
        raise ValidationError(f"{study.code} is closed; it takes no more coupons.")
    wanted = [(known_levels(study, arm), arm.count) for arm in arms]
    lacking = [(levels, count - waiting(study, levels)) for levels, count in wanted]
    carried = [levels for levels, count in lacking for _ in range(count)]
    if not carried:
        raise ValidationError("The study has these coupons already, and they have not started yet.")
    # In a random order, so that neither a code nor its place in the list tells the arm.
    SystemRandom().shuffle(carried)
    present = set(study.coupons.values_list("code", flat=True))
    made = add_coupons(study=study, codes=random_codes("", len(carried), present), by=by, note=note)
    for factor, level in dict.fromkeys(pair for levels in carried for pair in levels.items()):
        coupons = [coupon for coupon, levels in zip(made, carried, strict=True) if levels.get(factor) == level]
        set_level(coupons=coupons, factor=factor, level=level, by=by, reason=note)
    return made


def known_levels(study: Study, arm: Arm) -> dict[Factor, Level]:
    """The study's own levels of an arm; ValidationError naming what it does not have."""
    factors = {factor.name: factor for factor in study.factors.prefetch_related("levels")}
    found = {}
    for name, value in arm.levels.items():
        text = level_text(value)
        levels = {level.name: level for level in factors[name].levels.all()} if name in factors else {}
        if text not in levels:
            raise ValidationError(f"{study.code} has no level {text} of {name} any more; analyse it as it stands now.")
        found[factors[name]] = levels[text]
    return found


def waiting(study: Study, levels: Mapping[Factor, Level]) -> int:
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
