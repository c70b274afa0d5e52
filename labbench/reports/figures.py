"""Figures of a report as SVG texts: drawn from the same document as the plots on the pages, the same bytes every time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape

from labbench.formats.number_texts import interval_percent_text, number_text, percent_text
from labbench.reports.wording import factor_label, level_label

Document = Mapping[str, Any]
WIDTH = 620
LABELS = 170
RIGHT = 130
ROW = 22
MOST_ROWS = 30
MOST_CURVES = 6
LONGEST_LABEL = 24
# Told apart by dash and end mark, so that a black-and-white print serves.
DASHES = ("", "7 4", "2 3", "8 3 2 3", "12 4", "12 3 2 3 2 3")
INKS = ("#0072b2", "#b84f00", "#00734a", "#9c3b79", "#5c4d00", "#3a434b")
FONT = "font-family='Libertinus Serif' font-size='13'"


@dataclass(frozen=True, slots=True)
class Figure:
    """`alt` says in words what the picture shows; `caption` stands below it."""

    svg: str
    alt: str
    caption: str


def share_figure(factor: Document, *, confidence: float) -> Figure | None:
    """Failure share of every level with its exact interval; None without a level."""
    name = factor["factor"]
    levels = factor["levels"][:MOST_ROWS]
    if not levels:
        return None
    height = ROW * len(levels) + 46
    plot = WIDTH - LABELS - RIGHT
    parts = [axis(plot, ROW * len(levels) + 6, "failure share, %")]
    for row, level in enumerate(levels):
        y = ROW * row + 16
        low, high = level["clopper_pearson"]["low"], level["clopper_pearson"]["high"]
        label = level_label(name, level["level"])
        parts.append(text(LABELS - 10, y + 4, short(label), anchor="end"))
        parts.append(line(LABELS + plot * low, y, LABELS + plot * high, y, width=2))
        parts += [line(LABELS + plot * end, y - 5, LABELS + plot * end, y + 5, width=2) for end in (low, high)]
        x = LABELS + plot * level["failure_share"]
        parts.append(f"<circle cx='{x:.1f}' cy='{y}' r='4.5' fill='{INKS[0]}'/>")
        words = f"{level['failed']} of {level['coupons']}, {percent_text(level['failure_share'])}"
        parts.append(text(WIDTH - RIGHT + 12, y + 4, words))
    told = [
        f"{level_label(name, level['level'])}: {level['failed']} of {level['coupons']} failed, "
        f"{interval_percent_text(level['clopper_pearson']['low'], level['clopper_pearson']['high'])}"
        for level in levels
    ]
    caption = f"Failure share by {factor_label(name)}: point, and {percent_text(confidence)} Clopper-Pearson interval."
    return Figure(picture(height, parts), "; ".join(told), caption + cut(len(factor["levels"]), len(levels)))


def survival_figure(factor: Document, *, confidence: float) -> Figure | None:
    """Share still holding after each round, as steps with the limits as a pale band; None without a curve."""
    name = factor["factor"]
    all_levels = [level for level in factor["levels"] if level["survival"]]
    kept = sorted(range(len(all_levels)), key=lambda i: (-all_levels[i]["coupons"], i))[:MOST_CURVES]
    levels = [all_levels[i] for i in sorted(kept)]
    if not levels:
        return None
    last = max(step["round"] for level in levels for step in level["survival"])
    left, width, height, top = 60, WIDTH - 60 - 20, 190, 26
    end = last + 0.35

    def at(rounds: float, share: float) -> tuple[float, float]:
        return left + width * rounds / end, top + height * (1 - share)

    parts = [survival_axes(left, width, top, height, last, end)]
    bands, curves, keys, told = [], [], [], []
    for number, level in enumerate(levels):
        steps = level["survival"]
        bands.append(band(steps, end, at, INKS[number]))
        points, share = [at(0, 1)], 1.0
        for step in steps:
            points += [at(step["round"], share), at(step["round"], step["survival"])]
            share = step["survival"]
        points.append(at(end if steps[-1]["round"] == last else steps[-1]["round"], share))
        curves.append(polyline(points, INKS[number], DASHES[number]))
        y = top + height + 52 + 18 * number
        keys.append(polyline([(left, y - 4), (left + 46, y - 4)], INKS[number], DASHES[number]))
        label = level_label(name, level["level"])
        words = f"{label}: {percent_text(share)} hold after round {steps[-1]['round']}"
        keys.append(text(left + 56, y, f"{short(label)}: {percent_text(share)} after round {steps[-1]['round']}"))
        told.append(words)
    caption = (
        f"Coupons still holding after each round by {factor_label(name)}: Kaplan-Meier steps, "
        f"bands are {percent_text(confidence)} limits."
    )
    svg = picture(top + height + 52 + 18 * len(levels), [*bands, *parts, *curves, *keys])
    return Figure(svg, "; ".join(told), caption + cut(len(all_levels), len(levels)))


def band(steps: Sequence[Document], end: float, at: Any, ink: str) -> str:
    """The pale area between the limits, where there are limits."""
    bounded = [step for step in steps if step["low"] is not None and step["high"] is not None]
    if not bounded:
        return ""
    ends = [*(step["round"] for step in bounded[1:]), end if bounded[-1] is steps[-1] else bounded[-1]["round"] + 1]
    upper = [at(x, step["high"]) for step, stop in zip(bounded, ends, strict=True) for x in (step["round"], stop)]
    lower = [at(x, step["low"]) for step, stop in zip(bounded, ends, strict=True) for x in (step["round"], stop)]
    corners = " ".join(f"{x:.1f},{y:.1f}" for x, y in [*upper, *reversed(lower)])
    return f"<polygon points='{corners}' fill='{ink}' fill-opacity='0.13'/>"


def survival_axes(left: float, width: float, top: float, height: float, last: int, end: float) -> str:
    parts = [line(left, top, left, top + height), line(left, top + height, left + width, top + height)]
    for share in (0, 25, 50, 75, 100):
        y = top + height * (1 - share / 100)
        parts += [line(left - 5, y, left, y), text(left - 9, y + 4, str(share), anchor="end")]
    every = max(1, -(-last // 12))
    for number in range(0, last + 1, every):
        x = left + width * number / end
        parts += [
            line(x, top + height, x, top + height + 5),
            text(x, top + height + 19, number_text(number), anchor="middle"),
        ]
    parts.append(text(left + width, top + height + 34, "round", anchor="end"))
    parts.append(text(left - 5, top - 12, "still holding, %"))
    return "".join(parts)


def axis(plot: float, y: float, title: str) -> str:
    """A scale of shares from 0 to 100 %."""
    parts = [line(LABELS, y, LABELS + plot, y)]
    for share in (0, 25, 50, 75, 100):
        x = LABELS + plot * share / 100
        parts += [line(x, y, x, y + 5), text(x, y + 19, str(share), anchor="middle")]
        parts.append(f"<line x1='{x:.1f}' y1='2' x2='{x:.1f}' y2='{y:.1f}' stroke='#c3cfcb' stroke-width='0.7'/>")
    return "".join([*parts, text(LABELS + plot, y + 34, title, anchor="end")])


def line(x1: float, y1: float, x2: float, y2: float, *, width: float = 1) -> str:
    return f"<line x1='{x1:.1f}' y1='{y1:.1f}' x2='{x2:.1f}' y2='{y2:.1f}' stroke='#13201d' stroke-width='{width}'/>"


def polyline(points: Sequence[tuple[float, float]], ink: str, dash: str) -> str:
    corners = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    dashed = f" stroke-dasharray='{dash}'" if dash else ""
    return f"<polyline points='{corners}' fill='none' stroke='{ink}' stroke-width='2'{dashed}/>"


def text(x: float, y: float, words: str, *, anchor: str = "start") -> str:
    return f"<text x='{x:.1f}' y='{y:.1f}' text-anchor='{anchor}' fill='#13201d' {FONT}>{escape(words)}</text>"


def picture(height: float, parts: Sequence[str]) -> str:
    return (
        f"<svg xmlns='http://www.w3.org/2000/svg' width='{WIDTH}' height='{height:.0f}' viewBox='0 0 {WIDTH} {height:.0f}'>"
        f"{''.join(parts)}</svg>"
    )


def short(label: str) -> str:
    return label if len(label) <= LONGEST_LABEL else label[: LONGEST_LABEL - 1].rstrip() + "…"


def cut(all_of_them: int, drawn: int) -> str:
    return "" if all_of_them == drawn else f" Drawn: {drawn} of {all_of_them} levels; the table has all."
