"""The tests of one factor as questions and answers, and where they contradict each other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from labbench.formats.number_texts import interval_text, is_number, number_text, p_value_text
from labbench.reports.wording import factor_label, level_label, listed, plainly, sentence

Document = Mapping[str, Any]
BLOCK = "block"
NO_BREAK = "\u00a0"
WITHOUT_LARGE_NUMBERS = "The same without relying on large numbers?"


@dataclass(frozen=True, slots=True)
class TestRow:
    """One test: what it asks, what it says, the numbers for who wants them.

    `p_value` is None with a reason in `answer`; `basis` is what the answer rests on.
    """

    __test__ = False  # not a test of this suite

    question: str
    answer: str
    p_value: float | None
    p_text: str
    detail: str
    method: str
    basis: str = ""


def test_rows(factor: Document, *, confidence: float) -> list[TestRow]:
    """Every test of a factor in the order in which they build on each other."""
    alpha = 1 - confidence
    return [
        *association_rows(factor, alpha),
        *trend_rows(factor, alpha),
        *(stratified_row(factor, finding, alpha) for finding in factor.get("stratified") or []),
        *survival_rows(factor, alpha),
        *([adjusted_row(factor, factor["adjusted"], alpha)] if factor.get("adjusted") else []),
        *hazard_rows(factor, alpha),
        *strength_rows(factor, alpha),
    ]


test_rows.__test__ = False  # type: ignore[attr-defined]


def association_rows(factor: Document, alpha: float) -> list[TestRow]:
    """The exact test, then the same judged with all factors' tests in mind, then the unconditional one."""
    finding = factor["association"]
    question = "Do the failure shares differ between the levels?"
    yes, no = "Yes, by more than chance would.", "Chance alone could do this."
    rows = [with_detail(row(question, finding, alpha, yes=yes, no=no), *exact_odds_words(factor))]
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
                basis=basis_words({"family": "confirmatory"}),
            )
        )
    if (unconditional := factor.get("unconditional")) is not None:
        rows.append(
            row("The same with a sharper test for two levels?", unconditional, alpha, yes="Yes.", no="Not shown.")
        )
    return rows


def exact_odds_words(factor: Document) -> list[str]:
    """The odds ratio of two levels with its exact limits."""
    odds = factor.get("odds_ratio")
    if not odds:
        return []
    named = [level_label(factor["factor"], odds[key]) for key in ("of", "against")]
    bounds = interval_text(odds["low"], odds["high"])
    if odds["ratio"] is None and not bounds:
        return []
    much = "" if odds["ratio"] is None else f"{number_text(odds['ratio'])} times "
    return [
        f"odds of failing under {named[0]} {much}those under {named[1]}" + (f" ({bounds}, exact)" if bounds else "")
    ]


def trend_rows(factor: Document, alpha: float) -> list[TestRow]:
    """Whether the share rises or falls with a number; exactly too, where that was computed."""
    trend = factor.get("trend")
    if trend is None:
        return []
    steady = "rises" if (trend.get("statistic") or 0) > 0 else "falls"
    yes, no = f"The share that fails {steady} with {factor_label(factor['factor'])}.", "No steady rise or fall shown."
    rows = [row("Does the failure share rise or fall steadily?", trend, alpha, yes=yes, no=no)]
    if trend.get("exact"):
        rows.append(row(WITHOUT_LARGE_NUMBERS, trend["exact"], alpha, yes="Yes.", no=no))
    return rows


def survival_rows(factor: Document, alpha: float) -> list[TestRow]:
    survival = factor.get("survival")
    if survival is None:
        return []
    no = "No difference in survival shown."
    rows = [row("Do some levels crack out in earlier rounds?", survival, alpha, yes="Yes, survival differs.", no=no)]
    if survival.get("relabelled"):
        rows.append(row(WITHOUT_LARGE_NUMBERS, survival["relabelled"], alpha, yes="Yes.", no=no))
    if (by_block := survival.get("by_block")) is not None:
        question = "The same, each load compared with itself?"
        rows.append(row(question, by_block, alpha, yes="Yes, within the loads too.", no="Not shown within the loads."))
    return rows


def hazard_rows(factor: Document, alpha: float) -> list[TestRow]:
    """The chance of cracking out per round, with all factors together."""
    hazard = factor.get("hazard")
    if not hazard:
        return []
    answer = row(
        "Does the chance per round differ with all factors looked at together?",
        hazard,
        alpha,
        yes="Yes, the other factors do not explain it.",
        no="Not shown beside the other factors.",
    )
    proportional = (hazard.get("proportional") or {}).get("p_value")
    words = ratio_words(factor, hazard.get("terms") or [], "hazard_ratio", "chance per round")
    if proportional is not None:
        alike = (
            "the ratio changes from round to round"
            if proportional <= alpha
            else "the ratio is much the same in every round"
        )
        words.append(f"{alike} ({p_words(proportional)})")
    return [with_detail(answer, *words)]


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
    answer = row(
        "Does it differ with all factors looked at together?",
        adjusted,
        alpha,
        yes="Yes, the other factors do not explain it.",
        no="Not shown beside the other factors.",
    )
    return with_detail(answer, *ratio_words(factor, adjusted.get("terms") or [], "odds_ratio", "odds of failing"))


