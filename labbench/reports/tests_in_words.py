"""The tests of one factor as questions and answers, and where they contradict each other."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from labbench.formats.number_texts import interval_text, is_number, number_text, p_value_text
from labbench.reports.wording import factor_label, level_label, listed, plainly, sentence
from labbench.science.sheet import CouponSheet
from labbench.science.stratified import cochran_mantel_haenszel

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


def varied(result: Document, sheet: CouponSheet | None) -> frozenset[str]:
    """The factors, and "block", with at least two levels among the test coupons: only these can hide or explain anything.

    Where the sheet can't be read the loads count as several.
    """
    names = {factor["factor"] for factor in result["factors"] if len(factor["levels"]) > 1}
    loads = {block for block in sheet.blocks[sheet.is_test] if block} if sheet is not None else {"", BLOCK}
    return frozenset(names | ({BLOCK} if len(loads) > 1 else set()))


def others_varied(factor: Document, besides: Collection[str] | None) -> bool:
    """Whether there is another factor to look at together with this one."""
    return besides is None or bool(set(besides) - {factor["factor"], BLOCK})


def strata_of(factor: Document, besides: Collection[str] | None) -> list[Document]:
    """The stratified tests whose strata are more than one."""
    return [f for f in factor.get("stratified") or [] if besides is None or f["by"] in besides]


def adjusted_p(factor: Document, besides: Collection[str] | None) -> float | None:
    """The p-value with all factors together; None where there is no other factor that varied."""
    return (factor.get("adjusted") or {}).get("p_value") if others_varied(factor, besides) else None


def test_rows(factor: Document, *, confidence: float, besides: Collection[str] | None) -> list[TestRow]:
    """Every test of a factor in the order in which they build on each other.

    `besides` are the factors (and "block") that `varied`: a test that holds fixed what never changed is left out.
    """
    alpha = 1 - confidence
    has_others = others_varied(factor, besides)
    return [
        *association_rows(factor, alpha),
        *trend_rows(factor, alpha),
        *(stratified_row(factor, finding, alpha) for finding in strata_of(factor, besides)),
        *survival_rows(factor, alpha, by_load=besides is None or BLOCK in besides),
        *([adjusted_row(factor, factor["adjusted"], alpha)] if factor.get("adjusted") and has_others else []),
        *hazard_rows(factor, alpha, has_others=has_others),
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
    if odds["ratio"] is not None:
        return [
            f"odds of failing under {named[0]} {number_text(odds['ratio'])} times those under {named[1]}"
            + (f" ({bounds}, exact)" if bounds else "")
        ]
    # The outcome is the last possible one: the ratio is 0 or infinite, and only one limit says something.
    low, high = odds["low"], odds["high"]
    bound, least = (low, "at least") if high is None else (high, "at most")
    if not is_number(bound):
        return []
    return [f"odds of failing under {named[0]} {least} {number_text(bound)} times those under {named[1]} (exact limit)"]


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


def survival_rows(factor: Document, alpha: float, *, by_load: bool) -> list[TestRow]:
    survival = factor.get("survival")
    if survival is None:
        return []
    no = "No difference in survival shown."
    rows = [row("Do some levels crack out in earlier rounds?", survival, alpha, yes="Yes, survival differs.", no=no)]
    if survival.get("relabelled"):
        rows.append(row(WITHOUT_LARGE_NUMBERS, survival["relabelled"], alpha, yes="Yes.", no=no))
    if by_load and (by_block := survival.get("by_block")) is not None:
        question = "The same, each load compared with itself?"
        rows.append(row(question, by_block, alpha, yes="Yes, within the loads too.", no="Not shown within the loads."))
    return rows


def hazard_rows(factor: Document, alpha: float, *, has_others: bool) -> list[TestRow]:
    """The chance of cracking out per round, with all factors together where there are others."""
    hazard = factor.get("hazard")
    if not hazard:
        return []
    answer = row(
        "Does the chance per round differ" + (" with all factors looked at together?" if has_others else "?"),
        hazard,
        alpha,
        yes="Yes, the other factors do not explain it." if has_others else "Yes.",
        no="Not shown beside the other factors." if has_others else "Not shown.",
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


def disagreements(factor: Document, *, confidence: float, besides: Collection[str] | None) -> list[str]:
    """Where the plain shares and the stratified or adjusted results say different things; [] where they agree.

    The latter are large-sample tests: a difference that the kind of test alone makes is none.
    """
    alpha = 1 - confidence
    plain = factor["association"].get("p_value")
    if plain is None:
        return []
    of_the_same_kind = large_sample_p(factor)
    if of_the_same_kind is not None and (of_the_same_kind <= alpha) != (plain <= alpha):
        return reversals(factor, besides)
    strata = {
        "load" if finding["by"] == BLOCK else factor_label(finding["by"]): finding["p_value"]
        for finding in strata_of(factor, besides)
        if finding.get("p_value") is not None
    }
    words = contradiction(factor_label(factor["factor"]), plain, strata, adjusted_p(factor, besides), alpha)
    return ([words] if words else []) + reversals(factor, besides)


def contradiction(name: str, plain: float, strata: Mapping[str, float], adjusted: float | None, alpha: float) -> str:
    """What the strata and the model say against the plain shares; "" where they say the same."""
    stands_out = plain <= alpha
    against = [f"{other} ({p_words(p)})" for other, p in strata.items() if (p <= alpha) != stands_out]
    apart = [f"among coupons of the same {listed(against)}"] if against else []
    if adjusted is not None and (adjusted <= alpha) != stands_out:
        apart.append(f"with all factors looked at together ({p_words(adjusted)})")
    if not apart:
        return ""
    if stands_out:
        return (
            f"By itself {name} stands out ({p_words(plain)}), but {' and '.join(f'not {part}' for part in apart)}: its plain "
            "shares mix in what belongs to another factor, or too few coupons are left to see it. Do not read them as a cause."
        )
    return (
        f"The plain shares of {name} hardly differ ({p_words(plain)}), but they do {' and '.join(apart)}: what else changed "
        "hides it."
    )


def large_sample_p(factor: Document) -> float | None:
    """The plain shares by the same kind of test as the stratified ones: all coupons in one stratum."""
    counts = np.array([[level["failed"], level["coupons"]] for level in factor["levels"]], dtype=np.float64).reshape(
        -1, 2
    )
    return cochran_mantel_haenszel(counts[None, :, 0], counts[None, :, 1]).p_value


def p_words(p: float) -> str:
    """A p-value that no line end tears apart."""
    return p_value_text(p).replace(" ", NO_BREAK)


def reversals(factor: Document, besides: Collection[str] | None) -> list[str]:
    """Two levels whose order turns round once another factor is held fixed."""
    shares = {str(level["level"]): level["failure_share"] for level in factor["levels"]}
    words = []
    for finding in strata_of(factor, besides):
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
