"""Tables of what else is known of a factor's levels: rounds held, strength distribution, margins, reliability, pairs.

Every table says by which method, whether exact, and on how many coupons it rests; one without a row is left out. A number
that could not be computed is a dash, its reason in the last column.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from labbench.formats.number_texts import (
    interval_percent_text,
    interval_text,
    is_number,
    number_text,
    p_value_text,
    percent_text,
    with_unit,
)
from labbench.reports.wording import counted, level_label, listed, sentence

Document = Mapping[str, Any]
DASH = "–"
REMARK = "remark"
# Beyond as many columns of rounds only some of them are shown.
MOST_ROUNDS = 12


@dataclass(frozen=True, slots=True)
class LevelTable:
    """`note` has whole sentences; the first cell of each row is its heading."""

    title: str
    note: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def level_tables(factor: Document) -> list[LevelTable]:
    """The tables that have something to show, in the order of the tests; [] for documents that lack all of it."""
    tables = (
        mean_rounds(factor),
        masses(factor),
        predicted_survival(factor),
        strength_distribution(factor),
        strength_pairs(factor),
        against_margin(factor),
        reliability(factor),
    )
    return [without_empty_remarks(table) for table in tables if table and table.rows]


def without_empty_remarks(table: LevelTable) -> LevelTable:
    """Without the last column where no row has a remark."""
    if table.columns[-1] != REMARK or any(row[-1] for row in table.rows):
        return table
    return replace(table, columns=table.columns[:-1], rows=tuple(row[:-1] for row in table.rows))


def mean_rounds(factor: Document) -> LevelTable | None:
    """Restricted mean rounds per level."""
    found = [
        (level, level["restricted_mean_rounds"]) for level in factor["levels"] if "restricted_mean_rounds" in level
    ]
    if not found:
        return None
    last = max(mean["up_to_round"] for _, mean in found)
    rows = [
        (named(factor, level), str(level["coupons"]), number(mean["rounds"]), limits(mean), why(mean))
        for level, mean in found
    ]
    return LevelTable(
        f"Mean rounds held within {counted(last, 'round')}",
        note(
            "Area under the Kaplan-Meier curve, limits on the logit with a t quantile",
            "asymptotic",
            missing=factor["missing"],
        ),
        ("level", "coupons", "mean rounds", "interval", REMARK),
        tuple(rows),
    )


def masses(factor: Document) -> LevelTable:
    """Turnbull's estimate: where crack-outs fell between looks more than a round apart."""
    rows = []
    for level in factor["levels"]:
        for mass in level.get("turnbull") or []:
            end = mass["up_to_round"]
            after = mass["after_round"]
            when = f"not up to round {after}" if end is None else f"after round {after}, up to round {end}"
            rows.append((named(factor, level), when, percent_text(mass["mass"]), why(mass)))
    return LevelTable(
        "When coupons cracked out between inspections far apart",
        "Turnbull's estimate for crack-outs found only after skipped inspections; maximum likelihood, converged; no interval. "
        "Levels without such a gap are left out.",
        ("level", "cracked out", "share", REMARK),
        tuple(rows),
    )