def ratio_words(factor: Document, terms: Sequence[Document], key: str, what: str) -> list[str]:
    """Each term of a model: by how much it multiplies the odds or the chance, with its limits."""
    words = []
    for term in terms:
        label = plainly(term["term"], [factor["factor"]])
        if term.get(key) is None:
            words += [f"{label}: {term['reason']}"] if term.get("reason") else []
            continue
        bounds = interval_text(term.get("low"), term.get("high"))
        words.append(f"{label}: {what} × {number_text(term[key])}" + (f" ({bounds})" if bounds else ""))
    return words


def strength_rows(factor: Document, alpha: float) -> list[TestRow]:
    strength = factor.get("strength")
    if strength is None:
        return []
    asked = {
        "kruskal_wallis": ("Does the strength of the broken coupons differ?", "Yes, by ranks.", "Not shown by ranks."),
        "welch": ("The same by mean strength?", "Yes, the means differ.", "No difference of means shown."),
        "trend": ("Does strength rise or fall steadily?", "Yes, steadily.", "No steady rise or fall shown."),
        "worst_rank": (
            "Does strength differ, cracked-out coupons counted as weakest?",
            "Yes, with them the levels differ.",
            "Not shown with them either.",
        ),
    }
    rows = []
    for key, (question, yes, no) in asked.items():
        finding = strength.get(key)
        if not finding:
            continue
        rows.append(row(question, finding, alpha, yes=yes, no=no))
        if finding.get("relabelled"):
            rows.append(row(WITHOUT_LARGE_NUMBERS, finding["relabelled"], alpha, yes=yes, no=no))
    return rows + pair_rows(factor, strength.get("pairs") or [], alpha)


def pair_rows(factor: Document, pairs: Sequence[Document], alpha: float) -> list[TestRow]:
    """Which levels differ in strength from which, one row per method."""
    rows = []
    for method in dict.fromkeys(pair["method"] for pair in pairs):
        known = [pair for pair in pairs if pair["method"] == method and pair["p_value"] is not None]
        if not known:
            continue
        named = [
            f"{' and '.join(level_label(factor['factor'], level) for level in pair['levels'])} ({p_words(pair['p_value'])})"
            for pair in known
            if pair["p_value"] <= alpha
        ]
        least = min(pair["p_value"] for pair in known)
        answer = f"{listed(named[:6])} differ." if named else "No pair of levels differs beyond chance."
        more = f"{len(named) - 6} more pairs differ" if len(named) > 6 else ""
        detail = sentence(
            "; ".join(w for w in (more, f"p value: the smallest of {len(known)} pairs" if len(known) > 1 else "") if w)
        )
        rows.append(
            TestRow(
                "Which levels differ in strength?", answer, least, p_value_text(least), detail, method, "exploratory"
            )
        )
    return rows


def row(question: str, finding: Document, alpha: float, *, yes: str, no: str) -> TestRow:
    """A finding as a row; one without a p-value shows its reason."""
    p = finding.get("p_value")
    reason = finding.get("reason") or ""
    basis = basis_words(finding)
    if p is None:
        answer = sentence(f"Not computed: {reason or 'no reason is given'}")
        return TestRow(question, answer, None, "", "", finding["method"], basis)
    method = finding["method"]
    if finding.get("exactness") == "simulated" and is_number(finding.get("draws")):
        method += f", simulated with {number_text(finding['draws'])} draws"
    return TestRow(question, yes if p <= alpha else no, p, p_value_text(p), reason, method, basis)


def with_detail(answer: TestRow, *words: str) -> TestRow:
    detail = "; ".join([*words, *([answer.detail] if answer.detail else [])])
    return replace(answer, detail=sentence(detail))


def basis_words(finding: Document) -> str:
    """Confirmatory or exploratory, exact or not, how many coupons went in and how many were left out."""
    words = [finding.get("family"), finding.get("exactness") if finding.get("p_value") is not None else None]
    if finding.get("n_used") is not None:
        words.append(f"{number_text(finding['n_used'])} coupon{'' if finding['n_used'] == 1 else 's'} used")
    if finding.get("n_missing") is not None:
        words.append(f"{number_text(finding['n_missing'])} left out")
    return ", ".join(word for word in words if word)


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
