"""The answer of an analysis in words: what is the cause, how sure, what is cleared, what can't be told apart, what next."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from labbench.formats.number_texts import number_text, p_value_text
from labbench.reports.causes import NO_CAUSE, accused, is_worth_little, spread_words, too_few
from labbench.reports.wording import (
    counted,
    factor_label,
    levels_label,
    listed,
    plainly,
    probability_text,
    sentence,
)

Document = Mapping[str, Any]
# Below this the runner-up is not worth a word in the headline.
WORTH_NAMING = 0.05


@dataclass(frozen=True, slots=True)
class Answer:
    """`state` picks the mark: a verdict's word, or "undecided"."""

    state: str
    headline: str
    sentences: tuple[str, ...]

    @property
    def text(self) -> str:
        return " ".join(self.sentences)


def answer(result: Document) -> Answer:
    """The whole document in one paragraph."""
    sheet = result["sheet"]
    if not sheet["test"]:
        return Answer("undecided", "There is nothing to compare yet", ("No test coupon has been analysed.",))
    sentences = [
        f"{sheet['failed']} of {counted(sheet['test'], 'test coupon')} cracked out within "
        f"{counted(sheet['rounds_planned'], 'round')}."
    ]
    state, headline, about_cause = cause(result)
    factors = [factor["factor"] for factor in result["factors"]]
    return Answer(
        state,
        plainly(headline, factors),
        tuple(
            s
            for s in (
                *sentences,
                *(plainly(words, factors) for words in about_cause),
                *verdicts(result),
                *apart(result),
                next_step(result),
            )
            if s
        ),
    )


def cause(result: Document) -> tuple[str, str, list[str]]:
    """Mark, headline, and the sentences on the probable cause."""
    found = result.get("cause") or {}
    hypotheses = found.get("hypotheses") or []
    if not result["sheet"]["failed"]:
        return (
            "survived",
            "No coupon failed",
            ["There is no cause to look for among these coupons; what was never run may still fail."],
        )
    if not hypotheses:
        reason = result.get("reason") or found.get("reason") or found.get("sentence") or "no cause was computed"
        return (
            "undecided",
            "Which variable fails is not decided",
            [sentence(f"The probability of each cause is missing: {reason}"), *strongest(result)],
        )
    first, rest = hypotheses[0], hypotheses[1:]
    if found["isolated"] is not None:
        sure = confirmed_words(found)
        likely = probability_text(found.get("isolated_probability") or first["probability"])
        if found["isolated"] == NO_CAUSE:
            return "cleared", "None of the factors makes the difference", [f"Probability {likely}.", sure]
        caution = too_few(result)
        return (
            "implicated",
            f"{'Probably the' if caution else 'The'} failing variable: {found['isolated']}"
            + (" (few coupons)" if caution else ""),
            [f"Probability {likely} that {found['isolated']} is the cause.", spread_words(result), caution, sure],
        )
    others = [f"{h['cause']} ({probability_text(h['probability'])})" for h in rest if h["probability"] >= WORTH_NAMING]
    named = "no factor at all" if first["cause"] == NO_CAUSE else first["cause"]
    words = [f"Most probable so far: {named} ({probability_text(first['probability'])})."]
    if result["sheet"]["failed"] == result["sheet"]["test"]:
        words.insert(0, "Every coupon failed: none held that they could be compared with.")
    if others:
        words.append(f"Still possible: {listed(others[:3])}.")
    return "undecided", "The cause is not isolated yet", words


def confirmed_words(found: Document) -> str:
    """Whether coupons run after the cause was named agree, with the counts of their load alone."""
    load = found.get("confirmation")
    if load is None or not load["accused"]:
        return (
            "New coupons have confirmed it."
            if found["confirmed"]
            else "It is not confirmed yet: coupons run after it was named have still to agree."
        )
    counts = f"{load['accused_failed']} of {load['accused']} with it failed, {load['others_failed']} of {load['others']} without it"
    if load["p_value"] is not None:
        counts += f" ({p_value_text(load['p_value'])}, Fisher’s exact test, one-sided)"
    if found["confirmed"]:
        return f"New coupons have confirmed it: in {load['block']} alone {counts}."
    return (
        f"It is not confirmed: in {load['block']} alone {counts}, and at least two more failures with it were asked for. "
        "Another load can still confirm it, or speak against it."
    )


