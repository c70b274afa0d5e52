"""Asking for an analysis, and computing it in the worker."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import Min
from django.utils import timezone

from labbench.analysis.choices import Choice, chosen_sheet, rival_document
from labbench.analysis.models import Analysis
from labbench.bench.models import Load
from labbench.code_version import code_version
from labbench.formats.coupon_sheet_export import write_coupon_sheet_csv
from labbench.jobs.services import JobRefused, Running, enqueue, retry
from labbench.studies.models import Study
from labbench.studies.planning import impossible_levels, level_value, settings_of
from labbench.studies.queries import factors_with_levels, level_counts

if TYPE_CHECKING:
    from labbench.science.sheet import RunnableLevels

DEFAULT_SEED = 20260101
# Test coupons of a load where the study does not say.
USUAL_PLACES = 12
TASK = "labbench.analyse"


@dataclass(frozen=True, slots=True)
class Inputs:
    """A study's sheet and the parameters, and the hash of both."""

    sheet_csv: str
    parameters: dict[str, Any]
    sha256: str
    coupons: int
    says_something: bool
    left_out: int = 0


def request_analysis(
    *,
    study: Study,
    by: Any,
    next_count: int | None = None,
    seed: int = DEFAULT_SEED,
    choice: Choice | None = None,
) -> Analysis:
    """The analysis of the study as it stands: the stored one where inputs, parameters and code are the same, else a new one in the queue.

    It proposes `next_count` coupons, by default as many as a load has places. One that failed or was cancelled is queued again.
    One whose `choice` leaves coupons out is asked for together with the one of all coupons, to stand beside it. ValidationError
    where no coupon says anything yet, or the choice leaves none out or none over.
    """
    choice = choice or Choice()
    beside = None
    if choice.leaves_out:
        beside = request_analysis(
            study=study, by=by, next_count=next_count, seed=seed, choice=choice.with_all_coupons()
        )
    inputs = inputs_of(study, next_count=next_count, seed=seed, choice=choice)
    if choice.leaves_out and not inputs.left_out:
        raise ValidationError("No coupon was touched by what was chosen: there is none to leave out.")
    if not inputs.says_something:
        raise ValidationError(
            "No coupon that says anything is left over." if choice.leaves_out else nothing_to_analyse(study)
        )
    key = {"study": study, "inputs_sha256": inputs.sha256, "code_version": code_version()}
    known = Analysis.objects.filter(**key).select_related("job").first()
    if known is None:
        try:
            with transaction.atomic():
                job = enqueue(task=TASK, title=f"Analysis of {study.code}", arguments={}, requested_by=by)
                return Analysis.objects.create(
                    **key,
                    sheet_csv=inputs.sheet_csv,
                    parameters=inputs.parameters,
                    choice=choice.document(),
                    beside=beside,
                    coupons=inputs.coupons,
                    job=job,
                    requested_by=by,
                    requested_at=timezone.now(),
                )
        except IntegrityError:
            # Somebody asked for the same at the same moment.
            known = Analysis.objects.select_related("job").get(**key)
    if known.job.state in {known.job.State.FAILED, known.job.State.CANCELLED}:
        retry(job=known.job)
    return known


def nothing_to_analyse(study: Study) -> str:
    """What is missing before a study can be analysed."""
    if not study.coupons.exists():
        return f"{study.code} has no coupon yet: there is nothing to analyse."
    return f"No coupon of {study.code} has been inspected after a round or broken in a strength test yet: there is nothing to analyse."


def inputs_of(
    study: Study, *, next_count: int | None = None, seed: int = DEFAULT_SEED, choice: Choice | None = None
) -> Inputs:
    """What an analysis of the study as it stands would be computed from."""
    choice = choice or Choice()
    drawn = chosen_sheet(study, choice)
    sheet_csv = write_coupon_sheet_csv(drawn.sheet)
    parameters = {
        "confidence": study.confidence,
        "margin": study.margin,
        "strength_margin": study.strength_margin,
        # What was measured can't be set on a coupon: such an analysis proposes none.
        "next_count": 0 if choice.takes_measured else load_places(study) if next_count is None else next_count,
        "seed": seed,
        "notes": list(drawn.notes),
        "runnable": runnable_levels(study),
        "impossible": impossible_levels(study),
        "load_order": load_order(study),
        **limits_of(study),
        "baseline": baseline_of(study),
    }
    if choice.document():
        parameters |= {
            "choice": choice.document(),
            "rivals": [list(pair) for pair in drawn.rivals],
            "beside": {column.name: rival_document(column, drawn.raw.get(column.name)) for column in drawn.beside},
            "candidates": list(drawn.candidates),
        }
    sha256 = hashlib.sha256(f"{canonical(parameters)}\n{sheet_csv}".encode()).hexdigest()
    sheet = drawn.sheet
    says = (sheet.rounds_survived > 0) | (sheet.failed_round > 0) | (sheet.strength_mpa > 0)
    return Inputs(sheet_csv, parameters, sha256, len(sheet.coupons), bool(says.any()), drawn.left_out)


