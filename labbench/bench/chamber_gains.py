"""What would it take: the lab changed in one thing, planned again, and how much sooner and less late everything would be."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from django.db import transaction
from django.utils import timezone

from labbench.bench.chamber_book import KIND_OF_STEP, ChamberBook, chamber_book
from labbench.bench.chamber_labs import planned_lab, whole_minute
from labbench.bench.chamber_plans import LEAD
from labbench.bench.models import ChamberPlan, PlanAlternatives
from labbench.jobs.models import Job
from labbench.jobs.services import JobRefused, Running, enqueue
from labbench.lab.models import Chamber, StaffedWindow
from labbench.lab.models.hours import DAY_MINUTES

TASK = "labbench.chamber_gains"
LONGER_MINUTES = 120
SECONDS = 5.0
SATURDAY = StaffedWindow.Weekday.SATURDAY
HORIZON_DAYS = 70


def request_gains(*, plan: ChamberPlan, by: Any) -> Job:
    """Ask what would gain over a plan; the same question that is still open is not asked twice."""
    with transaction.atomic():
        asked = plan.alternatives.select_related("job").first()
        if asked is not None and asked.job.is_open:
            return asked.job
        job = enqueue(task=TASK, title="What would gain over the plan", arguments={}, requested_by=by)
        PlanAlternatives.objects.create(plan=plan, job=job, requested_at=timezone.now())
    return job


def run_gains(hold: Running) -> None:
    """Plan the lab as it is and changed in one thing after another, each for as long, and keep the differences."""
    # slow import: ortools
    from labbench.science.scheduling.solver import plan_chambers

    asked = PlanAlternatives.objects.select_related("plan").get(job=hold.job)
    if asked.result is not None:
        return
    book = chamber_book(now=timezone.now())
    loads = None if asked.plan.loads is None else set(asked.plan.loads)
    start = whole_minute(book.now + LEAD)
    changes = [("as it is", book), *changed_books(book, loads)]
    rows: list[dict[str, Any]] = []
    for number, (words, changed) in enumerate(changes):
        hold.progress(number, len(changes), words)
        made = planned_lab(changed, start=start, loads=loads, horizon_days=HORIZON_DAYS)
        if made.lab is None:
            raise JobRefused(" ".join(["There is no load to plan.", *made.left_out]))
        plan = plan_chambers(made.lab, seconds=SECONDS)
        rows.append(
            {
                "words": words,
                "end": made.time(plan.score.makespan_minutes).isoformat() if plan.score else None,
                "makespan_minutes": plan.score.makespan_minutes if plan.score else None,
                "late_minutes": sum(minutes for _, minutes in plan.late) if plan.score else None,
                "is_proved": "makespan" in plan.proved,
            }
        )
    PlanAlternatives.objects.filter(pk=asked.pk, result__isnull=True).update(result={"rows": rows, "seconds": SECONDS})


def changed_books(book: ChamberBook, loads: set[int] | None) -> Iterator[tuple[str, ChamberBook]]:
    """The book changed in one thing: longer days, a Saturday, one more chamber of each kind in use. Nothing is stored."""
    if not book.hours.is_always:
        longer = []
        for window in book.hours.windows:
            end = min(window.to_minutes + LONGER_MINUTES, DAY_MINUTES)
            longer.append(StaffedWindow(weekday=window.weekday, from_minutes=window.from_minutes, to_minutes=end))
        yield "staffed days 2 h longer", replace(book, hours=replace(book.hours, windows=tuple(longer)))
        if not any(window.weekday == SATURDAY for window in book.hours.windows):
            latest = max(window.weekday for window in book.hours.windows)
            like = [window for window in book.hours.windows if window.weekday == latest]
            more = [
                StaffedWindow(weekday=SATURDAY, from_minutes=one.from_minutes, to_minutes=one.to_minutes)
                for one in like
            ]
            windows = (*book.hours.windows, *more)
            yield "Saturdays staffed too", replace(book, hours=replace(book.hours, windows=windows))
    steps = {
        KIND_OF_STEP[step.kind]  # type: ignore[index]
        for way in book.ways.values()
        if way.is_open and (loads is None or way.load.pk in loads)
        for step in way.steps
    }
    for kind in [kind for kind in Chamber.Kind if kind in steps]:
        alike = [one for one in book.chambers.values() if one.kind == kind and one.retired_on is None]
        largest = max(alike, key=lambda one: one.capacity_coupons, default=None)
        least = max((way.coupons for way in book.ways.values()), default=1)
        more_code = f"one more {Chamber.Kind(kind).label}"
        one = Chamber(
            pk=-1,
            code=more_code,
            kind=kind,
            capacity_coupons=largest.capacity_coupons if largest else max(least, 1),
            lowest_c=largest.lowest_c if largest else None,
            highest_c=largest.highest_c if largest else None,
        )
        chambers, closures = {**book.chambers, -1: one}, {**book.closures, -1: []}
        yield more_code, replace(book, chambers=chambers, closures=closures)


def gained(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The rows with what each gains over the first."""
    base = rows[0]
    found = []
    for row in rows[1:]:
        both = base["makespan_minutes"] is not None and row["makespan_minutes"] is not None
        found.append(
            row
            | {
                "gained": base["makespan_minutes"] - row["makespan_minutes"] if both else None,
                "gained_late": base["late_minutes"] - row["late_minutes"] if both else None,
            }
        )
    return found
