"""What pages ask of studies; each function is one query, whatever the number of studies or coupons."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from typing import Any

from django.db.models import Case, Count, IntegerField, Min, OuterRef, QuerySet, Subquery, When

from labbench.lab.models import GlassStock
from labbench.studies.models import Coupon, CouponLevel, Factor, Study


def studies_with_lead() -> QuerySet[Study]:
    """All studies: running ones first, then planned, then closed; within these the newest first."""
    turn = Case(When(state="running", then=0), When(state="planned", then=1), default=2, output_field=IntegerField())
    return Study.objects.select_related("lead").order_by(turn, "-created_at", "-pk")


def stage_counts(study_ids: Collection[int]) -> dict[int, dict[str, int]]:
    """Study -> stage -> coupons; answered from the index over study, stage and role alone."""
    found: dict[int, dict[str, int]] = defaultdict(dict)
    rows = (
        Coupon.objects.filter(study__in=study_ids)
        .order_by()
        .values_list("study_id", "stage")
        .annotate(coupons=Count("*"))
    )
    for study_id, stage, coupons in rows:
        found[study_id][stage] = coupons
    return dict(found)


def role_counts(study: Study) -> dict[str, int]:
    """Role -> coupons of a study."""
    rows = Coupon.objects.filter(study=study).order_by().values_list("role").annotate(coupons=Count("*"))
    return dict(rows)


def coupons_of_glass(glass: GlassStock) -> QuerySet[Any, Any]:
    """Studies with how many of their coupons are of this glass."""
    rows = Coupon.objects.filter(glass=glass).order_by()
    counted = rows.values("study__code", "study__title").annotate(coupons=Count("pk"), first=Min("created_at"))
    return counted.order_by("-first", "study__code")


def factors_with_levels(study: Study) -> QuerySet[Factor]:
    """The factors of a study in their order, levels at hand (two queries)."""
    return study.factors.prefetch_related("levels")


def level_counts(factors: Iterable[Factor]) -> dict[int, int]:
    """Level -> coupons that carry it; the levels of the factors must be at hand."""
    levels = [level.pk for factor in factors for level in factor.levels.all()]
    # By level and not by study: the index over levels alone answers it.
    rows = CouponLevel.objects.filter(level__in=levels).order_by().values_list("level_id").annotate(coupons=Count("*"))
    return dict(rows)


def level_names(coupon_ids: Collection[int]) -> dict[int, dict[int, str]]:
    """Coupon -> factor -> the name of its level, for the coupons of one page."""
    found: dict[int, dict[int, str]] = defaultdict(dict)
    rows = CouponLevel.objects.filter(coupon__in=coupon_ids).order_by()
    for coupon_id, factor_id, name in rows.values_list("coupon_id", "factor_id", "level__name"):
        found[coupon_id][factor_id] = name
    return found


def round_counts(study: Study) -> list[tuple[int, int | None, int]]:
    """(rounds survived, failed round, coupons) over all coupons of a study that travel: not pristine."""
    return list(
        Coupon.objects.filter(study=study)
        .exclude(role=Coupon.Role.PRISTINE)
        .order_by()
        .values_list("rounds_survived", "failed_round")
        .annotate(coupons=Count("*"))
    )


def level_of(factor_id: int, field: str) -> Subquery:
    """A coupon's level of one factor, for sorting."""
    return Subquery(
        CouponLevel.objects.filter(coupon=OuterRef("pk"), factor=factor_id).order_by().values(f"level__{field}")[:1]
    )