def is_as_the_study_stands(analysis: Analysis) -> bool:
    """Whether the same inputs would be analysed today, with the seed and the choice of that analysis."""
    choice = Choice.stored(analysis.choice)
    inputs = inputs_of(analysis.study, seed=analysis.parameters["seed"], choice=choice)
    return inputs.sha256 == analysis.inputs_sha256


def load_places(study: Study) -> int:
    """Test coupons that the next load takes."""
    settings = settings_of(study)
    return settings.test_places if settings.pk else USUAL_PLACES


def runnable_levels(study: Study) -> dict[str, list[str | float]]:
    """The levels that the study names for each factor, run or not."""
    return {
        factor.name: [level_value(level) for level in factor.levels.all()]
        for factor in study.factors.prefetch_related("levels")
    }


def load_order(study: Study) -> list[str]:
    """The loads in the order they went into a chamber; empty unless that is known of every load that holds a coupon."""
    rows = (
        Load.objects.filter(study=study, places__isnull=False)
        .order_by()
        .values_list("name")
        .annotate(began=Min("bookings__started_at"))
    )
    if any(began is None for _, began in rows):
        return []
    return [name for name, _ in sorted(rows, key=lambda row: (row[1], row[0]))]


def limits_of(study: Study) -> dict[str, Any]:
    """What the next load has to keep to: factor, level and coupons it is still enough for; levels of a factor in one load."""
    factors = list(factors_with_levels(study))
    carried = level_counts(factors)
    return {
        "left": [
            [factor.name, level_value(level), max(0, level.most_coupons - carried.get(level.pk, 0))]
            for factor in factors
            for level in factor.levels.all()
            if level.most_coupons is not None
        ],
        "levels_per_load": {
            factor.name: factor.levels_per_session for factor in factors if factor.levels_per_session is not None
        },
    }


def baseline_of(study: Study) -> dict[str, Any]:
    """Factor -> level of the repair that failed, as far as the study names one."""
    return {
        factor.name: level_value(level)
        for factor in factors_with_levels(study)
        for level in factor.levels.all()
        if level.is_baseline
    }


def runnable_of(parameters: dict[str, Any]) -> RunnableLevels | None:
    """What could be run, from the parameters of an analysis; None where the study names no level of some factor."""
    # slow import: numpy
    from labbench.science.sheet import RunnableLevels

    levels = {name: tuple(values) for name, values in parameters["runnable"].items()}
    if not all(levels.values()):
        return None
    left: dict[str, dict[str | float, int]] = {}
    for name, level, coupons in parameters.get("left", ()):
        left.setdefault(name, {})[level] = coupons
    return RunnableLevels(
        levels,
        tuple(parameters.get("impossible", ())),
        left,
        dict(parameters.get("levels_per_load", {})),
        dict(parameters.get("baseline", {})),
    )


def compute_analysis(hold: Running) -> None:
    """Evaluate the frozen sheet of the job's analysis and store the result once."""
    # slow import: scipy is only needed where something is computed
    from labbench.analysis.rivals import rivals_document
    from labbench.formats.coupon_sheet import read_coupon_sheet
    from labbench.science.document import document
    from labbench.science.evaluation import evaluate

    analysis = Analysis.objects.get(job=hold.job)
    if analysis.result is not None:
        return
    reading = read_coupon_sheet(analysis.sheet_csv.encode(), filename="sheet.csv")
    if reading.sheet is None:
        raise JobRefused("There is nothing to analyse yet: " + " ".join(str(fault) for fault in reading.faults[:5]))
    parameters = analysis.parameters
    evaluation = evaluate(
        reading.sheet,
        confidence=parameters["confidence"],
        margin=parameters["margin"],
        # Analyses asked for before it was there took the one margin for both.
        strength_margin=parameters.get("strength_margin"),
        next_count=parameters["next_count"],
        runnable=runnable_of(parameters),
        load_order=tuple(parameters.get("load_order", ())) or None,
        seed=parameters["seed"],
        progress=lambda done, total: hold.progress(done, total, "computing"),
    )
    result = document(evaluation)
    if "choice" in parameters:
        result["choice"] = parameters["choice"]
        result["rivals"] = rivals_document(reading.sheet, parameters)
    result["warnings"] = [*parameters["notes"], *result["warnings"]]
    # The later of two runs of the same job finds the row filled and leaves it.
    Analysis.objects.filter(pk=analysis.pk, finished_at=None).update(
        result=result, result_sha256=hashlib.sha256(canonical(result).encode()).hexdigest(), finished_at=timezone.now()
    )


def canonical(document: Any) -> str:
    """One text for one document, whatever the database made of the order of its keys."""
    return json.dumps(document, sort_keys=True, ensure_ascii=False, allow_nan=False)
