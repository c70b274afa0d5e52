"""Names of factors, levels and causes as a reader sees them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any
from unicodedata import bidirectional

from labbench.formats.factor_names import factor_label
from labbench.formats.number_texts import NARROW, is_number, number_text, told, unit_of_name, with_unit
from labbench.science.verdicts import percent

FURTHER_LEVEL = re.compile(r"(, | and )(-?\d+\.\d+)")
ONE_TIME_IN = re.compile(r"1 time in (\d{1,3}(?:,\d{3})+)")


# First strong isolate and its end: what stands around a right-to-left name keeps its order (Unicode Annex 9, 2.4).
ISOLATE, END_OF_ISOLATE = "\u2068", "\u2069"
# The keys of a document under which sentences stand.
TEXTS = frozenset({"cause", "isolated", "reason", "sentence", "term", "warnings", "why"})
RIGHT_TO_LEFT = frozenset({"R", "AL"})


def level_label(factor: str, level: Any) -> str:
    """A number with its unit, a name as it is; a name with right-to-left letters set apart from what is around it."""
    if not is_number(level):
        return set_apart(str(level))
    value, unit = told(factor, level)
    return with_unit(number_text(value), unit)


def set_apart(name: str) -> str:
    """A name whose brackets and numbers would change places among other words gets its own direction."""
    return f"{ISOLATE}{name}{END_OF_ISOLATE}" if any(bidirectional(c) in RIGHT_TO_LEFT for c in name) else name


def names_apart(result: Mapping[str, Any]) -> Mapping[str, Any]:
    """The document with the right-to-left names of levels set apart in its sentences; the levels themselves stay as they are."""
    levels = (str(level["level"]) for factor in result["factors"] for level in factor["levels"])
    names = sorted({level for level in levels if set_apart(level) != level}, key=len, reverse=True)
    if not names:
        return result
    pattern = re.compile("|".join(map(re.escape, names)))

    def apart(part: Any, *, is_text: bool) -> Any:
        if isinstance(part, Mapping):
            return {key: apart(inner, is_text=key in TEXTS) for key, inner in part.items()}
        if isinstance(part, list):
            return [apart(inner, is_text=is_text) for inner in part]
        return pattern.sub(lambda found: set_apart(found[0]), part) if is_text and isinstance(part, str) else part

    made: Mapping[str, Any] = apart(result, is_text=False)
    return made


def plainly(words: str, factors: Iterable[str]) -> str:
    """A sentence of the science with its factors called as a reader calls them, numbers of a factor with their unit."""
    words = ONE_TIME_IN.sub(lambda found: f"1 time in {number_text(int(found[1].replace(',', '')))}", words)
    for name in sorted(factors, key=len, reverse=True):
        compared = re.compile(
            rf"(?<![\w.-]){re.escape(name)} (=|<=|>=)? ?(-?\d+(?:\.\d+)?(?:e[-+]?\d+)?)"
            # Further levels of it, "60.0 and 120.0"; whole numbers beside it are counts.
            r"((?:(?:, | and )-?\d+\.\d+)*)(?![\w.,-])",
            re.IGNORECASE,
        )
        if unit_of_name(name):
            words = compared.sub(lambda found, name=name: numbered(found, name), words)  # type: ignore[misc]
        words = re.sub(rf"(?<![\w.-]){re.escape(name)}(?![\w-])", factor_label(name), words, flags=re.IGNORECASE)
    return words


def numbered(found: re.Match[str], name: str) -> str:
    sign = {"<=": "≤ ", ">=": "≥ ", "=": "= "}.get(found[1] or "", "")
    further = FURTHER_LEVEL.sub(lambda level: f"{level[1]}{level_label(name, float(level[2]))}", found[3])
    return f"{name} {sign}{level_label(name, float(found[2]))}{further}"


def probability_text(probability: float) -> str:
    """A probability of a cause, rounded as the sentences of the science round it; never 0 or 100 %."""
    return percent(probability).replace(" %", f"{NARROW}%")


def levels_label(levels: dict[str, Any]) -> str:
    """Several factors at once: "resin A, lamp L2"."""
    return ", ".join(f"{factor_label(factor)} {level_label(factor, level)}" for factor, level in levels.items())


def counted(number: int, noun: str) -> str:
    """1 coupon, 3 coupons."""
    return f"{number_text(number)} {noun if number == 1 else noun + 's'}"


def listed(words: Iterable[str]) -> str:
    """a; a and b; a, b and c."""
    *first, last = [*words] or [""]
    return f"{', '.join(first)} and {last}" if first else last


def sentence(text: str) -> str:
    """With a capital and a full stop."""
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")
