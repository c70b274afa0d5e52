"""How far a study is: through repair, rounds and strength."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db.models import Count

from labbench.bench.models import Repair, StrengthTest
from labbench.formats.factor_levels import natural_order
from labbench.studies.models import Coupon, Study
from labbench.studies.queries import round_counts

REPAIRED_ROLES = (Coupon.Role.TEST, Coupon.Role.REFERENCE)


@dataclass(frozen=True, slots=True)
class StepProgress:
    """One step of the work: `done` of `total` coupons, of which `failed` ended before it."""

    name: str
    done: int
    total: int
    failed: int = 0


def study_progress(study: Study, roles: dict[str, int]) -> list[StepProgress]:
    """Repair, each round, strength; `roles` are the study's coupons by role. Three queries.

    A round counts a coupon that was seen to hold after it, and as failed one that was first seen cracked out in it or before. Of
    many rounds only the first, the middle and the last are named.
    """
    to_repair = sum(roles.get(role, 0) for role in REPAIRED_ROLES)
    travelling = sum(count for role, count in roles.items() if role != Coupon.Role.PRISTINE)
    steps = [StepProgress("repair recorded", Repair.objects.filter(coupon__study=study).count(), to_repair)]
    counts = round_counts(study)
    for number in named_rounds(study.rounds_planned):
        held = sum(n for survived, failed, n in counts if survived >= number)
        failed = sum(n for _, failed_round, n in counts if failed_round is not None and failed_round <= number)
        steps.append(StepProgress(f"round {number}", held, travelling, failed))
    tested = StrengthTest.objects.filter(coupon__study=study).count()
    cracked_out = sum(n for _, failed_round, n in counts if failed_round is not None)
    steps.append(StepProgress("strength tested", tested, sum(roles.values()) - cracked_out))
    return steps


def named_rounds(planned: int) -> list[int]:
    """All of up to six rounds; of more the first, the middle and the last."""
    return list(range(1, planned + 1)) if planned <= 6 else [1, (planned + 1) // 2, planned]


def loads_with_counts(study: Study) -> list[Any]:
    """The loads of a study with the number of their coupons; Load 2 before Load 10."""
    loads = study.loads.select_related("profile").annotate(coupons=Count("places")).order_by()
    return sorted(loads, key=lambda load: natural_order(load.name))
