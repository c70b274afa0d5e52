"""The tests of one factor as questions and answers, and where they contradict each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from labbench.formats.number_texts import interval_text, is_number, number_text, p_value_text
from labbench.reports.wording import factor_label, level_label, listed, sentence

Document = Mapping[str, Any]
BLOCK = "block"
NO_BREAK = "\u00a0"


@dataclass(frozen=True, slots=True)
class TestRow:
    """One test: what it asks, what it says, the numbers for who wants them. `p_value` is None with a reason in `answer`."""

    __test__ = False  # not a test of this suite

    question: str
    answer: str
    p_value: float | None
    p_text: str
    detail: str
    method: str


def test_rows(factor: Document, *, confidence: float) -> list[TestRow]:
    """Every test of a factor in the order in which they build on each other."""
    alpha = 1 - confidence
    rows = [*association_rows(factor, alpha)]
    if (trend := factor.get("trend")) is not None:
        steady = "rises" if (trend.get("statistic") or 0) > 0 else "falls"
        answer = f"The share that fails {steady} with {factor_label(factor['factor'])}."
        rows.append(
            row(
                "Does the failure share rise or fall steadily?",
                trend,
                alpha,
                yes=answer,
                no="No steady rise or fall shown.",
            )
        )
    rows += [stratified_row(factor, finding, alpha) for finding in factor.get("stratified") or []]
    if (survival := factor.get("survival")) is not None:
        question = "Do some levels crack out in earlier rounds?"
        rows.append(row(question, survival, alpha, yes="Yes, survival differs.", no="No difference in survival shown."))
        if (by_block := survival.get("by_block")) is not None:
            question = "The same, each load compared with itself?"
            rows.append(
                row(question, by_block, alpha, yes="Yes, within the loads too.", no="Not shown within the loads.")
            )
    if (adjusted := factor.get("adjusted")) is not None:
        rows.append(adjusted_row(factor, adjusted, alpha))
    return rows + strength_rows(factor, alpha)


test_rows.__test__ = False  # type: ignore[attr-defined]


def association_rows(factor: Document, alpha: float) -> list[TestRow]:
    """The exact test, then the same judged with all factors' tests in mind, then the unconditional one."""
    finding = factor["association"]
    question = "Do the failure shares differ between the levels?"
    yes, no = "Yes, by more than chance would.", "Chance alone could do this."
    rows = [row(question, finding, alpha, yes=yes, no=no)]
    holm = finding.get("p_value_holm")
    if finding["p_value"] is not None and holm is not None:
        rows.append(
            TestRow(
                question="The same, allowing for having tested every factor?",
                answer="Yes, also then." if holm <= alpha else "Not beyond chance then.",
                p_value=holm,
                p_text=p_value_text(holm),
                detail="",
                method="Holm's correction over the factors",
            )
        )
    if (unconditional := factor.get("unconditional")) is not None:
        rows.append(
            row("The same with a sharper test for two levels?", unconditional, alpha, yes="Yes.", no="Not shown.")
        )
    return rows


def stratified_row(factor: Document, finding: Document, alpha: float) -> TestRow:
    other = "load" if finding["by"] == BLOCK else factor_label(finding["by"])
    answer = row(
        f"Does it differ among coupons of the same {other}?",
        finding,
        alpha,
        yes=f"Yes, also with {other} held fixed.",
        no=f"Not shown once {other} is held fixed.",
    )
    return with_detail(answer, *odds_words(factor, finding), *homogeneity_words(finding, alpha))


def odds_words(factor: Document, finding: Document) -> list[str]:
    odds, limits = finding.get("common_odds_ratio"), finding.get("odds_ratio")
    if odds is None or limits is None:
        return []
    named = [level_label(factor["factor"], limits[key]) for key in ("of", "against")]
    bounds = interval_text(limits["low"], limits["high"])
    return [
        f"odds of failing under {named[0]} {number_text(odds)} times those under {named[1]}"
        + (f" ({bounds})" if bounds else "")
    ]


def homogeneity_words(finding: Document, alpha: float) -> list[str]:
    p = finding.get("homogeneity_p_value")
    if p is None:
        return []
    alike = "the odds ratio differs from stratum to stratum" if p <= alpha else "the strata agree"
    return [f"{alike} ({p_words(p)})"]


def adjusted_row(factor: Document, adjusted: Document, alpha: float) -> TestRow:
    terms, name = [], factor["factor"]
    for term in adjusted.get("terms") or []:
        if term.get("odds_ratio") is None:
            if term.get("reason"):
                terms.append(f"{term['term']}: {term['reason']}")
            continue
        label = term["term"].replace(name, factor_label(name), 1) if term["term"].startswith(name) else term["term"]
        bounds = interval_text(term.get("low"), term.get("high"))
        terms.append(
            f"{label}: odds of failing × {number_text(term['odds_ratio'])}" + (f" ({bounds})" if bounds else "")
        )
    answer = row(
        "Does it differ with all factors looked at together?",
        adjusted,
        alpha,
        yes="Yes, the other factors do not explain it.",
        no="Not shown beside the other factors.",
    )
    return with_detail(answer, *terms)


