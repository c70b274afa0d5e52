"""Asking for the plans of a study side by side, and computing them in the worker."""

from __future__ import annotations

import hashlib
from typing import Any

from django.db import IntegrityError, transaction
from django.utils import timezone

from labbench.analysis.models import PlanComparison
from labbench.analysis.services import canonical
from labbench.code_version import code_version
from labbench.jobs.services import Running, enqueue, retry
from labbench.studies.models import Study
from labbench.studies.planning import impossible_levels, level_value, settings_of
from labbench.studies.queries import factors_with_levels, level_counts

TASK = "labbench.compare_plans"
DEFAULT_SEED = 20260101
DEFAULT_PER_ARM = 6
DEFAULT_STUDIES = 100


def request_comparison(
    *,
    study: Study,
    by: Any,
    per_arm: int = DEFAULT_PER_ARM,
    size: int | None = None,
    studies: int = DEFAULT_STUDIES,
    seed: int = DEFAULT_SEED,
) -> PlanComparison:
    """The comparison of plans for the study as it stands: the stored one where everything is the same, else a new one in the queue.

    One that failed or was cancelled is queued again.
    """
    inputs = plan_inputs(study) | {"per_arm": per_arm, "studies": studies, "seed": seed}
    inputs["size"] = inputs["places"] * inputs["loads_ready"] if size is None else size
    sha256 = hashlib.sha256(canonical(inputs).encode()).hexdigest()
    key = {"study": study, "inputs_sha256": sha256, "code_version": code_version()}
    known = PlanComparison.objects.filter(**key).select_related("job").first()
    if known is None:
        try:
            with transaction.atomic():
                arguments = {"study": study.pk}
                job = enqueue(task=TASK, title=f"Plans for {study.code}", arguments=arguments, requested_by=by)
                return PlanComparison.objects.create(
                    **key, inputs=inputs, job=job, requested_by=by, requested_at=timezone.now()
                )
        except IntegrityError:
            # Somebody asked for the same at the same moment.
            known = PlanComparison.objects.select_related("job").get(**key)
    if known.job.state in {known.job.State.FAILED, known.job.State.CANCELLED}:
        retry(job=known.job)
    # What was asked for last is shown, also where it is an older answer.
    PlanComparison.objects.filter(pk=known.pk).update(requested_at=timezone.now())
    return known


def plan_inputs(study: Study) -> dict[str, Any]:
    """Everything a plan has to keep to, as the study stands."""
    settings = settings_of(study)
    factors = list(factors_with_levels(study))
    carried = level_counts(factors)
    profile = study.profile
    return {
        "factors": [
            {
                "name": factor.name,
                "kind": "numeric" if factor.is_numeric else "categorical",
                "levels": [level_value(level) for level in factor.levels.all()],
                "baseline": next((level_value(level) for level in factor.levels.all() if level.is_baseline), None),
                "reference": next((level_value(level) for level in factor.levels.all() if level.is_reference), None),
                "is_hard_to_change": factor.is_hard_to_change,
                "levels_per_session": factor.levels_per_session,
                # How many more coupons a level is enough for.
                "left": [
                    None if level.most_coupons is None else max(0, level.most_coupons - carried.get(level.pk, 0))
                    for level in factor.levels.all()
                ],
            }
            for factor in factors
        ],
        "impossible": impossible_levels(study),
        "places": settings.test_places,
        "loads_ready": settings.loads_ready,
        "controls": {
            "reference": settings.reference_per_load,
            "unrepaired": settings.unrepaired_per_load,
            "pristine": settings.pristine_per_load,
        },
        "failing_share": settings.failing_share,
        "holding_share": settings.holding_share,
        # Least soaks of all rounds; transfers come on top.
        "load_minutes": None
        if profile is None
        else study.rounds_planned * sum(step.min_minutes for step in profile.steps.all()),
    }


def newest_comparison(study: Study) -> PlanComparison | None:
    """The comparison asked for last, whatever became of it."""
    return PlanComparison.objects.filter(study=study).select_related("job", "requested_by").first()


def newest_finished(study: Study) -> PlanComparison | None:
    """The newest comparison that has a result."""
    return (
        PlanComparison.objects.filter(study=study, finished_at__isnull=False)
        .select_related("job", "requested_by")
        .first()
    )


def is_as_the_plan_stands(comparison: PlanComparison) -> bool:
    """Whether the study still asks for what was compared."""
    current = plan_inputs(comparison.study)
    return canonical(current) == canonical({name: comparison.inputs.get(name) for name in current})


def compute_comparison(hold: Running) -> None:
    """Compute the plans of the job's comparison and store them once."""
    # slow import: scipy
    from labbench.analysis.plans import compared_plans

    comparison = PlanComparison.objects.get(job=hold.job)
    if comparison.result is not None:
        return
    result = compared_plans(comparison.inputs, progress=hold.progress)
    # The later of two runs of the same job finds the row filled and leaves it.
    PlanComparison.objects.filter(pk=comparison.pk, finished_at=None).update(result=result, finished_at=timezone.now())