def strongest(result: Document) -> list[str]:
    """Where no probabilities exist: the factor whose shares differ most beyond chance, by all factors together."""
    ranked = sorted(
        (
            (factor["adjusted"]["p_value"], factor["factor"])
            for factor in result["factors"]
            if factor.get("adjusted") and factor["adjusted"]["p_value"] is not None
        ),
        key=lambda pair: pair[0],
    )
    alpha = 1 - result["parameters"]["confidence"]
    if not ranked or ranked[0][0] > alpha:
        return []
    names = listed(factor_label(name) for p, name in ranked if p <= alpha)
    return [f"With all factors looked at together, {names} stands out beyond chance."]


def verdicts(result: Document) -> list[str]:
    """Which factors are cleared and which still open; implicated ones are in the headline unless nothing is isolated."""
    by_state: dict[str, list[str]] = {}
    isolated = (result.get("cause") or {}).get("isolated")
    for factor in result["factors"]:
        verdict = factor.get("verdict")
        if not verdict:
            continue
        label = f"{factor_label(factor['factor'])} {accused(factor, isolated)}".strip()
        by_state.setdefault(verdict["state"], []).append(label)
    words = {"implicated": "Implicated", "cleared": "Cleared", "undecided": "Undecided"}
    return [f"{word}: {listed(by_state[state])}." for state, word in words.items() if state in by_state]


def apart(result: Document) -> list[str]:
    """Pairs of factors that can't be told apart from these coupons."""
    full = [pair for pair in result.get("confounded") or [] if pair["kind"] == "full"]
    partial = [pair for pair in result.get("confounded") or [] if pair["kind"] != "full"]
    words = []
    if full:
        words.append(f"Can't be told apart with these coupons: {pairs(full)}.")
    if partial:
        words.append(f"Only partly told apart: {pairs(partial)}.")
    return words


def pairs(confounded: list[Document]) -> str:
    return listed(" from ".join(factor_label(name) for name in pair["factors"]) for pair in confounded)


def next_step(result: Document) -> str:
    """The one thing to do next."""
    coupons, found = result.get("next_coupons"), result.get("cause") or {}
    if coupons is None:
        return ""
    if coupons:
        total = counted(sum(row["count"] for row in coupons), "coupon")
        first = f", first of all {levels_label(coupons[0]['levels'])}" if coupons[0]["levels"] else ""
        if not result["sheet"]["failed"]:
            return f"Next, if the study goes on: run the load of {total} listed below{first}."
        if is_worth_little(result):
            return (
                "Next: weigh whether to go on at all, as no coupon that can be run is expected to change much. The "
                f"{total} that would tell most are listed below."
            )
        if found.get("isolated") not in (None, NO_CAUSE):
            return f"Next: run the load of {total} that can confirm it{first}; the list is below."
        needed = found.get("coupons_to_isolate")
        about = (
            f" Run one after another, each chosen by the outcome of the one before, about {number_text(needed)} would isolate the "
            "cause (simulated); a load is chosen before any outcome is known, so it has more."
            if needed and needed < sum(row["count"] for row in coupons)
            else f" About {counted(needed, 'well-chosen coupon')} should isolate the cause (simulated)."
            if needed
            else ""
        )
        return f"Next: run the load of {total} listed below{first}.{about}"
    if found.get("isolated") is not None and found.get("confirmed"):
        return "No further coupons are needed for this question."
    if (result.get("choice") or {}).get("measured"):
        return (
            "No coupons are proposed, as what was measured can’t be allotted to one. To go on, repair coupons so that it comes out on both "
            "sides of what is named – a dose by lamp and cure time – and analyse them like this again."
        )
    return "No next coupons were proposed."


def verdict_about(factor: Document, isolated: str | None = None) -> str:
    """What stands beside the verdict's word: the level, the levels that fail alike, or the factors it can't be told from."""
    verdict = factor.get("verdict") or {}
    if verdict.get("state") == "confounded" and verdict.get("with"):
        return f"with {listed(factor_label(other) for other in verdict['with'])}"
    return accused(factor, isolated)


def verdict_words(verdict: Document | None, factors: Iterable[str]) -> str:
    """The verdict's sentence and how probable it is that the factor has a part in the cause."""
    if not verdict:
        return "No verdict was computed for this factor."
    words = sentence(plainly(verdict.get("reason") or "", factors))
    if verdict.get("probability") is not None:
        words = (
            f"{words} Probability that it has a part in the cause: {probability_text(verdict['probability'])}.".strip()
        )
    return words


def pair_words(pair: Document) -> str:
    """What it means that two factors are confounded."""
    first, second = (factor_label(name) for name in pair["factors"])
    if pair["kind"] == "full":
        return sentence(
            f"{first} and {second} changed together on every coupon: whatever one of them does, the other could do as well"
        )
    return sentence(
        f"{first} and {second} changed together on most coupons: what tells them apart rests on few of them"
    )