def strength_rows(factor: Document, alpha: float) -> list[TestRow]:
    strength = factor.get("strength")
    if strength is None:
        return []
    asked = {
        "kruskal_wallis": ("Does the strength of the broken coupons differ?", "Yes, by ranks.", "Not shown by ranks."),
        "welch": ("The same by mean strength?", "Yes, the means differ.", "No difference of means shown."),
        "worst_rank": (
            "The same, cracked-out coupons counted as weakest?",
            "Yes, with them the levels differ.",
            "Not shown with them either.",
        ),
    }
    return [
        row(question, strength[key], alpha, yes=yes, no=no)
        for key, (question, yes, no) in asked.items()
        if strength.get(key)
    ]


def row(question: str, finding: Document, alpha: float, *, yes: str, no: str) -> TestRow:
    """A finding as a row; one without a p-value shows its reason."""
    p = finding.get("p_value")
    reason = finding.get("reason") or ""
    if p is None:
        return TestRow(
            question, sentence(f"Not computed: {reason or 'no reason is given'}"), None, "", "", finding["method"]
        )
    method = finding["method"]
    if finding.get("exactness") == "simulated" and is_number(finding.get("draws")):
        method += f", simulated with {number_text(finding['draws'])} draws"
    return TestRow(question, yes if p <= alpha else no, p, p_value_text(p), reason, method)


def with_detail(answer: TestRow, *words: str) -> TestRow:
    detail = "; ".join([*words, *([answer.detail] if answer.detail else [])])
    return TestRow(answer.question, answer.answer, answer.p_value, answer.p_text, sentence(detail), answer.method)


def disagreements(factor: Document, *, confidence: float) -> list[str]:
    """Where the plain shares and the stratified or adjusted results say different things; [] where they agree."""
    alpha = 1 - confidence
    plain = factor["association"].get("p_value")
    if plain is None:
        return []
    name = factor_label(factor["factor"])
    found = {
        "load" if finding["by"] == BLOCK else factor_label(finding["by"]): finding["p_value"]
        for finding in factor.get("stratified") or []
        if finding.get("p_value") is not None
    }
    adjusted = (factor.get("adjusted") or {}).get("p_value")
    if plain <= alpha:
        gone = [f"{other} ({p_words(p)})" for other, p in found.items() if p > alpha]
        apart = []
        if gone:
            apart.append(f"not among coupons of the same {listed(gone)}")
        if adjusted is not None and adjusted > alpha:
            apart.append(f"not with all factors looked at together ({p_words(adjusted)})")
        words = (
            f"By itself {name} stands out ({p_words(plain)}), but {' and '.join(apart)}: its plain shares mix in what belongs to "
            "another factor, or too few coupons are left to see it. Do not read them as a cause."
        )
    else:
        shown = [f"{other} ({p_words(p)})" for other, p in found.items() if p <= alpha]
        apart = []
        if shown:
            apart.append(f"among coupons of the same {listed(shown)}")
        if adjusted is not None and adjusted <= alpha:
            apart.append(f"with all factors looked at together ({p_words(adjusted)})")
        words = f"The plain shares of {name} hardly differ ({p_words(plain)}), but they do {' and '.join(apart)}: another factor hides it."
    return ([words] if apart else []) + reversals(factor)


def p_words(p: float) -> str:
    """A p-value that no line end tears apart."""
    return p_value_text(p).replace(" ", NO_BREAK)


def reversals(factor: Document) -> list[str]:
    """Two levels whose order turns round once another factor is held fixed."""
    shares = {str(level["level"]): level["failure_share"] for level in factor["levels"]}
    words = []
    for finding in factor.get("stratified") or []:
        odds, limits = finding.get("common_odds_ratio"), finding.get("odds_ratio")
        if odds is None or not limits:
            continue
        of, against = shares.get(str(limits["of"])), shares.get(str(limits["against"]))
        if of is None or against is None:
            continue
        if (of > against and odds < 1) or (of < against and odds > 1):
            other = "load" if finding["by"] == BLOCK else factor_label(finding["by"])
            named = [level_label(factor["factor"], limits[key]) for key in ("of", "against")]
            more = named if of > against else named[::-1]
            words.append(
                f"In the plain shares {more[0]} fails more often than {more[1]}; with {other} held fixed it is the other way round."
            )
    return words
