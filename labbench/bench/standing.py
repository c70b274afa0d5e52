"""Where each coupon stands, summed up from what the bench recorded."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass

from labbench.bench.models import Inspection, Repair, StrengthTest
from labbench.studies.models import Coupon

BATCH = 500


@dataclass(frozen=True, slots=True)
class Look:
    """One inspection as far as it matters here: `is_whole_round` where it was made at the end of the round."""

    round_number: int
    is_whole_round: bool
    is_cracked_out: bool


def rounds_from_looks(looks: Collection[Look]) -> tuple[int, int | None]:
    """Whole rounds last seen to hold, and the round first seen cracked out (None: never).

    A coupon seen holding in the middle of round r had held after round r - 1.
    """
    held = [look.round_number - (not look.is_whole_round) for look in looks if not look.is_cracked_out]
    failed = [look.round_number for look in looks if look.is_cracked_out]
    failed_round = min(failed, default=None)
    survived = max(0, max(held, default=0))
    return (survived if failed_round is None else min(survived, failed_round - 1)), failed_round


def stage_of(
    coupon: Coupon, *, is_repaired: bool, is_broken: bool, has_started: bool, survived: int, failed_round: int | None
) -> str:
    """The stage by what happened last that can't be undone."""
    stage = Coupon.Stage
    planned = coupon.rounds_planned or coupon.study.rounds_planned
    if failed_round is not None:
        return stage.CRACKED_OUT
    if is_broken:
        return stage.BROKEN
    if coupon.withdrawn_on is not None:
        return stage.WITHDRAWN
    if survived >= planned:
        return stage.SURVIVED
    if has_started:
        return stage.CYCLING
    return stage.REPAIRED if is_repaired else stage.PREPARED


def settle(coupon_ids: Collection[int]) -> None:
    """Recompute `stage`, `rounds_survived` and `failed_round` of these coupons; part of the caller's transaction."""
    ids = sorted(set(coupon_ids))
    for start in range(0, len(ids), BATCH):
        settle_batch(ids[start : start + BATCH])


def settle_batch(ids: list[int]) -> None:
    looks: dict[int, list[Look]] = defaultdict(list)
    rows = (
        Inspection.objects.filter(coupon_id__in=ids)
        .order_by()
        .values_list("coupon_id", "round_number", "step_number", "outcome")
    )
    for coupon_id, round_number, step_number, outcome in rows:
        looks[coupon_id].append(Look(round_number, step_number is None, outcome == Inspection.Outcome.CRACKED_OUT))
    repaired = set(Repair.objects.filter(coupon_id__in=ids).values_list("coupon_id", flat=True))
    broken = set(StrengthTest.objects.filter(coupon_id__in=ids).values_list("coupon_id", flat=True))
    changed: dict[tuple[str, int, int | None], list[int]] = defaultdict(list)
    for coupon in Coupon.objects.filter(pk__in=ids).select_related("study"):
        survived, failed_round = rounds_from_looks(looks[coupon.pk])
        stage = stage_of(
            coupon,
            is_repaired=coupon.pk in repaired,
            is_broken=coupon.pk in broken,
            has_started=any(look.round_number >= 1 for look in looks[coupon.pk]),
            survived=survived,
            failed_round=failed_round,
        )
        if (coupon.stage, coupon.rounds_survived, coupon.failed_round) != (stage, survived, failed_round):
            changed[stage, survived, failed_round].append(coupon.pk)
    # Derived values: the records they come from have the history. Few outcomes, many coupons: one statement an outcome.
    for (stage, survived, failed_round), pks in changed.items():
        Coupon.objects.filter(pk__in=pks).update(stage=stage, rounds_survived=survived, failed_round=failed_round)
