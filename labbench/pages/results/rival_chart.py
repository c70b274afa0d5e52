"""The picture of a name against what was measured of it: every coupon once, failed or held."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from labbench.formats.number_texts import is_number, number_text, told
from labbench.pages.results.charts import AXES_PX, MOST_ROWS, POINTS_PER_LEVEL, ROW_PX, Chart, level_axis, plain
from labbench.reports.wording import factor_label, level_label
from labbench.science.sheet import CouponSheet
from labbench.science.value_groups import LOGARITHMIC_FROM

Document = Mapping[str, Any]


def named_against_measured(
    sheet: CouponSheet, named: str, measured: str, beside: Document, anchor: str
) -> Chart | None:
    """Every test coupon by what was measured (across) and its name (down), failed or held; None where neither is known of any."""
    names, values = beside[named]["values"], beside[measured].get("raw") or beside[measured]["values"]
    known = [
        i
        for i in range(len(sheet.coupons))
        if sheet.is_test[i]
        and names[i] is not None
        and is_number(values[i])
        and (is_failed(sheet, i) or sheet.rounds_survived[i])
    ]
    if not known or not all(is_number(values[i]) for i in known):
        return None
    levels = sorted({names[i] for i in known}, key=lambda level: (isinstance(level, str), level))[:MOST_ROWS]
    _, unit = told(measured, 0.0)
    shown = {i: told(measured, float(values[i]))[0] for i in known}
    traces = []
    for word, failed, symbol in (("cracked out", True, "x"), ("held so far", False, "circle-open")):
        here = [i for i in known if is_failed(sheet, i) is failed and names[i] in levels]
        # Coupons of one place would hide each other: they are laid side by side.
        nth = side_by_side([(names[i], shown[i]) for i in here])
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "name": word,
                "x": [shown[i] for i in here],
                "y": [
                    levels.index(names[i]) + (-0.16 if failed else 0.16) + 0.07 * n
                    for i, n in zip(here, nth, strict=True)
                ],
                "marker": {"symbol": symbol, "size": 11},
                "text": [
                    f"{plain(sheet.coupons[i])}: {plain(level_label(named, names[i]))}, {number_text(shown[i])} {unit}"
                    for i in here
                ],
                "hovertemplate": "%{text}<extra></extra>",
                "meta": {"series": 2 if failed else 1},
            }
        )
    numbers = list(shown.values())
    is_wide = min(numbers) > 0 and max(numbers) / min(numbers) > LOGARITHMIC_FROM
    layout = {
        "height": AXES_PX + 2 * ROW_PX * len(levels),
        "xaxis": {"title": {"text": f"{factor_label(measured)}, {unit}"}, **(log_axis(numbers) if is_wide else {})},
        "yaxis": level_axis([level_label(named, level) for level in levels]),
    }
    return Chart(
        id=f"{anchor}-coupons",
        title=f"Which coupons failed, by {factor_label(measured)} and {factor_label(named)}",
        summary="One sign a coupon. Where the failures lie on one side across all rows, the measured value explains them; where whole "
        "rows fail or hold, the name does.",
        figure={"data": traces, "layout": layout},
        columns=(factor_label(named), factor_label(measured), "failed"),
        rows=tuple(count_rows(sheet, known, names, values, named, measured)),
    )


def log_axis(numbers: Sequence[float]) -> dict[str, Any]:
    """A logarithmic axis with whole labels at 1, 2 and 5."""
    decades = range(math.floor(math.log10(min(numbers))), math.ceil(math.log10(max(numbers))) + 1)
    ticks = [step * 10.0**decade for decade in decades for step in (1, 2, 5)]
    shown = [tick for tick in ticks if min(numbers) / 2 <= tick <= 2 * max(numbers)]
    return {"type": "log", "tickmode": "array", "tickvals": shown, "ticktext": [number_text(tick) for tick in shown]}


def is_failed(sheet: CouponSheet, i: int) -> bool:
    return bool(sheet.failed_round[i] > 0)


def side_by_side(places: Sequence[tuple[Any, float]]) -> list[int]:
    """A running number among those of the same place, to four digits."""
    seen: Counter[tuple[Any, str]] = Counter()
    numbers = []
    for name, value in places:
        key = (name, f"{value:.3g}")
        numbers.append(min(seen[key], 3) if key in seen else 0)
        seen[key] += 1
    return numbers


def count_rows(
    sheet: CouponSheet, known: Sequence[int], names: Sequence[Any], values: Sequence[Any], named: str, measured: str
) -> list[tuple[str, ...]]:
    """Failed of coupons for each name and value."""
    counts: dict[tuple[Any, float], list[int]] = {}
    for i in known:
        cell = counts.setdefault((names[i], float(f"{values[i]:.4g}")), [0, 0])
        cell[0] += is_failed(sheet, i)
        cell[1] += 1
    rows = sorted(counts.items(), key=lambda row: (isinstance(row[0][0], str), row[0]))
    return [
        (level_label(named, name), level_label(measured, value), f"{failed} of {coupons}")
        for (name, value), (failed, coupons) in rows[:POINTS_PER_LEVEL]
    ]
