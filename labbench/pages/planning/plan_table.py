"""The plans of a comparison in words, as the planner's table shows them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from labbench.analysis.models import PlanComparison
from labbench.formats.factor_names import factor_label
from labbench.formats.number_texts import number_text, percent_text
from labbench.reports.wording import counted, listed, sentence

Document = Mapping[str, Any]
CAUSES = {
    "single": "one factor",
    "both": "two factors together",
    "either": "two factors, one enough",
    "graded": "one factor, by degrees",
}


@dataclass(frozen=True, slots=True)
class PlanLine:
    """One plan. `chances` are pairs of the kind of cause and its words; `separates` sentences about what it can't tell apart."""

    key: str
    title: str
    coupons: str
    controls: str
    loads: str
    chamber_hours: float | None
    chances: tuple[tuple[str, str], ...]
    separates: tuple[str, ...]
    warnings: tuple[str, ...]
    can_be_used: bool


def plan_lines(comparison: PlanComparison) -> tuple[PlanLine, ...]:
    return tuple(plan_line(row, comparison.inputs) for row in (comparison.result or {}).get("plans", ()))


def plan_line(row: Document, inputs: Document) -> PlanLine:
    """One row of the stored document in words."""
    at_most = "at most " if row["is_sequential"] else ""
    warnings = [sentence(row["reason"])] if row["reason"] else []
    if row["coupons"] and not row["fits"]:
        warnings.append(
            f"{counted(row['loads'], 'load')}: more than the {number_text(inputs['loads_ready'])} the lab is ready to run."
        )
    if row["coupons"] and not row["is_told"]:
        warnings.append("Too large to be played or put up.")
    return PlanLine(
        key=row["key"],
        title=row["title"],
        coupons=f"{at_most}{number_text(row['coupons'])}" if row["coupons"] else "none",
        controls=number_text(row["controls"]),
        loads=f"{at_most}{number_text(row['loads'])}",
        chamber_hours=row["chamber_hours"] if row["loads"] else None,
        chances=chance_words(row),
        separates=separation(row),
        warnings=tuple(warnings),
        can_be_used=bool(row["arms"]),
    )


def chance_words(row: Document) -> tuple[tuple[str, str], ...]:
    found = []
    for cause, label in CAUSES.items():
        chance = (row["chances"] or {}).get(cause)
        if chance is None:
            continue
        words = f"{percent_text(chance['found'])} (± {percent_text(chance['standard_error'])})"
        if chance["wrong"]:
            words += f", wrong in {percent_text(chance['wrong'])}"
        if row["is_sequential"]:
            words += f"; after {number_text(round(chance['mean_coupons']))} coupons on average"
        found.append((label, words))
    return tuple(found)


def separation(row: Document) -> tuple[str, ...]:
    """What the plan can't tell apart, in words."""
    if row["is_sequential"] and row["arms"]:
        return ("Told apart load by load: each next load is chosen for what is still mixed up.",)
    if not row["is_told"]:
        return ()
    words = [f"Never changes {factor_label(name)}." for name in row["not_varied"]]
    whole: dict[str, list[str]] = {}
    partly: dict[str, list[str]] = {}
    for alias in row["aliases"]:
        others = " with ".join(factor_label(name) for name in alias["others"])
        (whole if alias["is_whole"] else partly).setdefault(factor_label(alias["factor"]), []).append(others)
    words += [f"Can’t tell {factor} from {listed_or(others)}." for factor, others in whole.items()]
    words += [f"Tells {factor} only partly from {listed_or(others)}." for factor, others in partly.items()]
    if row["aliases_left_out"]:
        words.append(f"And {row['aliases_left_out']} more of this kind.")
    return tuple(words) or ("Tells every factor from every other one, and from any two of the others together.",)


def listed_or(words: list[str]) -> str:
    return listed(words).replace(" and ", " or ") if len(words) > 1 else words[0]
