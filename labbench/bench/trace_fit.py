"""Whether the times of a logger file fit its load: one of another day, or from the future, is no evidence of the load's soaks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from labbench.bench.models import Booking, TraceEvaluation

# A logger's clock and the lab's may differ by this much before a reading counts as one from the future (common practice, no source).
AHEAD_AT_MOST = timedelta(minutes=5)
OTHER_DAY = (
    "The times of the file lie outside all bookings of the load, planned and recorded. Is it the right load and the right day? "
    "Else correct the logger’s clock, or take the file out and hand it in with its own load."
)
AHEAD = (
    "The logger’s clock is ahead: the file has readings from after it was handed in. Correct the clock, with how it is known "
    "by how much it was off."
)
UNTIED = "No chamber is booked for this load, so nothing ties the file to the load: look at its times yourself."

# A planned or recorded stay; the end is None while the load is inside.
Span = tuple[datetime, datetime | None]


def why_not(starts_at: datetime, ends_at: datetime, uploaded_at: datetime, spans: Sequence[Span]) -> str:
    """Why a file does not count for a load that is booked for `spans`, with what to do; "" where it counts."""
    if ends_at > uploaded_at + AHEAD_AT_MOST:
        return AHEAD
    if spans and not any(begin <= ends_at and (end is None or end >= starts_at) for begin, end in spans):
        return OTHER_DAY
    return ""


def spans_of(loads: Iterable[int]) -> dict[int, list[Span]]:
    """Per load (its key) all stays in chambers, as planned and as recorded. One query."""
    found: dict[int, list[Span]] = {}
    rows = Booking.objects.filter(load__in=set(loads)).values_list(
        "load_id", "planned_start", "planned_end", "started_at", "ended_at"
    )
    for load, planned_start, planned_end, started_at, ended_at in rows:
        spans = found.setdefault(load, [])
        spans.append((planned_start, planned_end))
        if started_at is not None:
            spans.append((started_at, ended_at))
    return found


def misfits(evaluations: Iterable[int]) -> dict[int, str]:
    """Per finished evaluation (its key) why its file does not count for its load; those that count are left out. Two queries."""
    rows = list(
        TraceEvaluation.objects.filter(pk__in=list(evaluations), finished_at__isnull=False).values_list(
            "pk", "trace__load_id", "trace__uploaded_at", "result__starts_at", "result__ends_at"
        )
    )
    spans = spans_of(load for _, load, *_ in rows)
    said = {
        pk: why_not(datetime.fromisoformat(begin), datetime.fromisoformat(end), uploaded_at, spans.get(load, ()))
        for pk, load, uploaded_at, begin, end in rows
    }
    return {pk: words for pk, words in said.items() if words}


def misfit_of(evaluation: TraceEvaluation) -> str:
    """Why the file of one finished evaluation does not count; "" where it does."""
    return misfits([evaluation.pk]).get(evaluation.pk, "")
