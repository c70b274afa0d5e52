"""The last verdicts of studies in a few words, for lists."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import OuterRef, Subquery
from django.db.models.fields.json import KeyTransform

from labbench.analysis.models import Analysis
from labbench.formats.factor_names import factor_label
from labbench.studies.models import Study


@dataclass(frozen=True, slots=True)
class StudyVerdict:
    """What the last finished analysis of a study says: the factors by verdict."""

    finished_at: datetime
    implicated: tuple[str, ...]
    confounded: tuple[str, ...]
    undecided: tuple[str, ...]
    cleared: tuple[str, ...]

    @property
    def state(self) -> str:
        """The verdict that matters most."""
        order = ("implicated", "confounded", "undecided", "cleared")
        return next((state for state in order if getattr(self, state)), "undecided")

    @property
    def words(self) -> str:
        """E.g. "resin lot implicated", "lamp, cover confounded", "all cleared", "nothing to decide"."""
        names = [factor_label(name) for name in getattr(self, self.state)]
        if not names:
            return "no factor to decide about"
        if self.state == "cleared":
            return "all factors cleared" if len(names) > 1 else f"{names[0]} cleared"
        if self.state == "undecided" and len(names) > 2:
            return f"undecided: {len(names)} factors"
        return f"{', '.join(names[:3])}{' …' if len(names) > 3 else ''} {self.state}"


def last_verdicts(study_ids: Collection[int]) -> dict[int, StudyVerdict]:
    """Study -> its last finished analysis as planned, in words; studies without one are left out. One query."""
    latest = (
        Analysis.objects.filter(study=OuterRef("pk"), finished_at__isnull=False, choice={})
        .order_by("-requested_at", "-id")
        .values("pk")[:1]
    )
    rows = Analysis.objects.filter(
        pk__in=Study.objects.filter(pk__in=study_ids).order_by().values(latest=Subquery(latest))
    ).annotate(verdicts=KeyTransform("factors", "result"))
    return {
        study_id: summed_up(finished_at, factors or [])
        for study_id, finished_at, factors in rows.order_by().values_list("study_id", "finished_at", "verdicts")
        if finished_at is not None
    }


def summed_up(finished_at: datetime, factors: list[dict[str, Any]]) -> StudyVerdict:
    by_state: dict[str, list[str]] = {"implicated": [], "confounded": [], "undecided": [], "cleared": []}
    for factor in factors:
        state = (factor.get("verdict") or {}).get("state", "undecided")
        by_state.setdefault(state, []).append(factor["factor"])
    return StudyVerdict(finished_at, **{state: tuple(by_state[state]) for state in StudyVerdict.__slots__[1:]})
