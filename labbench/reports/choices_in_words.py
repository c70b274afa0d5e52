"""What an analysis was asked to look at, which of two overlapping factors explains more, and whether left-out coupons matter, in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from labbench.bench.models import Deviation
from labbench.formats.number_texts import number_text, p_value_text
from labbench.reports.answer import verdict_about
from labbench.reports.wording import (
    counted,
    factor_label,
    level_label,
    levels_label,
    listed,
    plainly,
    probability_text,
    sentence,
)

Document = Mapping[str, Any]
AS_PLANNED = "the study’s factors, every coupon"
ONLY_BETWEEN = "The probabilities below are only between the two: which would be likelier if one of them were the cause, not that one is."
RIVAL_NOTE = (
    "Probability: of the one against the other as the only cause, even odds before any coupon; the same evidence as for the causes. "
    "AICc: lower is better, differences below 2 say little, and at a few coupons it is rough. With the other held fixed: whether the "
    "one still tells anything once the other is in the model (penalised likelihood ratio)."
)


@dataclass(frozen=True, slots=True)
class RivalPart:
    """A name against what was measured of it."""

    heading: str
    words: str
    coupons: str
    breaking: str
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class ComparedFactor:
    """A factor's verdict with all coupons and without those left out."""

    label: str
    with_all: str
    without: str
    part_with_all: str
    part_without: str
    has_changed: bool


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two analyses side by side."""

    words: str
    coupons_with_all: int
    coupons_without: int
    cause_with_all: str
    cause_without: str
    factors: tuple[ComparedFactor, ...]


def choice_words(choice: Document) -> str:
    """What was chosen, as a clause: "dose min in place of lamp, without coupons with late transfer"."""
    measured = [factor_label(name) for name in choice.get("measured", ())]
    without = [factor_label(name) for name in choice.get("without", ())]
    parts = []
    if measured and without:
        parts.append(f"{listed(measured)} in place of {listed(without)}")
    elif measured:
        parts.append(f"with {listed(measured)} as measured")
    elif without:
        parts.append(f"without the factor{'s' if len(without) > 1 else ''} {listed(without)}")
    left_out = [Deviation.Kind(kind).label for kind in choice.get("kinds", ()) if kind in Deviation.Kind.values]
    coupons = []
    if left_out:
        coupons.append(f"coupons with {listed(left_out)}")
    if single := len(choice.get("deviations", ())):
        coupons.append(f"coupons of {counted(single, 'single deviation')}")
    if choice.get("loads"):
        coupons.append(f"{listed(choice['loads'])}")
    if coupons:
        parts.append(f"leaving out {listed(coupons)}")
    return ", ".join(parts) or AS_PLANNED


def rival_parts(result: Document) -> tuple[RivalPart, ...]:
    """The comparisons of a document; none where there are none."""
    return tuple(rival_part(rival) for rival in result.get("rivals") or ())


def rival_part(rival: Document) -> RivalPart:
    first, second = rival["factors"]
    left_out = rival["left_out"]
    return RivalPart(
        heading=sentence(f"{factor_label(first)} or {factor_label(second)}?").rstrip("."),
        words=f"{rival_words(rival)} {ONLY_BETWEEN}" if rival["state"] == "neither" else rival_words(rival),
        coupons=f"{rival['failed']} of {counted(rival['coupons'], 'test coupon')} failed of which both are known"
        + (
            f"; {counted(left_out, 'coupon')} of which one is not known left out of the whole comparison."
            if left_out
            else "."
        ),
        breaking=breaking_words(rival),
        rows=tuple(evidence_row(one, rival["factors"]) for one in rival["evidence"]),
    )


def rival_words(rival: Document) -> str:
    """The comparison in one or two sentences."""
    return sentence(plainly(rival["sentence"], rival["factors"]))


def evidence_row(one: Document, factors: list[str]) -> tuple[str, ...]:
    test = one["beside_the_other"]
    return (
        factor_label(one["factor"]),
        probability_text(one["probability"]),
        plainly(one["cause"], factors),
        "not to be had" if one["aicc"] is None else number_text(one["aicc"]),
        plainly(test["reason"] or "not computed", factors)
        if test["p_value"] is None
        else p_value_text(test["p_value"]),
    )


def breaking_words(rival: Document) -> str:
    """The coupon that would part the two, "" where none is needed; where none is known it says so."""
    first, second = rival["factors"]
    if rival["state"] in {"first", "second", "not compared"}:
        return ""
    coupon = rival["breaking_coupon"]
    if coupon is None:
        return "No coupon is known that would part them." if rival["state"] == "aliased" else ""
    return (
        f"A coupon that would part them: {levels_label(coupon['levels'])}, which gives {factor_label(second)} "
        f"{level_label(second, coupon['measured'])}. If {factor_label(first)} is what counts it fails with a "
        f"probability of {probability_text(coupon['failing_if_first'])}, if {factor_label(second)} is, of "
        f"{probability_text(coupon['failing_if_second'])}."
    )


def comparison(with_all: Document, without: Document) -> Comparison:
    """Whether any verdict hangs on the coupons left out."""
    before = {factor["factor"]: factor for factor in with_all["factors"]}
    factors = tuple(
        compared(before[factor["factor"]], with_all, factor, without)
        for factor in without["factors"]
        if factor["factor"] in before
    )
    changed = [one.label for one in factors if one.has_changed]
    causes = isolated(with_all), isolated(without)
    fewer = with_all["sheet"]["test"] - without["sheet"]["test"]
    if changed:
        words = f"The verdict on {listed(changed)} is another one without the {counted(fewer, 'test coupon')} left out."
    elif causes[0] != causes[1]:
        words = "No verdict changes, but the cause that is isolated does."
    else:
        words = (
            f"No verdict changes when the {counted(fewer, 'test coupon')} {'is' if fewer == 1 else 'are'} left out: none hangs on "
            f"{'it' if fewer == 1 else 'them'}."
        )
    return Comparison(words, with_all["sheet"]["test"], without["sheet"]["test"], causes[0], causes[1], factors)


def isolated(result: Document) -> str:
    found = (result.get("cause") or {}).get("isolated")
    factors = [factor["factor"] for factor in result["factors"]]
    return "not isolated" if found is None else plainly(found, factors)


def compared(before: Document, with_all: Document, after: Document, without: Document) -> ComparedFactor:
    states = verdict_text(before, with_all), verdict_text(after, without)
    label = factor_label(after["factor"])
    return ComparedFactor(
        label, states[0], states[1], part_text(before), part_text(after), has_changed=states[0] != states[1]
    )


def verdict_text(factor: Document, result: Document) -> str:
    verdict = factor.get("verdict")
    if not verdict:
        return "none computed"
    return f"{verdict['state']} {verdict_about(factor, (result.get('cause') or {}).get('isolated'))}".strip()


def part_text(factor: Document) -> str:
    probability = (factor.get("verdict") or {}).get("probability")
    return "–" if probability is None else probability_text(probability)
