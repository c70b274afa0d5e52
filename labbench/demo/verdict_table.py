"""The verdict on each factor of a study, for a terminal."""

from __future__ import annotations

import shutil
import textwrap
from typing import Any

HEADINGS = ("factor", "verdict", "level", "probability", "what it rests on")


def verdict_table(result: dict[str, Any], *, width: int | None = None) -> str:
    """A table of an analysis' result: one factor a row, its sentence wrapped."""
    width = min(width or shutil.get_terminal_size((120, 24)).columns, 140)
    rows = [cells(factor) for factor in result["factors"]]
    widths = [max(len(row[i]) for row in [HEADINGS, *rows]) for i in range(4)]
    sentence_width = max(30, width - sum(widths) - 10)
    lines = [line(HEADINGS[:4], widths) + HEADINGS[4], "-" * min(width, sum(widths) + 8 + sentence_width)]
    for row in rows:
        first, *rest = textwrap.wrap(row[4], sentence_width) or [""]
        lines.append(line(row[:4], widths) + first)
        lines += [line([""] * 4, widths) + more for more in rest]
    return "\n".join([*lines, "", *textwrap.wrap(next_step(result), width)])


def cells(factor: dict[str, Any]) -> tuple[str, str, str, str, str]:
    verdict = factor["verdict"]
    about = (
        verdict["level"]
        if verdict["level"] is not None
        else "with " + ", ".join(verdict["with"])
        if verdict["with"]
        else ""
    )
    return (
        factor["factor"],
        verdict["state"],
        level_word(about),
        chance_word(verdict["probability"]),
        verdict["reason"] or "",
    )


def line(words: Any, widths: list[int]) -> str:
    return "".join(f"{word:<{width}}  " for word, width in zip(words, widths, strict=True))


def level_word(level: Any) -> str:
    return f"{level:g}" if isinstance(level, float) else str(level)


def chance_word(probability: float | None) -> str:
    """Percent; never 0 or 100 for what is not quite so."""
    if probability is None:
        return "-"
    if 0 < probability < 0.001:
        return "< 0.1 %"
    if 0.999 < probability < 1:
        return "> 99.9 %"
    return f"{100 * probability:.1f} %"


def next_step(result: dict[str, Any]) -> str:
    """What is known of the cause, and what is to be run next."""
    cause = result["cause"]
    count = sum(row["count"] for row in result["next_coupons"])
    if cause["isolated"] and cause["confirmed"]:
        return f"Cause: {cause['isolated']}, confirmed by a load of its own."
    known = f"Cause: {cause['isolated']}, not confirmed yet." if cause["isolated"] else "The cause is not isolated yet."
    return f"{known} {count} coupons are proposed for the next load." if count else known
