"""What a cause rests on and which of its levels it means, as sentences; and the warnings of a document in plain words."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

import numpy as np

from labbench.formats.number_texts import p_value_text
from labbench.reports.wording import counted, factor_label, level_label, listed, plainly
from labbench.science.odds import exact_odds_ratio
from labbench.science.power import fisher_power

Document = Mapping[str, Any]
NO_CAUSE = "none"
MOST_LEVELS_NAMED = 6
MOST_PER_LEVEL = 100
LITTLE_TO_LEARN = re.compile(r"No coupon that can be run is expected to tell much\b.*")
# How a verdict says that a few coupons would decide.
FEW_WOULD_DO = re.compile(r"\d+ more (well-chosen coupons? (is|are) expected to|would do)")


def differs_between_levels(factor: Document, isolated: str | None) -> bool:
    """Whether the cause is that the factor's levels fail differently, no single one being accused."""
    return isolated == factor["factor"]


def failing_levels(factor: Document) -> list[Document]:
    """The levels that fail alike: those whose failure share is nearer to the largest than to the smallest, worst first."""
    shares = [level["failure_share"] for level in factor["levels"]]
    if not shares:
        return []
    middle = (max(shares) + min(shares)) / 2
    return sorted(
        (level for level in factor["levels"] if level["failure_share"] > middle), key=lambda one: -one["failure_share"]
    )


def accused(factor: Document, isolated: str | None) -> str:
    """The level a verdict accuses, or the levels that fail alike; "" where it names none."""
    verdict = factor.get("verdict") or {}
    if verdict.get("state") != "implicated":
        return ""
    if differs_between_levels(factor, isolated):
        labels = [level_label(factor["factor"], level["level"]) for level in failing_levels(factor)]
        if len(labels) > MOST_LEVELS_NAMED:
            labels[MOST_LEVELS_NAMED - 1 :] = [f"{len(labels) - MOST_LEVELS_NAMED + 1} more levels"]
        return listed(labels)
    return "" if verdict.get("level") is None else level_label(factor["factor"], verdict["level"])


def spread_words(result: Document) -> str:
    """Where the cause is a difference between levels: which of them fail, with their counts."""
    isolated = (result.get("cause") or {}).get("isolated")
    for factor in result["factors"]:
        if differs_between_levels(factor, isolated) and (failing := failing_levels(factor)):
            rest = [level for level in factor["levels"] if level not in failing]
            return (
                f"No single level is accused: {count_words(failing)} failed under {accused(factor, isolated)}, "
                f"{count_words(rest)} under {'the other' if len(rest) == 1 else 'the others'}."
            )
    return ""


def count_words(levels: list[Document]) -> str:
    return f"{sum(level['failed'] for level in levels)} of {sum(level['coupons'] for level in levels)}"


def too_few(result: Document) -> str:
    """A caution where a cause is named that the exact test of its factors does not show; "" else.

    The probability weighs the listed causes against each other; the exact test asks whether chance could do the same.
    """
    found = result.get("cause") or {}
    named = [f for f in result["factors"] if (f.get("verdict") or {}).get("state") == "implicated"]
    known = [f for f in named if f["association"]["p_value"] is not None]
    if found.get("isolated") in (None, NO_CAUSE) or found.get("confirmed") or not known:
        return ""
    alpha = 1 - result["parameters"]["confidence"]
    clearest = min(known, key=lambda f: f["association"]["p_value"])
    p = clearest["association"]["p_value"]
    if p <= alpha:
        return ""
    names = listed(factor_label(f["factor"]) for f in known)
    words = (
        f"Few coupons: the exact test of {names} by itself leaves this to chance ({p_value_text(p)}). The probability weighs the "
        "listed causes against each other; it takes for granted that one of them, or none, is right."
    )
    return " ".join(part for part in (words, too_small_levels(clearest, alpha)) if part)


def too_small_levels(factor: Document, alpha: float) -> str:
    """That the coupons of a level are too few for any outcome to convince, and how many it takes; "" where they are not."""
    failing = failing_levels(factor)
    total = sum(level["coupons"] for level in factor["levels"])
    some = sum(level["coupons"] for level in failing)
    if not 0 < some < total:
        return ""
    clearest = exact_odds_ratio(np.array([[0.0, some]]), np.array([[float(total - some), some]])).p_value
    if clearest is None or clearest <= alpha:
        return ""
    needed = least_per_level(alpha)
    return (
        f"{counted(some, 'coupon')} against {total - some} can't convince by themselves, even where all of the one side fail and "
        f"none of the other ({p_value_text(clearest)})" + (f": it takes at least {needed} of each." if needed else ".")
    )


def least_per_level(alpha: float) -> int | None:
    """Fewest coupons of each of two levels with which all against none is beyond chance by Fisher's exact test."""
    return next((n for n in range(2, MOST_PER_LEVEL) if fisher_power(0.0, 1.0, n, alpha=alpha) > 0.5), None)


def goes_on(result: Document) -> bool:
    """Whether the document itself expects further coupons to decide something, be it about one factor only."""
    needed = (result.get("cause") or {}).get("coupons_to_isolate")
    reasons = [(factor.get("verdict") or {}).get("reason") or "" for factor in result["factors"]]
    return needed is not None or any(FEW_WOULD_DO.search(reason) for reason in reasons)


def is_worth_little(result: Document) -> bool:
    """Whether no further coupon is expected to tell much, and nothing else in the document says otherwise."""
    return any(LITTLE_TO_LEARN.match(words) for words in result["warnings"]) and not goes_on(result)


def warnings_in_words(result: Document) -> tuple[str, ...]:
    """What to keep in mind when reading the numbers; a warning that the rest of the document contradicts is left out."""
    factors = [factor["factor"] for factor in result["factors"]]
    words = [too_few(result)] if too_few(result) else []
    for warning in result["warnings"]:
        if not LITTLE_TO_LEARN.match(warning):
            words.append(plainly(warning, factors))
        elif not goes_on(result):
            words.append(
                "No coupon that can be run is expected to change much in what is known about the cause: more coupons may not be "
                "worth their cost."
            )
    return tuple(words)
