"""The plots of a result, as figures for static/js/charts.js: drawn from the document and the frozen sheet, never computed anew.

A figure is {data, layout} of plain lists; colours, dashes and symbols come from the theme (`meta.series`). Only the trace types
scatter and bar are used.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from labbench.analysis.frozen_sheet import BrokenCoupon
from labbench.formats.number_texts import interval_percent_text, interval_text, number_text, p_value_text, percent_text
from labbench.reports.wording import counted, factor_label, level_label, plainly, probability_text
from labbench.science.sheet import Level

Document = Mapping[str, Any]
ROW_PX = 34
AXES_PX = 110
LONGEST_TICK = 26
LONGEST_CAUSE = 48
# As many series as the eye (and the theme's dashes and symbols) keeps apart in one plot.
MOST_SERIES = 6
MOST_ROWS = 60
# After the last round a step curve goes on a little, or its last value would be a point without width.
TAIL_ROUNDS = 0.35
POINTS_PER_LEVEL = 400


@dataclass(frozen=True, slots=True)
class Chart:
    """What templates/parts/chart.html takes."""

    id: str
    title: str
    summary: str
    figure: dict[str, Any]
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def failure_differences(factor: Document, anchor: str, *, margin: float, confidence: float) -> Chart | None:
    """Every level against the rest: difference of failure shares with its interval; None without a level to compare."""
    levels = [level for level in factor["levels"] if level.get("difference_to_rest")]
    if not levels:
        return None
    name = factor["factor"]
    shown = by_size(levels, lambda level: abs(level["difference_to_rest"]["difference"]))
    differences = [level["difference_to_rest"] for level in shown]
    points = [100 * d["difference"] for d in differences]
    upper = [0 if d["high"] is None else 100 * (d["high"] - d["difference"]) for d in differences]
    lower = [0 if d["low"] is None else 100 * (d["difference"] - d["low"]) for d in differences]
    excludes = [excludes_zero(d) for d in differences]
    labels = [level_label(name, level["level"]) for level in shown]
    trace = {
        "type": "scatter",
        "mode": "markers",
        "x": points,
        "y": list(range(len(shown))),
        "error_x": {"type": "data", "symmetric": False, "array": upper, "arrayminus": lower},
        "marker": {"symbol": ["diamond" if clear else "circle-open" for clear in excludes], "size": 11},
        "text": [
            f"{plain(label)}: {signed_points(d['difference'])} ({difference_interval(d)})"
            for label, d in zip(labels, differences, strict=True)
        ],
        "hovertemplate": "%{text}<extra></extra>",
        "meta": {"series": 1},
    }
    band = {"type": "rect", "xref": "x", "yref": "paper", "x0": -100 * margin, "x1": 100 * margin, "y0": 0, "y1": 1}
    layout = {
        "height": AXES_PX + ROW_PX * len(shown),
        "showlegend": False,
        "xaxis": {
            "title": {"text": "difference in failure share, percentage points"},
            "zeroline": True,
            "zerolinewidth": 2,
        },
        "yaxis": level_axis(labels),
        "shapes": [{**band, "fillcolor": "@ink-soft/0.12", "line": {"width": 0}, "layer": "below"}],
    }
    clear = [label for label, is_clear in zip(labels, excludes, strict=True) if is_clear]
    summary = (
        f"{percent_text(confidence)} intervals. A filled diamond: the interval leaves out zero; an open circle: it does not. "
        f"Grey: differences within the margin of {percent_text(margin)}. "
        + (f"Apart from the rest: {shortened(clear)}." if clear else "No level is apart from the rest.")
    )
    return Chart(
        id=f"{anchor}-differences",
        title=f"Failure share of each {factor_label(name)} against the rest",
        summary=summary + left_out(len(levels), len(shown)),
        figure={"data": [trace], "layout": layout},
        columns=(
            "level",
            "failed",
            "difference to the rest",
            f"{percent_text(confidence)} interval",
            "within the margin",
        ),
        rows=tuple(
            (
                level_label(name, level["level"]),
                f"{level['failed']} of {level['coupons']}",
                signed_points(level["difference_to_rest"]["difference"]),
                difference_interval(level["difference_to_rest"]),
                equivalence(level["difference_to_rest"], confidence),
            )
            for level in levels
        ),
    )


def survival_curves(factor: Document, anchor: str, *, confidence: float) -> Chart | None:
    """Share still holding after each round, one stepped line per level with the band of its limits."""
    levels = [level for level in factor["levels"] if level["survival"]]
    if not levels:
        return None
    name = factor["factor"]
    shown = by_size(levels, lambda level: level["coupons"], most=MOST_SERIES)
    last = max(step["round"] for level in shown for step in level["survival"])
    traces: list[dict[str, Any]] = []
    for number, level in enumerate(shown, start=1):
        traces += survival_traces(level, level_label(name, level["level"]), number, last)
    layout = {
        "height": 400,
        "xaxis": {
            "title": {"text": "round"},
            "range": [0, last + TAIL_ROUNDS],
            **({"dtick": 1} if last <= 15 else {"tickformat": "d"}),
        },
        "yaxis": {"title": {"text": "still holding, %"}, "range": [-3, 104]},
        "legend": {"traceorder": "normal"},
    }
    return Chart(
        id=f"{anchor}-survival",
        title=f"Coupons still holding after each round, by {factor_label(name)}",
        summary=(
            f"Kaplan-Meier steps; pale bands are {percent_text(confidence)} limits, absent where none has failed yet or all have."
            + left_out(len(levels), len(shown), "levels with the most coupons")
        ),
        figure={"data": traces, "layout": layout},
        columns=("level", "round", "at risk", "failed in it", "still holding", f"{percent_text(confidence)} limits"),
        rows=tuple(
            (
                level_label(name, level["level"]),
                number_text(step["round"]),
                number_text(step["at_risk"]),
                number_text(step["failed"]),
                percent_text(step["survival"]),
                interval_percent_text(step["low"], step["high"]) or step.get("reason", "not computed"),
            )
            for level in levels
            for step in level["survival"]
        ),
    )


def survival_traces(level: Document, label: str, series: int, last: int) -> list[dict[str, Any]]:
    """Lower limit, upper limit with the band between, and the curve itself."""
    steps = level["survival"]
    bounded = [step for step in steps if step["low"] is not None and step["high"] is not None]
    traces: list[dict[str, Any]] = []
    if bounded:
        ends = [step["round"] for step in bounded] + [
            bounded[-1]["round"] + (TAIL_ROUNDS if bounded[-1] is steps[-1] else 1)
        ]
        for role, key in (("limit", "low"), ("band", "high")):
            limits = [100 * step[key] for step in bounded]
            traces.append(
                {
                    "type": "scatter",
                    "mode": "lines",
                    "x": ends,
                    "y": [*limits, limits[-1]],
                    "line": {"shape": "hv"},
                    "meta": {"series": series, "role": role},
                    "legendgroup": str(series),
                }
            )
    shares = [100 * step["survival"] for step in steps]
    rounds = [step["round"] for step in steps]
    texts = [
        f"{percent_text(step['survival'])} after round {step['round']}, {step['at_risk']} at risk" for step in steps
    ]
    ended = rounds[-1] if rounds[-1] < last else rounds[-1] + TAIL_ROUNDS
    traces.append(
        {
            "type": "scatter",
            "mode": "lines+markers",
            "name": plain(short(label)),
            "x": [0, *rounds, ended],
            "y": [100, *shares, shares[-1]],
            "text": ["100 % at the start", *texts, texts[-1]],
            "hovertemplate": "%{text}<extra>" + plain(short(label)) + "</extra>",
            "line": {"shape": "hv"},
            # The tail is a line without a mark: no round was seen there.
            "marker": {"size": [0, *([8] * len(rounds)), 0]},
            "legendgroup": str(series),
            "meta": {"series": series},
        }
    )
    return traces


def strengths(
    factor: Document, anchor: str, broken: Mapping[Level, Sequence[BrokenCoupon]], pristine: Sequence[BrokenCoupon]
) -> Chart | None:
    """Every broken coupon as a point, the median of each level as a bar, new glass as a band; None where none was broken."""
    levels = [level for level in factor["levels"] if level.get("strength") and broken.get(level["level"])]
    if not levels:
        return None
    name = factor["factor"]
    shown = by_size(levels, lambda level: level["strength"]["n"])
    labels = [level_label(name, level["level"]) for level in shown]
    x, y, texts = [], [], []
    for row, level in enumerate(shown):
        for number, coupon in enumerate(broken[level["level"]][:POINTS_PER_LEVEL]):
            x.append(coupon.strength_mpa)
            y.append(row + spread(number))
            texts.append(f"{plain(coupon.coupon)}: {number_text(coupon.strength_mpa)} MPa")
    medians = [level["strength"]["median_mpa"] for level in shown]
    data = [
        {
            "type": "scatter",
            "mode": "markers",
            "name": "one coupon",
            "x": x,
            "y": y,
            "text": texts,
            "hovertemplate": "%{text}<extra></extra>",
            "marker": {"symbol": "circle-open", "size": 8},
            "meta": {"series": 1},
        },
        {
            "type": "scatter",
            "mode": "markers",
            "name": "median",
            "x": medians,
            "y": list(range(len(shown))),
            "text": [f"{plain(label)}: median {number_text(m)} MPa" for label, m in zip(labels, medians, strict=True)],
            "hovertemplate": "%{text}<extra></extra>",
            "marker": {"symbol": "line-ns-open", "size": 24, "line": {"width": 4, "color": "@ink"}},
            "meta": {"series": 6},
        },
    ]
    layout: dict[str, Any] = {
        "height": AXES_PX + 30 + (ROW_PX + 10) * len(shown),
        "xaxis": {"title": {"text": "fracture stress, MPa"}},
        "yaxis": level_axis(labels),
    }
    words = "Cracked-out coupons have no strength left and no point here."
    if pristine:
        values = sorted(coupon.strength_mpa for coupon in pristine)
        layout["shapes"] = [
            {
                "type": "rect", "xref": "x", "yref": "paper", "x0": values[0], "x1": values[-1], "y0": 0, "y1": 1,
                "fillcolor": "@good/0.13", "line": {"width": 1, "color": "@good", "dash": "dot"}, "layer": "below",
            }
        ]  # fmt: skip
        words += f" Band: {counted(len(values), 'pristine control')}, {number_text(values[0])} to {number_text(values[-1])} MPa."
    else:
        words += " No pristine control was broken, so there is no band of new glass."
    return Chart(
        id=f"{anchor}-strength",
        title=f"Strength of the coupons that held, by {factor_label(name)}",
        summary=words + left_out(len(levels), len(shown)),
        figure={"data": data, "layout": layout},
        columns=("level", "broken", "median", "mean", "standard deviation", "of new glass"),
        rows=tuple(strength_cells(name, level) for level in levels),
    )


def strength_cells(factor: str, level: Document) -> tuple[str, ...]:
    s = level["strength"]
    ratio = s["percent_of_pristine"]
    return (
        level_label(factor, level["level"]),
        number_text(s["n"]),
        f"{number_text(s['median_mpa'])} MPa",
        f"{number_text(s['mean_mpa'])} MPa",
        "one coupon only" if s["sd_mpa"] is None else f"{number_text(s['sd_mpa'])} MPa",
        "no pristine control"
        if ratio is None
        else f"{percent_text(ratio['ratio'])} ({interval_percent_text(ratio['low'], ratio['high']) or 'no limits'})",
    )


def cause_probabilities(hypotheses: Sequence[Document], factors: Sequence[str]) -> Chart | None:
    """The probable causes as bars, most probable on top."""
    if not hypotheses:
        return None
    shown = list(hypotheses[:12])
    labels = [cause_label(h["cause"], factors) for h in shown]
    trace = {
        "type": "bar",
        "orientation": "h",
        "x": [100 * h["probability"] for h in shown],
        "y": list(range(len(shown))),
        "text": [probability_text(h["probability"]) for h in shown],
        "textposition": "outside",
        "cliponaxis": False,
        "hovertemplate": "%{text}<extra></extra>",
        "meta": {"series": 1},
    }
    layout = {
        "height": AXES_PX + ROW_PX * len(shown),
        "showlegend": False,
        "xaxis": {"title": {"text": "probability, %"}, "range": [0, 108]},
        "yaxis": level_axis(labels, longest=LONGEST_CAUSE),
        "bargap": 0.35,
    }
    return Chart(
        id="cause-probabilities",
        title="How probable each cause is",
        summary=f"Most probable: {labels[0]} with {probability_text(shown[0]['probability'])}."
        + left_out(len(hypotheses), len(shown), "causes", "first"),
        figure={"data": [trace], "layout": layout},
        columns=("cause", "probability"),
        rows=tuple((cause_label(h["cause"], factors), probability_text(h["probability"])) for h in hypotheses),
    )


def cause_label(cause: str, factors: Sequence[str]) -> str:
    return "none of the factors" if cause == "none" else plainly(cause, factors)


def level_axis(labels: Sequence[str], *, longest: int = LONGEST_TICK) -> dict[str, Any]:
    """Levels from the top down; long names are cut in the plot and whole in its table."""
    return {
        "tickmode": "array",
        "tickvals": list(range(len(labels))),
        "ticktext": [plain(short(label, longest)) for label in labels],
        "range": [len(labels) - 0.4, -0.6],
        "zeroline": False,
    }


def by_size(levels: Sequence[Document], size: Any, *, most: int = MOST_ROWS) -> list[Document]:
    """The levels that fit in one plot, in their own order."""
    if len(levels) <= most:
        return list(levels)
    kept = sorted(range(len(levels)), key=lambda i: (-size(levels[i]), i))[:most]
    return [levels[i] for i in sorted(kept)]


def left_out(all_of_them: int, shown: int, what: str = "levels that stand out most", which: str = "the") -> str:
    if shown == all_of_them:
        return ""
    return f" Drawn: {which} {shown} {what}, of {all_of_them}; the table has all."


def spread(number: int) -> float:
    """Points of one level beside each other, the same at every drawing: 0, up, down, further up, ..."""
    step = (number % 9 + 1) // 2 * 0.08
    return step if number % 2 else -step


def excludes_zero(difference: Document) -> bool:
    low, high = difference["low"], difference["high"]
    return low is not None and high is not None and (low > 0 or high < 0)


def signed_points(difference: float) -> str:
    """A difference of shares in percentage points, with its sign."""
    text = number_text(100 * difference, decimals=0 if abs(difference) >= 0.1 else 1)
    return f"+{text}" if difference > 0 else text


def difference_interval(difference: Document) -> str:
    low, high = difference["low"], difference["high"]
    if low is None or high is None:
        return interval_text(low, high) or difference.get("reason", "not computed")
    return f"{signed_points(low)} to {signed_points(high)}"


def equivalence(difference: Document, confidence: float) -> str:
    """Whether the coupons show that the difference does not matter."""
    p = (difference.get("equivalence") or {}).get("p_value")
    if p is None:
        return "not computed"
    return f"{'shown' if p <= 1 - confidence else 'not shown'} ({p_value_text(p)})"


def short(label: str, longest: int = LONGEST_TICK) -> str:
    return label if len(label) <= longest else label[: longest - 1].rstrip() + "…"


def shortened(labels: Sequence[str]) -> str:
    return ", ".join(labels[:5]) + (f" and {len(labels) - 5} more" if len(labels) > 5 else "")


def plain(text: str) -> str:
    """Names are names: the plots would read <b> and the like as markup."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
