"""The other ways in which a study's coupons were looked at, for its results page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models.fields.json import KeyTransform

from labbench.analysis.choices import TOUCHED, Choice, touched_coupons
from labbench.analysis.covariates import BY_NAME, is_source, measured_that_differ
from labbench.analysis.queries import other_choices
from labbench.bench.models import Deviation, ReceivedDose
from labbench.reports.causes import NO_CAUSE
from labbench.reports.choices_in_words import choice_words, rival_words
from labbench.reports.wording import factor_label, listed, plainly, probability_text
from labbench.studies.models import Factor, Study

MOST_LISTED = 6
DOSE = "dose_min_mj_cm2"


@dataclass(frozen=True, slots=True)
class OtherChoice:
    """One analysis of another choice."""

    pk: int
    words: str
    requested_at: datetime
    is_open: bool
    state: str
    state_words: str
    headline: str
    rivals: tuple[str, ...]
    cause: str = ""
    measured: str = ""
    is_measured: bool = False


@dataclass(frozen=True, slots=True)
class Preset:
    """A choice at one press: its fields, and what the button says."""

    words: str
    fields: tuple[tuple[str, str], ...]

    @property
    def is_measured(self) -> bool:
        return any(name == "measured" for name, _ in self.fields)


def listed_choices(study: Study) -> list[OtherChoice]:
    """The newest analysis of each other choice; one query."""
    rows = other_choices(study).annotate(cause=KeyTransform("cause", "result"), rivals=KeyTransform("rivals", "result"))
    found: list[OtherChoice] = []
    seen: list[dict[str, Any]] = []
    for row in rows[: 4 * MOST_LISTED]:
        if row.choice in seen or len(found) == MOST_LISTED:
            continue
        seen.append(row.choice)
        names = [*row.choice.get("measured", ()), *(name for rival in row.rivals or () for name in rival["factors"])]
        isolated = (row.cause or {}).get("isolated")
        found.append(
            OtherChoice(
                row.pk,
                choice_words(row.choice),
                row.requested_at,
                row.job.is_open,
                row.job.state,
                row.job.get_state_display(),
                ""
                if row.finished_at is None
                else f"{plainly(isolated, names)} is isolated"
                if isolated
                else "no cause is isolated",
                tuple(rival_words(rival) for rival in row.rivals or ()),
                cause_words(row.cause or {}, row.choice, names),
                measured_alone(row.choice),
                bool(row.choice.get("measured")),
            )
        )
    return found


def cause_words(cause: Mapping[str, Any], choice: Mapping[str, Any], names: Sequence[str]) -> str:
    """The isolated cause with its probability, "" where none is isolated, or one that no measured value of the choice is part of."""
    isolated, probability = cause.get("isolated"), cause.get("isolated_probability")
    if not isolated or isolated == NO_CAUSE or probability is None:
        return ""
    if not any(name in isolated for name in choice.get("measured", ())):
        return ""
    return f"{plainly(isolated, names)} ({probability_text(probability)})"


def measured_alone(choice: Mapping[str, Any]) -> str:
    """The measured values of a choice that leaves no coupon out, else ""."""
    return "" if Choice.stored(choice).leaves_out else listed(factor_label(name) for name in choice.get("measured", ()))


def isolating(others: Sequence[OtherChoice], result: Mapping[str, Any] | None) -> OtherChoice | None:
    """The newest choice of measured values that isolates a cause where the names of the study do not.

    One that leaves coupons out is not pointed to: leaving out until something is isolated would be no answer.
    """
    if ((result or {}).get("cause") or {}).get("isolated"):
        return None
    return next((one for one in others if one.measured and one.cause), None)


def not_looked_at(study: Study, others: Sequence[OtherChoice]) -> str:
    """What was measured of the repairs, in words, where no analysis of the study has looked at any of it; "" else."""
    if any(one.is_measured for one in others):
        return ""
    return listed("dose" if name == DOSE else factor_label(name) for name in measured_that_differ(study))


def presets(study: Study) -> list[Preset]:
    """Choices that a study asks for by itself: the dose where lamps differ, and all coupons but those that went through a deviation."""
    found = []
    factors = list(study.factors.all())
    sources = [factor for factor in factors if is_source(factor, BY_NAME[DOSE])]
    doses = ReceivedDose.objects.filter(repair__coupon__study=study, repair__coupon__role="test")
    if any(factor.source == Factor.Source.LAMP for factor in sources) and doses.exists():
        fields: list[tuple[str, Any]] = [("measured", DOSE), *(("without", factor.name) for factor in sources)]
        found.append(Preset(f"The dose in place of {listed(factor_label(one.name) for one in sources)}", tuple(fields)))
    touched = touched_coupons(study)
    kinds = [kind for kind in TOUCHED if any(kind in found_kinds for found_kinds in touched.kinds.values())]
    if kinds:
        words = listed(Deviation.Kind(kind).label for kind in kinds)
        found.append(Preset(f"Without coupons of a {words}", tuple(("kinds", kind) for kind in kinds)))
    return found
