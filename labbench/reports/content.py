"""What a report says, as plain texts and tables for labbench/reports/report.typ; every number is rounded here, by formats."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime
from typing import Any

from django.utils import timezone

from labbench.analysis.combinations import CombinationTable, combination_table
from labbench.analysis.frozen_sheet import frozen_sheet
from labbench.analysis.models import Analysis
from labbench.bench.models import Deviation, Load
from labbench.bench.trace_standing import SoakProof, soak_proofs
from labbench.formats.date_texts import moment_text
from labbench.formats.factor_levels import natural_order
from labbench.formats.number_texts import interval_percent_text, number_text, p_value_text, percent_text
from labbench.reports.answer import answer, pair_words, verdict_about, verdict_words
from labbench.reports.causes import warnings_in_words
from labbench.reports.choices_in_words import RIVAL_NOTE, RivalPart, choice_words, comparison, rival_parts
from labbench.reports.figures import Figure, share_figure, survival_figure
from labbench.reports.level_tables import LevelTable, level_tables
from labbench.reports.methods import methods_used, sources
from labbench.reports.tests_in_words import adjusted_p, disagreements, test_rows, varied
from labbench.reports.wording import (
    counted,
    factor_label,
    level_label,
    levels_label,
    names_apart,
    plainly,
    probability_text,
    sentence,
)
from labbench.science.sheet import CouponSheet

Document = Mapping[str, Any]
# Beyond these the report names the sheet by its hash and the file goes beside it.
MOST_COUPONS_LISTED = 1500
MOST_LEVELS_CROSSED = 8
STATE_WORDS = {"qualified": "shown to hold", "not_qualified": "shown to fail", "not_enough": "not enough evidence"}
CAUTIONS = (
    "This report gives evidence, not permission: a qualified person decides whether a repaired part may be used.",
    "It speaks of the coupons, resins, lots, lamps, procedures and rounds named here; other glass, loads and conditions were not tested.",
    "Whoever repeats the work follows the local codes, the safety data sheets and the equipment makers’ instructions: UV-A harms eyes "
    "and skin, uncured acrylate resin irritates, chambers are hot and deeply cold, glass breaks with flying fragments.",
)


def content(analysis: Analysis, *, number: int, title: str, author: str, made_at: datetime) -> dict[str, Any]:
    """Everything on the pages of a report."""
    result: Document = names_apart(analysis.result) if analysis.result else {}
    parameters = result["parameters"]
    sheet = frozen_sheet(analysis)
    found = answer(result)
    study = analysis.study
    factors = [factor["factor"] for factor in result["factors"]]
    isolated, besides = (result.get("cause") or {}).get("isolated"), varied(result, sheet)
    return {
        "title": title,
        "head": [
            ["report", f"{study.code}, number {number}"],
            ["study", study.title],
            ["question", study.question],
            ["analysis", f"{analysis.pk}, asked for {day_and_time(analysis.requested_at)}"],
            ["made by", f"{author}, {day_and_time(made_at)}"],
        ],
        "choice": f"Chosen: {choice_words(analysis.choice)}." if analysis.choice else "",
        "headline": found.headline,
        "answer": found.text,
        "basis": (
            f"Intervals and tests at {percent_text(parameters['confidence'])} confidence; a difference below "
            f"{percent_text(parameters['margin'])} in failure share is taken not to matter."
        ),
        "verdicts": [verdict_line(factor, isolated, besides) for factor in result["factors"]],
        "warnings": list(warnings_in_words(result)),
        "combinations": combinations(sheet, parameters),
        "factors": [factor_content(factor, result, besides) for factor in result["factors"]],
        "rivals": [rival_content(part) for part in rival_parts(result)],
        "rivals_note": RIVAL_NOTE,
        "compared": compared_content(analysis, result),
        "pairs": [
            pair_words(pair)
            + (
                f" A coupon that would tell them apart: {levels_label(pair['breaking_coupon'])}."
                if pair.get("breaking_coupon")
                else ""
            )
            for pair in result.get("confounded") or []
        ],
        "pairs_reason": ""
        if result.get("confounded") is not None
        else sentence(result.get("reason") or "not computed"),
        "causes": [
            [plainly(hypothesis["cause"], factors), probability_text(hypothesis["probability"])]
            for hypothesis in ((result.get("cause") or {}).get("hypotheses") or [])[:15]
        ],
        "next": [[number_text(row["count"]), levels_label(row["levels"])] for row in result.get("next_coupons") or []],
        "controls": [[role, number_text(count)] for role, count in result["sheet"]["controls"].items()],
        "deviations": deviations(analysis),
        "soaks": soaks(analysis),
        "methods": methods_used(result),
        "sources": sources(),
        "cautions": list(CAUTIONS),
        "record": [
            ["SHA-256 of the inputs", analysis.inputs_sha256],
            ["SHA-256 of the result", analysis.result_sha256],
            ["computed by", analysis.code_version],
            ["seed", str(parameters["seed"])],
        ],
        **appendix(sheet),
    }


def verdict_line(factor: Document, isolated: str | None, besides: Collection[str]) -> list[str]:
    """Factor, verdict, how probable it has a part, plain and adjusted p-value."""
    verdict = factor.get("verdict")
    adjusted = adjusted_p(factor, besides)
    plain = factor["association"]["p_value"]
    about = verdict_about(factor, isolated)
    return [
        factor_label(factor["factor"]),
        f"{verdict['state']} {about}".strip() if verdict else "none computed",
        probability_text(verdict["probability"]) if verdict and verdict.get("probability") is not None else "–",
        "–" if plain is None else p_value_text(plain),
        "–" if adjusted is None else p_value_text(adjusted),
    ]


def factor_content(factor: Document, result: Document, besides: Collection[str]) -> dict[str, Any]:
    name, confidence = factor["factor"], result["parameters"]["confidence"]
    factors = [other["factor"] for other in result["factors"]]
    verdict = verdict_line(factor, (result.get("cause") or {}).get("isolated"), besides)[1]
    figures = (share_figure(factor, confidence=confidence), survival_figure(factor, confidence=confidence))
    return {
        "label": sentence(factor_label(name)).rstrip("."),
        "verdict": verdict,
        "words": verdict_words(factor.get("verdict"), factors),
        "association": sentence(plainly(factor.get("sentence", ""), factors)),
        "missing": factor["missing"],
        "disagreements": disagreements(factor, confidence=confidence, besides=besides),
        "levels": [level_line(name, level) for level in factor["levels"]],
        "tests": [
            [row.question, row.answer + (f" {row.detail}" if row.detail else ""), row.p_text or "–", row.basis]
            for row in test_rows(factor, confidence=confidence, besides=besides)
        ],
        "tables": [table_content(table) for table in level_tables(factor)],
        "figures": [figure_content(figure) for figure in figures if figure],
    }


def rival_content(part: RivalPart) -> dict[str, Any]:
    """Which of two overlapping factors explains the failures better."""
    return {
        "heading": part.heading,
        "words": " ".join(words for words in (part.words, part.coupons, part.breaking) if words),
        "rows": [list(row) for row in part.rows],
    }


def compared_content(analysis: Analysis, result: Document) -> dict[str, Any] | None:
    """With and without the coupons left out; None where none were, or the other analysis has no result."""
    if analysis.beside is None or analysis.beside.result is None:
        return None
    part = comparison(names_apart(analysis.beside.result), result)
    return {
        "words": part.words,
        "head": [
            "factor",
            f"all {part.coupons_with_all} test coupons",
            f"the {part.coupons_without} left",
            "another verdict",
        ],
        "rows": [
            *(
                [
                    row.label,
                    f"{row.with_all} ({row.part_with_all})",
                    f"{row.without} ({row.part_without})",
                    "yes" if row.has_changed else "no",
                ]
                for row in part.factors
            ),
            [
                "isolated cause",
                part.cause_with_all,
                part.cause_without,
                "yes" if part.cause_with_all != part.cause_without else "no",
            ],
        ],
    }


def table_content(table: LevelTable) -> dict[str, Any]:
    return {
        "title": table.title,
        "note": table.note,
        "columns": list(table.columns),
        "rows": [list(row) for row in table.rows],
    }


def figure_content(figure: Figure) -> dict[str, str]:
    return {"svg": figure.svg, "alt": figure.alt, "caption": figure.caption}


def level_line(factor: str, level: Document) -> list[str]:
    strength = level["strength"]
    ratio = strength["percent_of_pristine"] if strength else None
    last = level["survival"][-1] if level["survival"] else None
    return [
        level_label(factor, level["level"]),
        f"{level['failed']} of {level['coupons']}",
        percent_text(level["failure_share"]),
        interval_percent_text(level["clopper_pearson"]["low"], level["clopper_pearson"]["high"]),
        interval_percent_text(level["wilson"]["low"], level["wilson"]["high"]),
        "–" if last is None else percent_text(last["survival"]),
        "–" if strength is None else f"{number_text(strength['median_mpa'])} MPa (n = {strength['n']})",
        "–" if ratio is None else percent_text(ratio["ratio"]),
    ]


def combinations(sheet: CouponSheet | None, parameters: Document) -> dict[str, Any] | None:
    """Resin against lamp where the study has both as factors, else the one of them that it has."""
    names = [column.name for column in sheet.factors if 0 < len(column.levels) <= MOST_LEVELS_CROSSED] if sheet else []
    resin = next((name for name in names if name.startswith("resin")), None)
    lamp = next((name for name in names if name.startswith("lamp")), None)
    down, across = (resin, lamp) if resin else (lamp, None)
    if sheet is None or down is None:
        return None
    table = combination_table(sheet, down, across, margin=parameters["margin"], confidence=parameters["confidence"])
    against = f" against {factor_label(across)}" if across else ""
    return {
        "heading": f"{factor_label(down).capitalize()}{against}: what has been shown",
        "columns": [level_label(across, level) if across else "all coupons" for level in table.column_levels],
        "rows": combination_lines(table),
        "rule": table.rule,
    }


def combination_lines(table: CombinationTable) -> list[list[str]]:
    lines = []
    for level, cells in zip(table.row_levels, table.cells, strict=True):
        line = [level_label(table.rows, level)]
        for cell in cells:
            if not cell.was_run:
                line.append("never run")
                continue
            bounds = f" ({interval_percent_text(cell.low, cell.high)})" if cell.coupons else ""
            line.append(f"{STATE_WORDS[cell.state]}: {cell.failed} of {cell.coupons} failed{bounds}")
        lines.append(line)
    return lines


def deviations(analysis: Analysis) -> list[list[str]]:
    """The study's deviations as they are known when the report is made."""
    rows = Deviation.objects.filter(study=analysis.study).select_related("load", "coupon").order_by("happened_at", "id")
    return [
        [
            day_and_time(row.happened_at),
            row.get_kind_display(),
            ", ".join(str(about) for about in (row.load and row.load.name, row.coupon and row.coupon.code) if about)
            or "the study",
            row.description + (f" Why: {row.reason}" if row.reason else ""),
        ]
        for row in rows
    ]


