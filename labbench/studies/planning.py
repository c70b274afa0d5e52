"""What a plan has to keep to: stored, and asked for. Every function that stores is one transaction."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from labbench.lab.records import keep, remove
from labbench.science.sheet import Level as LevelValue
from labbench.studies.models import Factor, ImpossibleCombination, ImpossibleLevel, Level, PlanSettings, Study

MOST_IMPOSSIBLE = 200


@dataclass(frozen=True, slots=True)
class FactorLimits:
    """What a plan has to know of a factor; `baseline` and `reference` are levels of it, or None."""

    is_hard_to_change: bool
    levels_per_session: int | None
    baseline: Level | None
    reference: Level | None


def settings_of(study: Study) -> PlanSettings:
    """The stored settings of a study; where none were stored yet, new ones with the defaults."""
    return PlanSettings.objects.filter(study=study).first() or PlanSettings(study=study)


def level_value(level: Level) -> LevelValue:
    """A level as the science takes it: its number, else its name."""
    return level.name if level.number is None else level.number


def impossible_levels(study: Study) -> list[dict[str, LevelValue]]:
    """The combinations that can't be made, as factor -> level; one query."""
    found: dict[int, dict[str, LevelValue]] = {}
    rows = (
        ImpossibleLevel.objects.filter(combination__study=study)
        .select_related("factor", "level")
        .order_by("combination_id", "factor__order", "id")
    )
    for row in rows:
        found.setdefault(row.combination_id, {})[row.factor.name] = level_value(row.level)
    return list(found.values())


@transaction.atomic
def save_plan(
    *,
    study: Study,
    settings: Mapping[str, Any],
    factors: Mapping[Factor, FactorLimits],
    stock: Mapping[Level, int | None],
    by: Any,
    reason: str = "plan changed",
) -> PlanSettings:
    """Store settings, factors and levels in one go; only rows that differ are touched."""
    Study.objects.select_for_update(no_key=True).get(pk=study.pk)
    stored = settings_of(study)
    changed = [name for name, value in settings.items() if getattr(stored, name) != value]
    if changed or stored.pk is None:
        for name in changed:
            setattr(stored, name, settings[name])
        keep(stored, by=by, reason=reason)
    for factor, limits in factors.items():
        same = (factor.is_hard_to_change, factor.levels_per_session)
        if same != (limits.is_hard_to_change, limits.levels_per_session):
            factor.is_hard_to_change, factor.levels_per_session = limits.is_hard_to_change, limits.levels_per_session
            keep(factor, by=by, reason=reason)
        mark_level(factor=factor, mark="is_baseline", level=limits.baseline, by=by, reason=reason)
        mark_level(factor=factor, mark="is_reference", level=limits.reference, by=by, reason=reason)
    for level, most in stock.items():
        current = Level.objects.get(pk=level.pk)
        if current.most_coupons != most:
            current.most_coupons = most
            keep(current, by=by, reason=reason)
    return stored


def mark_level(*, factor: Factor, mark: str, level: Level | None, by: Any, reason: str) -> None:
    """Make one level of a factor the baseline or the reference (None: no level is)."""
    for former in Level.objects.filter(factor=factor, **{mark: True}).exclude(pk=level.pk if level else 0):
        setattr(former, mark, False)
        keep(former, by=by, reason=reason)
    if level is None:
        return
    current = Level.objects.get(pk=level.pk)
    if current.factor_id != factor.pk:
        raise ValidationError(f"{level.name} is no level of {factor.name}.")
    if not getattr(current, mark):
        setattr(current, mark, True)
        keep(current, by=by, reason=reason)


@transaction.atomic
def add_impossible(*, study: Study, levels: Collection[Level], by: Any, reason: str = "") -> ImpossibleCombination:
    """Say that these levels can't be made on one coupon. ValidationError for fewer than two factors or one that is there."""
    Study.objects.select_for_update(no_key=True).get(pk=study.pk)
    if len({level.factor_id for level in levels}) != len(levels):
        raise ValidationError("A coupon has one level of each factor: choose at most one of each.")
    if len(levels) < 2:
        raise ValidationError("A combination names levels of at least two factors.")
    wanted = {level.pk for level in levels}
    present = list(study.impossible_combinations.prefetch_related("levels__factor", "levels__level"))
    if len(present) >= MOST_IMPOSSIBLE:
        raise ValidationError(
            f"At most {MOST_IMPOSSIBLE} combinations are kept; leave levels out of the study instead."
        )
    for known in present:
        if {row.level_id for row in known.levels.all()} <= wanted:
            raise ValidationError(f"This is impossible already: {known}.")
    combination = keep(ImpossibleCombination(study=study, reason=reason), by=by)
    for level in levels:
        keep(ImpossibleLevel(combination=combination, factor=level.factor, level=level), by=by)
    return combination


@transaction.atomic
def remove_impossible(*, combination: ImpossibleCombination, by: Any, reason: str) -> None:
    """Say that a combination can be made after all."""
    for row in combination.levels.all():
        remove(row, by=by, reason=reason)
    remove(combination, by=by, reason=reason)


def forget_impossible(*, levels: Sequence[Level], by: Any, reason: str) -> None:
    """Drop the combinations that name one of these levels whole: what is left of them would say too much."""
    named = ImpossibleCombination.objects.filter(levels__level__in=levels).distinct()
    for combination in named:
        remove_impossible(combination=combination, by=by, reason=reason)
