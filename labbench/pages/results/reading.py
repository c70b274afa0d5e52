"""A finished analysis as the results page shows it: words, tables, pictures, all from the document and the frozen sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from labbench.analysis.combinations import Combination, CombinationTable, combination_table, crossed_counts
from labbench.analysis.frozen_sheet import broken_by_level, broken_pristine, frozen_sheet
from labbench.analysis.models import Analysis
from labbench.formats.number_texts import number_text, percent_text, unit_of_name
from labbench.pages.results.charts import (
    Chart,
    cause_probabilities,
    failure_differences,
    strengths,
    survival_curves,
)
from labbench.pages.results.course import NextCoupon, course, next_coupon
from labbench.pages.results.crossing import CrossingPart, crossing_part
from labbench.pages.results.rival_chart import named_against_measured
from labbench.reports.answer import Answer, answer, pair_words, verdict_about, verdict_words
from labbench.reports.causes import warnings_in_words
from labbench.reports.choices_in_words import Comparison, RivalPart, choice_words, comparison, rival_parts
from labbench.reports.level_tables import LevelTable, level_tables
from labbench.reports.tests_in_words import TestRow, adjusted_p, disagreements, test_rows, varied
from labbench.reports.wording import (
    counted,
    factor_label,
    level_label,
    levels_label,
    listed,
    names_apart,
    plainly,
    probability_text,
    sentence,
)
from labbench.science.sheet import CouponSheet

Document = Mapping[str, Any]
MOST_LEVELS_CROSSED = 40
LARGEST_DOT_RADIUS = 15
CONTROLS = {"pristine": "pristine controls", "unrepaired": "unrepaired controls", "reference": "reference repairs"}


@dataclass(frozen=True, slots=True)
class LevelPart:
    """One level of a factor: its name and what the document says of it."""

    label: str
    numbers: Document
    survival: Document | None
    survival_words: str


@dataclass(frozen=True, slots=True)
class FactorPart:
    """One factor of the page. `verdict` is None where none was given."""

    anchor: str
    name: str
    label: str
    unit: str
    missing: int
    n_used: int
    verdict: Document | None
    verdict_about: str
    verdict_words: str
    part: str
    plain_p: float | None
    adjusted_p: float | None
    association: str
    levels: tuple[LevelPart, ...]
    has_strength: bool
    tests: tuple[TestRow, ...]
    disagreements: tuple[str, ...]
    tables: tuple[LevelTable, ...]
    charts: tuple[Chart, ...]


@dataclass(frozen=True, slots=True)
class CountCell:
    """Coupons with one pair of levels; the dot's area is the count."""

    count: int
    dot_radius: float
    is_asked_for: bool


@dataclass(frozen=True, slots=True)
class PairPart:
    """Two factors that are confounded, and how their levels met."""

    first: str
    second: str
    is_full: bool
    words: str
    breaking_coupon: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[CountCell, ...]], ...]


@dataclass(frozen=True, slots=True)
class CombinationPart:
    """The table of combinations with its headings."""

    table: CombinationTable
    rows_label: str
    columns_label: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[Combination, ...]], ...]
    shown: str
    factors: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class ControlPart:
    """The controls of one role, and how they fared."""

    role: str
    coupons: int
    failed: int
    broken: int
    median_mpa: float | None


@dataclass(frozen=True, slots=True)
class Reading:
    """Everything below the heading of the results page."""

    answer: Answer
    sheet: Document
    confidence: str
    margin: str
    factors: tuple[FactorPart, ...]
    pairs: tuple[PairPart, ...] | None
    crossing: CrossingPart | None
    combinations: CombinationPart | None
    causes: Chart | None
    course: Chart | None
    next_factors: tuple[str, ...]
    next_coupons: tuple[NextCoupon, ...] | None
    controls: tuple[ControlPart, ...]
    is_isolated: bool
    is_confirmed: bool
    warnings: tuple[str, ...]
    reason: str
    has_varied: bool
    choice: str
    rivals: tuple[tuple[RivalPart, Chart | None], ...]
    compared: Comparison | None