def soaks(analysis: Analysis) -> list[list[str]]:
    """For each load of the study that has set out: how many of its soaks the temperature traces prove, when the report is made."""
    loads = sorted(
        Load.objects.filter(study=analysis.study).exclude(state=Load.State.PLANNED),
        key=lambda load: natural_order(load.name),
    )
    proofs = soak_proofs([load.pk for load in loads])
    return [[load.name, soak_words(proofs.get(load.pk))] for load in loads]


def soak_words(proof: SoakProof | None) -> str:
    if proof is None:
        return "not proved: no logger file was evaluated"
    words = f"{proof.words} by {counted(proof.files, 'logger file')}"
    if proof.short:
        words += f"; {number_text(proof.short)} short, long or not reached"
    if proof.not_known:
        words += f"; {number_text(proof.not_known)} not known, as a sensor gave no reading"
    if proof.not_seen > 0:
        words += f"; {number_text(proof.not_seen)} in no file"
    if proof.passed_over:
        words += f"; {counted(proof.passed_over, 'logger file')} not counted, the times do not fit the load"
    return words + (f"; {number_text(proof.by_air)} counted from the air only" if proof.by_air else "")


def appendix(sheet: CouponSheet | None) -> dict[str, Any]:
    """The coupons as analysed, where they fit."""
    if sheet is None:
        return {"coupons_head": [], "coupons": [], "coupons_note": "The sheet could not be read."}
    if len(sheet.coupons) > MOST_COUPONS_LISTED:
        note = (
            f"The {number_text(len(sheet.coupons))} coupons are too many to print; the sheet as analysed is the file whose "
            "hash is given above."
        )
        return {"coupons_head": [], "coupons": [], "coupons_note": note}
    head = [
        "coupon",
        "role",
        *(factor_label(column.name) for column in sheet.factors),
        "load",
        "rounds held",
        "failed in",
        "mode",
        "strength, MPa",
    ]
    rows = []
    for i, code in enumerate(sheet.coupons):
        levels = [
            level_label(column.name, column.levels[column.codes[i]]) if column.codes[i] >= 0 else "–"
            for column in sheet.factors
        ]
        strength = float(sheet.strength_mpa[i])
        rows.append(
            [
                code,
                str(sheet.roles[i]),
                *levels,
                str(sheet.blocks[i] or "–"),
                f"{sheet.rounds_survived[i]} of {sheet.rounds_planned[i]}",
                str(sheet.failed_round[i]) if sheet.failed_round[i] else "–",
                str(sheet.failure_modes[i] or "–"),
                number_text(strength) if strength == strength else "–",
            ]
        )
    return {"coupons_head": head, "coupons": rows, "coupons_note": ""}


def day_and_time(at: datetime) -> str:
    return moment_text(timezone.localtime(at))
