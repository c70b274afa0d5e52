"""What changes after an allocation is locked is a deviation, with the reason."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.utils import timezone

from labbench.bench.models import Deviation, LoadPlace
from labbench.formats.factor_names import factor_label
from labbench.lab.records import keep
from labbench.studies.models import AllocatedCoupon, Coupon, CouponLevel


@dataclass(frozen=True, slots=True)
class Standing:
    """Levels by factor, and where the coupon travels."""

    levels: dict[str, str]
    load: str
    place: int | None


def locked_among(coupons: Sequence[Coupon]) -> list[Coupon]:
    """The coupons whose allocation is locked."""
    rows = AllocatedCoupon.objects.filter(
        coupon__in=[coupon.pk for coupon in coupons], allocation__locked_at__isnull=False
    )
    locked = set(rows.values_list("coupon_id", flat=True))
    return [coupon for coupon in coupons if coupon.pk in locked]


def standings(coupons: Sequence[Coupon]) -> dict[int, Standing]:
    """How the coupons stand now; two queries."""
    keys = [coupon.pk for coupon in coupons]
    levels: dict[int, dict[str, str]] = {key: {} for key in keys}
    for row in CouponLevel.objects.filter(coupon__in=keys).select_related("factor", "level"):
        levels[row.coupon_id][row.factor.name] = row.level.name
    places = {row.coupon_id: row for row in LoadPlace.objects.filter(coupon__in=keys).select_related("load")}
    return {
        key: Standing(levels[key], places[key].load.name, places[key].place)
        if key in places
        else Standing(levels[key], "", None)
        for key in keys
    }


@contextmanager
def watched(coupons: Sequence[Coupon], *, by: Any, reason: str) -> Iterator[None]:
    """Whatever is done inside to levels, load or place of a coupon with a locked allocation becomes a deviation of it.

    To be used inside the transaction of the change.
    """
    locked = locked_among(coupons)
    before = standings(locked) if locked else {}
    yield
    if not locked:
        return
    after = standings(locked)
    now = timezone.now()
    for coupon in locked:
        if changes := differences(before[coupon.pk], after[coupon.pk]):
            # Found by a rule: whoever inspects blind must not read the arm here.
            deviation = Deviation(
                study_id=coupon.study_id,
                coupon=coupon,
                kind=Deviation.Kind.REALLOCATED,
                happened_at=now,
                description=f"After the allocation was locked: {'; '.join(changes)}.",
                reason=reason,
                is_found_by_rule=True,
                recorded_by=by,
                recorded_at=now,
            )
            keep(deviation, by=by)


def differences(before: Standing, after: Standing) -> list[str]:
    """What has changed, in words."""
    words = []
    for name in sorted({*before.levels, *after.levels}):
        was, is_now = before.levels.get(name, "none"), after.levels.get(name, "none")
        if was != is_now:
            words.append(f"{factor_label(name)} {is_now} instead of {was}")
    if before.load != after.load:
        words.append(f"{after.load or 'no load'} instead of {before.load or 'no load'}")
    elif before.place != after.place:
        words.append(f"place {after.place or 'none'} instead of {before.place or 'none'}")
    return words


def refuse_locked(coupons: Sequence[Coupon]) -> None:
    """ValidationError where the allocation of one of these coupons is locked; for ways that do not ask for a reason."""
    if locked := locked_among(coupons):
        raise ValidationError(
            f"The allocation of {', '.join(coupon.code for coupon in locked[:5])}"
            f"{' and others' if len(locked) > 5 else ''} is locked. Change the load on the page that edits coupons: "
            "it asks for the reason and keeps the change as a deviation."
        )