def reading(
    analysis: Analysis, *, rows: str = "", columns: str = "", repaired_by: Mapping[str, str] | None = None
) -> Reading:
    """The page of a finished analysis; `rows` and `columns` choose the factors of the table of combinations.

    `repaired_by` says who repaired a coupon, as recorded by now: the frozen sheet does not know.
    """
    result: Document = names_apart(analysis.result) if analysis.result else {}
    sheet = frozen_sheet(analysis)
    parameters = result["parameters"]
    coupons = result.get("next_coupons")
    found = result.get("cause") or {}
    hypotheses = found.get("hypotheses") or []
    factors = [factor["factor"] for factor in result["factors"]]
    next_factors = tuple(coupons[0]["levels"]) if coupons else ()
    return Reading(
        answer=answer(result),
        sheet=result["sheet"],
        confidence=percent_text(parameters["confidence"]),
        margin=percent_text(parameters["margin"]),
        factors=tuple(
            factor_part(factor, number, sheet, result) for number, factor in enumerate(result["factors"], start=1)
        ),
        pairs=None if result.get("confounded") is None else tuple(pair_part(p, sheet) for p in result["confounded"]),
        crossing=crossing_part(sheet, repaired_by),
        combinations=combination_part(sheet, parameters, rows=rows, columns=columns),
        causes=cause_probabilities(hypotheses, factors),
        course=course(result.get("trail") or [], factors),
        next_factors=tuple(factor_label(name) for name in next_factors),
        next_coupons=None if coupons is None else tuple(next_coupon(row, next_factors, factors) for row in coupons),
        controls=control_parts(sheet),
        is_isolated=found.get("isolated") is not None,
        is_confirmed=bool(found.get("confirmed")),
        warnings=warnings_in_words(result),
        reason=sentence(result.get("reason") or plainly(found.get("sentence") or "", factors)),
        has_varied=sum(len(factor["levels"]) > 1 for factor in result["factors"]) > 1,
        choice=choice_words(analysis.choice) if analysis.choice else "",
        rivals=tuple(zip(rival_parts(result), rival_charts(analysis, sheet, result), strict=True)),
        compared=compared_with(analysis, result),
    )


def rival_charts(analysis: Analysis, sheet: CouponSheet | None, result: Document) -> list[Chart | None]:
    """A picture of each comparison of a name with a measured value, from the frozen inputs."""
    beside = analysis.parameters.get("beside") or {}
    return [
        None if sheet is None else named_against_measured(sheet, named, measured, beside, anchor=f"rival-{number}")
        for number, (named, measured) in enumerate((rival["factors"] for rival in result.get("rivals") or ()), start=1)
    ]


def compared_with(analysis: Analysis, result: Document) -> Comparison | None:
    """The analysis of all coupons beside one that leaves some out; None while it is not finished, or where there is none."""
    if analysis.beside is None or analysis.beside.result is None:
        return None
    return comparison(names_apart(analysis.beside.result), result)


def factor_part(factor: Document, number: int, sheet: CouponSheet | None, result: Document) -> FactorPart:
    """One factor with its tables, tests and plots."""
    name, anchor = factor["factor"], f"factor-{number}"
    factors = [other["factor"] for other in result["factors"]]
    margin, confidence = result["parameters"]["margin"], result["parameters"]["confidence"]
    besides = varied(result, sheet)
    verdict = factor.get("verdict")
    broken = broken_by_level(sheet, name) if sheet else {}
    charts = (
        failure_differences(factor, anchor, margin=margin, confidence=confidence),
        survival_curves(factor, anchor, confidence=confidence),
        strengths(factor, anchor, broken, broken_pristine(sheet) if sheet else ()),
    )
    return FactorPart(
        anchor=anchor,
        name=name,
        label=factor_label(name),
        unit=unit_of_name(name) if factor["kind"] == "numeric" else "",
        missing=factor["missing"],
        n_used=factor.get("n_used", 0),
        verdict=verdict,
        verdict_about=verdict_about(factor, (result.get("cause") or {}).get("isolated")),
        verdict_words=verdict_words(verdict, factors),
        part=probability_text(verdict["probability"]) if verdict and verdict.get("probability") is not None else "",
        plain_p=factor["association"]["p_value"],
        adjusted_p=adjusted_p(factor, besides),
        association=sentence(plainly(factor.get("sentence", ""), factors)),
        levels=tuple(level_part(name, level) for level in factor["levels"]),
        has_strength=any(level["strength"] for level in factor["levels"]),
        tests=tuple(test_rows(factor, confidence=confidence, besides=besides)),
        disagreements=tuple(disagreements(factor, confidence=confidence, besides=besides)),
        tables=tuple(level_tables(factor)),
        charts=tuple(chart for chart in charts if chart),
    )


