"""How the answer came about, load by load, and what the next coupons would say: read from the document, nothing computed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from labbench.pages.results.charts import AXES_PX, MOST_SERIES, Chart, cause_label, left_out, plain
from labbench.reports.wording import counted, factor_label, level_label, plainly, probability_text

Document = Mapping[str, Any]
CONFIRMS = {None: "", True: ", confirmed by this load", False: ", not confirmed by this load"}


@dataclass(frozen=True, slots=True)
class NextCoupon:
    """One line of the proposal: why it is run, and the most probable cause if all of its coupons fail, or hold."""

    count: int
    levels: tuple[str, ...]
    why: str
    if_all_fail: str
    if_all_hold: str


def next_coupon(row: Document, next_factors: Sequence[str], factors: Sequence[str]) -> NextCoupon:
    """A row of the document's proposal in words; an analysis made before a part was known leaves it empty."""
    return NextCoupon(
        count=row["count"],
        levels=tuple(level_label(name, row["levels"].get(name, "any")) for name in next_factors),
        why=plainly(row.get("why") or "", factors),
        if_all_fail=cause_then(row.get("if_all_fail"), factors),
        if_all_hold=cause_then(row.get("if_all_hold"), factors),
    )


def cause_then(outcome: Document | None, factors: Sequence[str]) -> str:
    return (
        ""
        if outcome is None
        else f"{cause_label(outcome['cause'], factors)}: {probability_text(outcome['probability'])}"
    )


def course(trail: Sequence[Document], factors: Sequence[str]) -> Chart | None:
    """The probability of each factor's part in the cause after every load; None with fewer than two loads."""
    if len(trail) < 2:
        return None
    loads = list(range(1, len(trail) + 1))
    named = [plain(str(step["block"])) for step in trail]
    known = [name for name in factors if name in trail[-1]["guilt"]]
    shown = sorted(known, key=lambda name: -max(step["guilt"].get(name, 0.0) for step in trail))[:MOST_SERIES]
    traces = [
        {
            "type": "scatter",
            "mode": "lines+markers",
            "name": plain(factor_label(name)),
            "x": loads,
            "y": [100 * step["guilt"].get(name, 0.0) for step in trail],
            "hovertemplate": f"{plain(factor_label(name))}: %{{y:.1f}} %<extra></extra>",
            "meta": {"series": number},
        }
        for number, name in enumerate(shown, start=1)
    ]
    layout = {
        "height": AXES_PX + 240,
        "xaxis": {"title": {"text": "after load"}, "tickmode": "array", "tickvals": loads, "ticktext": named},
        "yaxis": {"title": {"text": "part in the cause, %"}, "range": [-3, 104]},
    }
    isolated = next((step for step in trail if step["isolated"]), None)
    return Chart(
        id="course",
        title="How the probabilities moved, load by load",
        summary=(
            f"Isolated after {isolated['block']}: {plainly(isolated['isolated'], factors)}{confirmed_by(trail)}."
            if isolated
            else f"No cause was isolated after any of {counted(len(trail), 'load')}."
        )
        + left_out(len(known), len(shown), "factors", "most suspected")
        + ("" if trail[0]["coupons_so_far"] == trail[0]["coupons"] else " Only the last loads are drawn."),
        figure={"data": traces, "layout": layout},
        columns=("load", "coupons", "failed", "most probable cause", "probability", "isolated"),
        rows=tuple(row_of(step, factors) for step in trail),
    )


def confirmed_by(trail: Sequence[Document]) -> str:
    """What became of the isolated cause in the last load that could confirm it; "" without such a load."""
    judged = next((step for step in reversed(trail) if step.get("confirms") is not None), None)
    if judged is None:
        return ""
    return f"; {judged['block']} alone {'confirms' if judged['confirms'] else 'does not confirm'} it"


def row_of(step: Document, factors: Sequence[str]) -> tuple[str, ...]:
    first = step["hypotheses"][0] if step["hypotheses"] else None
    return (
        str(step["block"]),
        str(step["coupons"]),
        str(step["failed"]),
        cause_label(first["cause"], factors) if first else "none",
        probability_text(first["probability"]) if first else "",
        plainly(step["isolated"], factors) + CONFIRMS[step.get("confirms")] if step["isolated"] else "no",
    )
