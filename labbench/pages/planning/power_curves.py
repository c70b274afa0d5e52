"""Several arms, equivalence and strength as parts of the page of sample sizes."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from django import forms

from labbench.formats.number_texts import number_text, percent_text
from labbench.pages.planning.power_forms import EquivalenceForm, SeveralForm, StrengthForm
from labbench.pages.planning.power_parts import PowerPart, command, unanswered, wanted_line
from labbench.pages.results.charts import Chart
from labbench.reports.wording import listed

if TYPE_CHECKING:
    from labbench.science.power_curves import PowerCurve


def several_part(form: SeveralForm) -> PowerPart:
    """Arms by the exact test of Fisher, Freeman and Halton."""
    # slow import: scipy
    from labbench.science.power_documents import several_arms_answer

    def words(asked: dict[str, Any]) -> str:
        shares = listed(percent_text(share) for share in asked["shares"])
        return (
            f"Arms in which {shares} fail; exact test of Fisher, Freeman and Halton at {asked['alpha']:g}. "
            "It says that the arms differ, not which."
        )

    return part(
        "several",
        "Several arms: failed or held",
        form,
        lambda asked: several_arms_answer(asked["shares"], alpha=asked["alpha"], power=asked["power"]),
        words,
        lambda asked: command(
            arms=" ".join(f"{share:g}" for share in asked["shares"]), alpha=asked["alpha"], power=asked["power"]
        ),
    )


def equivalence_part(form: EquivalenceForm) -> PowerPart:
    """That a difference does not matter."""
    # slow import: scipy
    from labbench.science.power_documents import equivalence_answer

    return part(
        "equivalence",
        "Equivalence: a factor makes no difference that matters",
        form,
        lambda asked: equivalence_answer(
            asked["first"], asked["second"], margin=asked["margin"], alpha=asked["alpha"], power=asked["power"]
        ),
        lambda asked: (
            f"Two one-sided score tests show that the shares differ by less than {percent_text(asked['margin'])}. "
            "To clear a factor without a model takes far more coupons than to accuse one."
        ),
        lambda asked: command(
            equivalence=f"{asked['first']:g} {asked['second']:g}",
            margin=asked["margin"],
            alpha=asked["alpha"],
            power=asked["power"],
        ),
    )


def strength_part(form: StrengthForm) -> PowerPart:
    """Strengths by Welch's test, simulated."""
    # slow import: scipy
    from labbench.science.power_documents import strength_answer

    return part(
        "strength",
        "Strength: two arms",
        form,
        lambda asked: strength_answer(
            asked["ratio"],
            weibull_modulus=asked["modulus"],
            alpha=asked["alpha"],
            power=asked["power"],
            seed=asked["seed"],
        ),
        lambda asked: (
            f"Welch’s test (two-sided) of broken coupons; one arm has {percent_text(asked['ratio'])} of the strength of the other, "
            f"both Weibull with modulus {number_text(asked['modulus'])}. "
            "Coupons that cracked out have no strength and are not counted here."
        ),
        lambda asked: command(
            strength_ratio=asked["ratio"],
            weibull_modulus=asked["modulus"],
            alpha=asked["alpha"],
            power=asked["power"],
            seed=asked["seed"],
        ),
    )


def part(
    anchor: str,
    title: str,
    form: forms.Form,
    answer: Callable[[dict[str, Any]], PowerCurve],
    words: Callable[[dict[str, Any]], str],
    line: Callable[[dict[str, Any]], str],
) -> PowerPart:
    """A question that a curve answers."""
    if not form.is_valid():
        return unanswered(anchor, title, form)
    asked = form.cleaned_data
    try:
        curve = answer(asked)
    except ValueError as refused:
        return unanswered(anchor, title, form, f"No number can be given: {refused}.")
    last = curve.points[-1].n_per_arm
    sentences = [words(asked)]
    if curve.n_per_arm is None:
        sentences.append(f"No number up to {last} per arm gives {percent_text(curve.wanted_power)} for good.")
    return PowerPart(
        anchor,
        title,
        form,
        "" if curve.n_per_arm is None else number_text(curve.n_per_arm),
        "coupons per arm",
        tuple(sentences),
        curve_chart(anchor, curve),
        line(asked),
    )


def curve_chart(anchor: str, curve: PowerCurve) -> Chart:
    """The curve with its wanted power and, where simulated, the standard error of each point."""
    points = [point for point in curve.points if point.power is not None]
    trace: dict[str, Any] = {
        "type": "scatter",
        "mode": "lines+markers",
        "x": [point.n_per_arm for point in points],
        "y": [100 * (point.power or 0) for point in points],
        "text": [f"{point.n_per_arm} per arm: {percent_text(point.power or 0)}" for point in points],
        "hovertemplate": "%{text}<extra></extra>",
        "marker": {"size": 6},
        "meta": {"series": 1},
    }
    is_simulated = curve.exactness == "simulated"
    if is_simulated:
        trace["error_y"] = {"type": "data", "array": [100 * (point.standard_error or 0) for point in points]}
    return Chart(
        id=f"{anchor}-power",
        title="Chance to come to the conclusion",
        summary=f"{curve.method}; {curve.exactness}{', with standard errors' if is_simulated else ''}. "
        f"Dashed: the wanted {percent_text(curve.wanted_power)}.",
        figure={
            "data": [trace],
            "layout": {
                "height": 340,
                "showlegend": False,
                "xaxis": {"title": {"text": "coupons per arm"}},
                "yaxis": {"title": {"text": "chance, %"}, "range": [-3, 104]},
                "shapes": [wanted_line(curve.wanted_power)],
            },
        },
        columns=("coupons per arm", "chance", *(("standard error",) if is_simulated else ())),
        rows=tuple(
            (
                number_text(point.n_per_arm),
                point.reason or "not computed" if point.power is None else percent_text(point.power),
                *((percent_text(point.standard_error or 0),) if is_simulated else ()),
            )
            for point in curve.points
        ),
    )