def level_part(factor: str, level: Document) -> LevelPart:
    last = level["survival"][-1] if level["survival"] else None
    words = "" if last is None or last.get("low") is not None else sentence(last.get("reason", ""))
    return LevelPart(level_label(factor, level["level"]), level, last, words)


def pair_part(pair: Document, sheet: CouponSheet | None) -> PairPart:
    """Two confounded factors; the dots show how often their levels met."""
    first, second = pair["factors"]
    is_full = pair["kind"] == "full"
    breaking = pair.get("breaking_coupon") or {}
    a, b = factor_label(first), factor_label(second)
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, tuple[CountCell, ...]], ...] = ()
    if sheet is not None and {first, second} <= {column.name for column in sheet.factors}:
        down, across = (next(c for c in sheet.factors if c.name == name) for name in (first, second))
        counts = crossed_counts(sheet, first, second)[:MOST_LEVELS_CROSSED, :MOST_LEVELS_CROSSED]
        most = max(1, int(counts.max(initial=0)))
        columns = tuple(level_label(second, level) for level in across.levels[:MOST_LEVELS_CROSSED])
        rows = tuple(
            (
                level_label(first, down.levels[i]),
                tuple(
                    CountCell(
                        count=int(count),
                        dot_radius=round(LARGEST_DOT_RADIUS * (int(count) / most) ** 0.5, 1),
                        is_asked_for=breaking.get(first) == down.levels[i] and breaking.get(second) == across.levels[j],
                    )
                    for j, count in enumerate(line)
                ),
            )
            for i, line in enumerate(counts)
        )
    return PairPart(a, b, is_full, pair_words(pair), levels_label(breaking), columns, rows)


def combination_part(
    sheet: CouponSheet | None, parameters: Document, *, rows: str, columns: str
) -> CombinationPart | None:
    """The table of the factors asked for, else of resin against lamp, else of one factor alone; None without a factor."""
    found = {c.name: c for c in sheet.factors if 0 < len(c.levels) <= MOST_LEVELS_CROSSED} if sheet else {}
    if sheet is None or not found:
        return None
    names = list(found)
    down = rows if rows in found else first_called("resin", names) or first_called("lamp", names) or names[0]
    across = columns if columns in found and columns != down else None
    if across is None and rows not in found:
        across = first_called("lamp", [name for name in names if name != down])
    table = combination_table(sheet, down, across, margin=parameters["margin"], confidence=parameters["confidence"])
    states: list[str] = [cell.state for line in table.cells for cell in line if cell.was_run]
    counted_states = (
        ("qualified", "shown to hold"),
        ("not_qualified", "shown to fail"),
        ("not_enough", "not enough evidence"),
    )
    shown = listed(f"{number_text(states.count(s))} {words}" for s, words in counted_states)
    return CombinationPart(
        table=table,
        rows_label=factor_label(down),
        columns_label=factor_label(across) if across else "",
        columns=tuple(level_label(across, level) if across else "all coupons" for level in table.column_levels),
        rows=tuple((level_label(down, level), line) for level, line in zip(table.row_levels, table.cells, strict=True)),
        shown=f"Of {counted(len(states), 'combination' if across else 'level')} run: {shown}.",
        factors=tuple((name, factor_label(name)) for name in names),
    )


def control_parts(sheet: CouponSheet | None) -> tuple[ControlPart, ...]:
    """The roles beside the test coupons that have any."""
    if sheet is None:
        return ()
    parts = []
    for role, label in CONTROLS.items():
        here = sheet.roles == role
        strengths_mpa = sheet.strength_mpa[here & np.isfinite(sheet.strength_mpa)]
        if here.any():
            parts.append(
                ControlPart(
                    role=label,
                    coupons=int(here.sum()),
                    failed=int((here & sheet.is_failed).sum()),
                    broken=len(strengths_mpa),
                    median_mpa=float(np.median(strengths_mpa)) if len(strengths_mpa) else None,
                )
            )
    return tuple(parts)


def first_called(word: str, names: Sequence[str]) -> str | None:
    return next((name for name in names if name.startswith(word)), None)
