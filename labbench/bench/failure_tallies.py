"""Failures and repairs of every study, counted by what they can be told apart by.

Counting looks at every failure and every repair of the lab, so the tallies are kept, one a study. Each record and each
correction adds a row to a history: the rows since a tally was made name the coupons that changed, and only the studies
of these are counted again.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from typing import Any, NamedTuple

from django.core.cache import cache
from django.db import connection
from django.db.models import Max
from django.utils import timezone

from labbench.bench.models import Inspection, Repair
from labbench.studies.models import Coupon, Study

# Where several write at once, a row of a history with a lower number may be committed later. SQLite has one writer.
LATE_ROWS = 0 if connection.vendor == "sqlite" else 20
FAILED = [one for one in Inspection.Outcome if one != Inspection.Outcome.INTACT]

Made = tuple[int | None, int | None, int | None, str]  # lot, lamp, technician, edge: as in Choice
Failed = tuple[str, str, Made]  # outcome, mode


class Tally(NamedTuple):
    """One study: the days of its failures in order (as ordinals), and the number of its repaired coupons."""

    failures: dict[Failed, list[int]]
    repairs: dict[Made, int]


@dataclass(frozen=True, slots=True)
class Choice:
    """What is counted; None: whatever it is."""

    studies: frozenset[int] | None = None
    not_studies: frozenset[int] = frozenset()
    lots: frozenset[int] | None = None
    lamp: int | None = None
    technician: int | None = None
    edge: str | None = None
    outcome: str | None = None
    modes: frozenset[str] | None = None
    seen_from: date | None = None
    seen_to: date | None = None

    def is_made(self, made: Made) -> bool:
        lot, lamp, technician, edge = made
        return (
            (self.lots is None or lot in self.lots)
            and (self.lamp is None or lamp == self.lamp)
            and (self.technician is None or technician == self.technician)
            and (self.edge is None or edge == self.edge)
        )


@dataclass(slots=True)
class FailureCount:
    """Failures of one mode, lot or lamp; `of` is the number of coupons repaired with it."""

    name: str = ""
    cracked_out: int = 0
    other: int = 0
    of: int = 0

    @property
    def seen(self) -> int:
        return self.cracked_out + self.other

    def add(self, outcome: str, count: int) -> None:
        if outcome == Inspection.Outcome.CRACKED_OUT:
            self.cracked_out += count
        else:
            self.other += count


@dataclass(slots=True)
class FailureCounts:
    """Failures by mode, by lot and by lamp; keys are words and primary keys, None where no repair is recorded."""

    modes: dict[str, FailureCount] = field(default_factory=dict)
    lots: dict[int | None, FailureCount] = field(default_factory=dict)
    lamps: dict[int | None, FailureCount] = field(default_factory=dict)

    @property
    def seen(self) -> int:
        return sum(row.seen for row in self.modes.values())


def failure_counts(choice: Choice) -> FailureCounts:
    """The failures that fit, and out of how many coupons repaired alike; no repair has an outcome, a mode or a day seen."""
    counts = FailureCounts()
    first = choice.seen_from.toordinal() if choice.seen_from else None
    last = choice.seen_to.toordinal() if choice.seen_to else None
    failures: Counter[tuple[str, str, int | None, int | None]] = Counter()
    repairs: Counter[tuple[int | None, int | None]] = Counter()
    for study, tally in tallies().items():
        if study in choice.not_studies or (choice.studies is not None and study not in choice.studies):
            continue
        for made, count in tally.repairs.items():
            if choice.is_made(made):
                repairs[made[0], made[1]] += count
        for (outcome, mode, made), days in tally.failures.items():
            if (
                (choice.outcome is None or outcome == choice.outcome)
                and (choice.modes is None or mode in choice.modes)
                and choice.is_made(made)
            ):
                start = 0 if first is None else bisect_left(days, first)
                end = len(days) if last is None else bisect_right(days, last)
                if end > start:
                    failures[outcome, mode, made[0], made[1]] += end - start
    for (outcome, mode, lot, lamp), count in failures.items():
        name = " – ".join(filter(None, (Inspection.Outcome(outcome).label, mode)))
        counts.modes.setdefault(name, FailureCount(name)).add(outcome, count)
        counts.lots.setdefault(lot, FailureCount()).add(outcome, count)
        counts.lamps.setdefault(lamp, FailureCount()).add(outcome, count)
    for (lot, lamp), count in repairs.items():
        if lot in counts.lots:
            counts.lots[lot].of += count
        if lamp in counts.lamps:
            counts.lamps[lamp].of += count
    return counts


def tallies() -> dict[int, Tally]:
    """The tally of every study by its key: those kept, after counting again what changed since."""
    marks = [model.history.aggregate(last=Max("history_id"))["last"] or 0 for model in (Inspection, Repair, Coupon)]
    studies = list(Study.objects.order_by("pk").values_list("pk", flat=True))
    # The time zone is part of the key: a day begins elsewhere in another.
    zone = timezone.get_current_timezone_name()
    kept_marks = cache.get(f"failures-marks-{zone}")
    kept: dict[int, Tally] = {}
    if kept_marks is not None:
        changed = set() if kept_marks == marks else changed_studies(kept_marks)
        found = cache.get_many([f"failures-{zone}-{study}" for study in studies if study not in changed])
        kept = {study: found[key] for study in studies if (key := f"failures-{zone}-{study}") in found}
    anew = counted([study for study in studies if study not in kept])
    if anew or kept_marks != marks:
        # Without an end: the marks say what is stale. The tallies first: with marks that are too old they are only counted once more.
        cache.set_many({f"failures-{zone}-{study}": tally for study, tally in anew.items()}, None)
        cache.set(f"failures-marks-{zone}", marks, None)
    return kept | anew


def changed_studies(marks: list[int]) -> set[int]:
    """Studies of the coupons that a record or a correction after these marks is about."""
    looks, repairs, coupons = marks
    touched: set[int] = set()
    for model, mark, name in (
        (Inspection, looks, "coupon_id"),
        (Repair, repairs, "coupon_id"),
        (Coupon, coupons, "id"),
    ):
        rows = model.history.filter(history_id__gt=mark - LATE_ROWS).order_by()
        touched |= set(rows.values_list(name, flat=True).distinct())
    # The history, for a coupon may be gone.
    return set(Coupon.history.filter(id__in=touched).order_by().values_list("study_id", flat=True).distinct())


def counted(studies: list[int]) -> dict[int, Tally]:
    """The tallies of these studies from their records."""
    made: dict[int, Tally] = {study: Tally({}, {}) for study in studies}
    if not studies:
        return made
    columns = ("resin_lot", "lamp", "technician", "coupon__edge_distance_mm")
    repairs = Repair.objects.filter(coupon__study__in=studies).order_by().values_list("coupon__study", *columns)
    for study, lot, lamp, technician, edge in repairs.iterator(chunk_size=5000):
        key = (lot, lamp, technician, edge_of(edge))
        made[study].repairs[key] = made[study].repairs.get(key, 0) + 1
    looks = Inspection.objects.filter(coupon__study__in=studies, outcome__in=FAILED).order_by()
    paths = (f"coupon__repair__{name}" for name in columns[:3])
    rows: Iterable[Any] = looks.values_list(
        "coupon__study", "outcome", "failure_mode", "seen_at", *paths, "coupon__edge_distance_mm"
    )
    for study, outcome, mode, seen_at, lot, lamp, technician, edge in rows:
        day = timezone.localtime(seen_at).toordinal()
        made[study].failures.setdefault((outcome, mode, (lot, lamp, technician, edge_of(edge))), []).append(day)
    for tally in made.values():
        for days in tally.failures.values():
            days.sort()
    return made


def edge_of(distance_mm: float | None) -> str:
    """The class of a distance to the edge of the glass, as Coupon.is_near_edge has it."""
    return "unknown" if distance_mm is None else "near" if distance_mm < 50 else "far"