def predicted_survival(factor: Document) -> LevelTable | None:
    """Survival by the hazard regression, and whether its assumption holds up."""
    hazard = factor.get("hazard") or {}
    predicted = hazard.get("predicted") or []
    if not predicted:
        return None
    rounds = [step["round"] for step in predicted[0]["survival"]]
    shown = set(rounds if len(rounds) <= MOST_ROUNDS else [*rounds[:: -(-len(rounds) // MOST_ROUNDS)], rounds[-1]])
    rows = tuple(
        (
            level_label(factor["factor"], part["level"]),
            *(percent_text(step["survival"]) for step in part["survival"] if step["round"] in shown),
        )
        for part in predicted
    )
    words = note(
        "Hazard regression over all factors" + (", rounds and loads" if hazard.get("with_blocks") else " and rounds")
        + ": what share would hold if every coupon had this level",
        "asymptotic, no interval",
        used=hazard.get("n_used"),
        missing=hazard.get("n_missing"),
    )  # fmt: skip
    return LevelTable(
        "Predicted share that holds, the other factors as they were",
        f"{words} {proportionality(hazard.get('proportional'))}",
        ("level", *(f"round {number}" for number in rounds if number in shown)),
        rows,
    )


def proportionality(check: Document | None) -> str:
    """The check of proportional hazards as a sentence."""
    if not check:
        return ""
    if check["p_value"] is None:
        return sentence(f"It takes the ratio between levels as equal in all rounds; not checked: {check.get('reason')}")
    return sentence(
        "It takes the ratio between levels as equal in all rounds; a score test against a ratio that changes gives "
        f"{p_value_text(check['p_value'])} (asymptotic, exploratory)"
    )


def strength_distribution(factor: Document) -> LevelTable:
    """Mean, Weibull fit, and the strengths that 90 and 99 % exceed."""
    rows, methods = [], []
    for level in factor["levels"]:
        strength = level["strength"]
        if not strength:
            continue
        fit = strength.get("weibull") or {}
        methods.append(fit.get("method"))
        modulus, scale = fit.get("modulus"), fit.get("characteristic_strength_mpa")
        unbiased = fit.get("unbiased_modulus")
        rows.append(
            (
                named(factor, level),
                f"{strength['n']} of {level['coupons']}",
                f"{number(strength['mean_mpa'])} ± {number(strength['sd_mpa'])}",
                with_limits(strength["weibull_modulus"], modulus),
                number(unbiased),
                with_limits(strength["characteristic_strength_mpa"], scale),
                bounded(fit.get("b10")),
                bounded(fit.get("b1")),
                why(strength, fit),
            )
        )
    return LevelTable(
        "Strength of the coupons that were broken, in MPa",
        note(
            f"Weibull fit: {listed(dict.fromkeys(m for m in methods if m)) or 'none'}; “at least” is a one-sided lower "
            "bound for the strength that 90 % (B10) or 99 % (B1) of such repairs exceed. Cracked-out coupons are not in it",
            "",
        ),
        (
            "level", "broken", "mean ± s.d.", "Weibull modulus", "modulus, bias removed", "characteristic strength",
            "B10", "B1", REMARK,
        ),
        tuple(rows),
    )  # fmt: skip


def strength_pairs(factor: Document) -> LevelTable:
    """Which levels differ in strength: every pair by both methods."""
    strength = factor.get("strength") or {}
    rows, methods = [], []
    for pair in strength.get("pairs") or []:
        methods.append(pair["method"])
        name = pair["method"].split(" comparison")[0]
        labels = [level_label(factor["factor"], level) for level in pair["levels"]]
        is_mean = pair["low"] is not None or pair["df"] is not None
        gap = with_limits(pair["difference"], pair, "MPa") if is_mean else f"{number(pair['difference'])} ranks"
        rows.append((f"{labels[1]} less {labels[0]}", name, gap, p_text(pair["p_value"]), why(pair)))
    return LevelTable(
        "Which levels differ in strength",
        note(
            f"{listed(dict.fromkeys(methods))}. Both allow for the number of pairs; the tables rest on the coupons that "
            "were broken",
            "asymptotic; exploratory",
        ),
        ("pair", "method", "difference", "p value", REMARK),
        tuple(rows),
    )


def against_margin(factor: Document) -> LevelTable | None:
    """Equivalence and non-inferiority: shares and strength, against the other levels and the reference repairs."""
    found = [
        (level, row)
        for level in factor["levels"]
        for row in [*rest(factor, level), *(level.get("against_margin") or [])]
    ]
    if not found:
        return None
    confidence = next((row["confidence"] for _, row in found if "confidence" in row), None)
    margins = {row["measure"]: row["margin"] for _, row in found}
    rows = tuple(
        (
            named(factor, level),
            f"{row['measure']} against {row['against']}",
            f"{row['coupons']} against {row['coupons_against']}",
            difference(row) if row["measure"] == "failure share" else with_limits(row["estimate"], row),
            p_text(row["equivalence_p_value"]),
            p_text(row["non_inferiority_p_value"]),
            why(row),
        )
        for level, row in found
    )
    interval = f" ({percent_text(confidence)} interval)" if confidence else ""
    return LevelTable(
        "No difference that matters? Not worse than the reference?",
        f"{margins_in_words(margins)} "
        + note(
            f"{listed(dict.fromkeys(row['method'] for _, row in found))}. A small p value speaks for “alike” (“not worse”), a "
            "large one says nothing",
            "asymptotic; exploratory",
            missing=factor["missing"],
        ),
        ("level", "what", "coupons", f"difference or ratio{interval}", "alike", "not worse", REMARK),
        rows,
    )


def margins_in_words(margins: Mapping[str, float]) -> str:
    """The margins that the lab has set, of what was compared."""
    words = []
    if (share := margins.get("failure share")) is not None:
        words.append(f"{percent_text(share)} in failure share")
    if (loss := margins.get("strength")) is not None:
        words.append(f"in strength a ratio of {number(1 - loss)} to {number(1 / (1 - loss))}")
    return f"Margin: {'; '.join(words)}."


def rest(factor: Document, level: Document) -> list[dict[str, Any]]:
    """The failure share against the other levels, in the form of the other comparisons."""
    gap = level.get("difference_to_rest")
    if not gap or "equivalence" not in gap:
        return []
    equivalence = gap["equivalence"]
    return [
        {
            "measure": "failure share",
            "against": "other levels",
            "estimate": gap["difference"],
            "low": None,
            "high": None,
            "coupons": level["coupons"],
            "coupons_against": sum(other["coupons"] for other in factor["levels"]) - level["coupons"],
            "margin": equivalence["margin"],
            "method": equivalence["method"],
            "equivalence_p_value": equivalence["p_value"],
            "non_inferiority_p_value": None,
        }
    ]


def reliability(factor: Document) -> LevelTable | None:
    """What each level has demonstrated, and how many coupons the wanted reliability takes."""
    found = [(level, level["demonstration"]) for level in factor["levels"] if level.get("demonstration")]
    if not found:
        return None
    first = found[0][1]
    rows = tuple(
        (
            named(factor, level),
            f"{shown['failed']} of {shown['coupons']}",
            number(shown["unfinished"]),
            DASH if shown["reliability"] is None else percent_text(shown["reliability"]),
            number(shown["coupons_needed"]),
            why(shown),
        )
        for level, shown in found
    )
    wanted = percent_text(first["wanted_reliability"])
    return LevelTable(
        "Reliability shown",
        note(
            f"{sentence(first['method']).rstrip('.')}, at {percent_text(first['confidence'])} confidence. Coupons with rounds to "
            f"go count for neither side. “Needed” are the coupons in all that show {wanted} with as many failures",
            "exact",
            missing=factor["missing"],
        ),
        ("level", "failed", "rounds to go", "holds at least", f"needed for {wanted}", REMARK),
        rows,
    )


def note(words: str, exactness: str, *, used: int | None = None, missing: int | None = None) -> str:
    """Method, kind of result and coupons in one or two sentences."""
    parts = [words] + ([exactness] if exactness else [])
    counts = [f"{number_text(used)} used"] if used is not None else []
    counts += [f"{number_text(missing)} left out"] if missing is not None else []
    tail = f" Test coupons: {', '.join(counts)}." if counts else ""
    return sentence("; ".join(parts)) + tail


def named(factor: Document, level: Document) -> str:
    return level_label(factor["factor"], level["level"])


def number(value: object) -> str:
    return number_text(value) if is_number(value) else DASH


def p_text(p: float | None) -> str:
    return DASH if p is None else p_value_text(p)


def limits(part: Document) -> str:
    return interval_text(part.get("low"), part.get("high")) or DASH


def with_limits(value: object, part: Document | None, unit: str = "") -> str:
    """The estimate, its limits in brackets."""
    if not is_number(value):
        return DASH
    bounds = interval_text(part.get("low"), part.get("high"), unit) if part else ""
    return f"{with_unit(number_text(value), unit)}" + (f" ({bounds})" if bounds else "")


def difference(row: Document) -> str:
    if not is_number(row["estimate"]):
        return DASH
    bounds = interval_percent_text(row["low"], row["high"])
    return percent_text(row["estimate"]) + (f" ({bounds})" if bounds else "")


def bounded(part: Document | None) -> str:
    if not part:
        return DASH
    return f"{number(part['estimate_mpa'])}, at least {number(part['lower_bound_mpa'])}"


def why(*parts: Document) -> str:
    """The reasons of what is missing, once each."""
    reasons: Sequence[str] = list(dict.fromkeys(part["reason"] for part in parts if part.get("reason")))
    return sentence("; ".join(reasons))
