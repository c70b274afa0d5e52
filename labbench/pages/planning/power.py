"""How many coupons a comparison or a demonstration takes, before glass is broken."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from labbench.formats.number_texts import number_text, percent_text
from labbench.pages.planning.power_curves import equivalence_part, several_part, strength_part
from labbench.pages.planning.power_forms import (
    ArmsForm,
    DemonstrationForm,
    EquivalenceForm,
    SeveralForm,
    StrengthForm,
)
from labbench.pages.planning.power_parts import PowerPart, command, unanswered, wanted_line
from labbench.pages.results.charts import Chart
from labbench.reports.wording import counted

CURVE = range(2, 31)
# Beside the share asked for, others that a lab may meet instead.
FURTHER = (0.15, 0.3)
MOST_FAILURES = 6


@require_safe
def power(request: HttpRequest) -> HttpResponse:
    """Sample sizes; each question with its own form, answered at once."""
    asked = request.GET
    parts = [
        two_arms_part(ArmsForm(asked)),
        several_part(SeveralForm(asked)),
        demonstration_part(DemonstrationForm(asked)),
        equivalence_part(EquivalenceForm(asked)),
        strength_part(StrengthForm(asked)),
    ]
    return render(request, "planning/power.html", {"parts": parts})


def two_arms_part(form: ArmsForm) -> PowerPart:
    """Two arms by Fisher's exact test."""
    # slow import: scipy
    from labbench.science.power import fisher_power, two_arms

    title = "Two arms: failed or held"
    if not form.is_valid():
        return unanswered("arms", title, form)
    asked = form.cleaned_data
    baseline, failing, alpha, wanted = (asked[name] for name in ("baseline", "failing", "alpha", "power"))
    found = two_arms(baseline, failing, alpha=alpha, power=wanted)
    shares = further_shares(baseline, failing)
    curves = [(share, [fisher_power(baseline, share, n, alpha=alpha) for n in CURVE]) for share in shares]
    three = next(row.power for row in found.table if row.n_per_arm == 3)
    sentences = [
        f"With {percent_text(failing)} failing against {percent_text(baseline)}, Fisher’s exact test (two-sided) at "
        f"{alpha:g} shows the difference in {percent_text(found.power)} of all such comparisons."
        if found.power is not None
        else f"No number can be given: {found.reason}.",
        f"Three coupons per arm would show it in {percent_text(three)}. At 0.05 three per arm never convince: the clearest outcome, "
        "three of three against none of three, has p = 0.10.",
    ]
    if found.n_first is not None and found.n_first != found.n_per_arm:
        sentences.append(
            f"{found.n_first} per arm reach it too, but one coupon more falls below it again: power does not rise steadily."
        )
    return PowerPart(
        "arms",
        title,
        form,
        "" if found.n_per_arm is None else number_text(found.n_per_arm),
        "coupons per arm",
        tuple(sentences),
        power_curves("arms-power", curves, wanted=wanted, baseline=baseline),
        command(baseline=baseline, failing=failing, alpha=alpha, power=wanted),
    )


def further_shares(baseline: float, failing: float) -> list[float]:
    """The failing share asked for, and those nearer to and farther from the baseline."""
    away = 1 if failing >= baseline else -1
    shares = [failing, *(round(failing - away * step, 3) for step in FURTHER)]
    return [share for share in dict.fromkeys(shares) if 0 <= share <= 1 and (share - baseline) * away > 0]


def power_curves(
    chart_id: str, curves: Sequence[tuple[float, list[float]]], *, wanted: float, baseline: float
) -> Chart | None:
    """Chance to see the difference against coupons per arm, a line per failing share."""
    if not curves:
        return None
    names = [f"{percent_text(share)} failing" for share, _ in curves]
    traces: list[dict[str, Any]] = [
        {
            "type": "scatter",
            "mode": "lines+markers",
            "name": name,
            "x": list(CURVE),
            "y": [100 * value for value in values],
            "text": [f"{n} per arm: {percent_text(value)}" for n, value in zip(CURVE, values, strict=True)],
            "hovertemplate": "%{text}<extra>" + name + "</extra>",
            "marker": {"size": 6},
            "meta": {"series": number},
        }
        for number, (name, (_, values)) in enumerate(zip(names, curves, strict=True), start=1)
    ]
    layout = {
        "height": 380,
        "xaxis": {"title": {"text": "coupons per arm"}, "range": [1, CURVE[-1] + 1]},
        "yaxis": {"title": {"text": "chance to see the difference, %"}, "range": [-3, 104]},
        "shapes": [wanted_line(wanted)],
    }
    return Chart(
        id=chart_id,
        title="Chance to see the difference",
        summary=f"Exact; against {percent_text(baseline)} in the other arm. Dashed: the wanted {percent_text(wanted)}. "
        "The teeth are real: a whole number of failures has to be reached.",
        figure={"data": traces, "layout": layout},
        columns=("coupons per arm", *names),
        rows=tuple(
            (number_text(n), *(percent_text(values[place]) for _, values in curves)) for place, n in enumerate(CURVE)
        ),
    )


def demonstration_part(form: DemonstrationForm) -> PowerPart:
    """Coupons that demonstrate a share that holds."""
    # slow import: scipy
    from labbench.science.demonstration import demonstrated_reliability
    from labbench.science.power import demonstration

    title = "Demonstration: a share that holds"
    if not form.is_valid():
        return unanswered("demonstration", title, form)
    asked = form.cleaned_data
    reliability, confidence, failures = (asked[name] for name in ("reliability", "confidence", "failures"))
    try:
        found = demonstration(reliability, confidence, failures)
    except ValueError as refused:
        return unanswered("demonstration", title, form, f"No number can be given: {refused}.")
    three = demonstrated_reliability(3, confidence)
    failed = "no failure" if not failures else f"at most {counted(failures, 'failure')}"
    return PowerPart(
        "demonstration",
        title,
        form,
        number_text(found.n),
        f"coupons with {failed}",
        (
            f"{counted(found.n, 'coupon')} with {failed} show with {percent_text(confidence)} confidence that at least "
            f"{percent_text(reliability)} of such repairs hold (binomial, exact; reached: {percent_text(found.reached_confidence)}).",
            f"Three coupons of which none fails show with the same confidence only that {percent_text(three)} hold.",
        ),
        demonstration_chart(reliability, confidence, failures),
        command(reliability=reliability, confidence=confidence, failures=failures),
    )


def demonstration_chart(reliability: float, confidence: float, failures: int) -> Chart:
    """Coupons needed against failures allowed, for the confidence asked for and two usual ones."""
    # slow import: scipy
    from labbench.science.demonstration import demonstration_coupons

    confidences = sorted({0.8, 0.9, 0.95, confidence})
    allowed = list(range(max(MOST_FAILURES, failures) + 1))[-12:]
    curves = [(c, [demonstration_coupons(reliability, c, failures=count) for count in allowed]) for c in confidences]
    names = [f"{percent_text(c)} confidence" for c, _ in curves]
    traces = [
        {
            "type": "scatter",
            "mode": "lines+markers",
            "name": name,
            "x": allowed,
            "y": numbers,
            "text": [f"{f} failed: {n} coupons" for f, n in zip(allowed, numbers, strict=True)],
            "hovertemplate": "%{text}<extra>" + name + "</extra>",
            "meta": {"series": place},
        }
        for place, (name, (_, numbers)) in enumerate(zip(names, curves, strict=True), start=1)
    ]
    return Chart(
        id="demonstration-coupons",
        title="Coupons needed for each number of failures",
        summary=f"To show that at least {percent_text(reliability)} hold; exact.",
        figure={
            "data": traces,
            "layout": {
                "height": 380,
                "xaxis": {"title": {"text": "failures allowed"}, "dtick": 1},
                "yaxis": {"title": {"text": "coupons"}, "rangemode": "tozero"},
            },
        },
        columns=("failures allowed", *names),
        rows=tuple(
            (number_text(count), *(number_text(numbers[place]) for _, numbers in curves))
            for place, count in enumerate(allowed)
        ),
    )
