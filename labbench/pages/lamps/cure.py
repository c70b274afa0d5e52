"""The cure calculator: time, dose, layers, depth and the exposure of people, each said with what it leans on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from labbench.formats.number_texts import interval_text, number_text, percent_text, with_unit
from labbench.lab.models import LampSurvey, Resin
from labbench.lab.queries import survey_due, survey_summaries
from labbench.pages.bench.cautions import caution, exposure_words
from labbench.pages.lamps.cure_forms import (
    MJ,
    MW,
    AskedForm,
    BeginForm,
    CurveForm,
    DepthForm,
    DoseForm,
    EffectForm,
    ExponentForm,
    LayersForm,
    PeopleForm,
)
from labbench.pages.results.charts import Chart
from labbench.pages.templatetags.quantities import day_text, duration
from labbench.science.irradiance import SurveySummary

RECIPROCITY = (
    "This takes reciprocity for granted: that the dose alone counts, not how fast it is given. It is an assumption; it holds better for "
    "thick, many-armed acrylates than for thin ones."
)


@dataclass(frozen=True, slots=True)
class CurePart:
    """One question with its answer."""

    anchor: str
    title: str
    form: AskedForm
    big: str = ""
    big_words: str = ""
    sentences: tuple[str, ...] = ()
    chart: Chart | None = None
    refusal: str = ""


@require_safe
def calculator(request: HttpRequest) -> HttpResponse:
    """Every question on one page; ?survey= and ?resin= fill in what the lab knows."""
    begin = BeginForm(request.GET)
    chosen = begin.cleaned_data if begin.is_valid() else {}
    survey: LampSurvey | None = chosen.get("survey")
    resin: Resin | None = chosen.get("resin")
    summary = survey_summaries([survey.pk]).get(survey.pk) if survey else None
    first = first_values(summary, resin)
    asked = request.GET
    parts = [
        dose_part(DoseForm(asked, first=first), survey),
        effect_part(EffectForm(asked, first=first)),
        exponent_part(ExponentForm(asked)),
        layers_part(LayersForm(asked)),
        depth_part(DepthForm(asked, first=first)),
        curve_part(CurveForm(asked)),
        people_part(PeopleForm(asked, first={"irradiance_mw_cm2": first.get("hottest_mw_cm2")})),
    ]
    renewed_at = getattr(survey, "renewed_at", None)
    hottest = exposure_words(summary.max_mw_cm2, survey.lamp.code) if summary and survey else ""
    context = {
        "begin": begin,
        "parts": parts,
        "survey": survey,
        "resin": resin,
        "is_survey_old": survey is not None
        and survey_due(survey, renewed_at, today=timezone.localdate()).state == "overdue",
    }
    return render(request, "lamps/cure.html", context | caution(request, "lamp", hottest))


def first_values(summary: SurveySummary | None, resin: Resin | None) -> dict[str, Any]:
    """What survey and resin know of the questions."""
    first: dict[str, Any] = {}
    if summary is not None:
        # Four figures: more than any radiometer has, and few enough to be read in the field.
        coldest, mean, hottest = (
            float(f"{value:.4g}") for value in (summary.min_mw_cm2, summary.mean_mw_cm2, summary.max_mw_cm2)
        )
        first |= {
            "coldest_mw_cm2": coldest,
            "mean_mw_cm2": mean,
            "hottest_mw_cm2": hottest,
            "other_mw_cm2": coldest,
        }
    if resin is not None:
        first |= {
            "dose_mj_cm2": resin.needed_dose_mj_cm2,
            "exposure_mj_cm2": resin.needed_dose_mj_cm2,
            "exponent": resin.reciprocity_exponent,
            "dp_mm": resin.penetration_depth_mm,
            "ec_mj_cm2": resin.gel_exposure_mj_cm2,
            "source": resin.constants_source,
        }
    return first


def spell(seconds: float) -> str:
    """Seconds, and from ten minutes on as people say them."""
    return with_unit(number_text(seconds), "s") if seconds < 600 else duration(seconds / 60)


def dose_words(value: float) -> str:
    return with_unit(number_text(value), MJ)


def dose_part(form: DoseForm, survey: LampSurvey | None) -> CurePart:
    """Time for a dose at the coldest point, and what the others get then."""
    title, anchor = "Time for a dose", "dose"
    if not form.is_valid():
        return CurePart(anchor, title, form)
    # slow import: scipy
    from labbench.science.cure import cure_time

    asked = form.cleaned_data
    share = 1.0 if asked["pass_percent"] is None else asked["pass_percent"] / 100
    found = cure_time(
        asked["dose_mj_cm2"],
        asked["coldest_mw_cm2"],
        mean_mw_cm2=asked["mean_mw_cm2"],
        hottest_mw_cm2=asked["hottest_mw_cm2"],
        transmittance=share,
    )
    sentences = [f"In {spell(found.time_s)} the coldest point gets {dose_words(found.coldest_mj_cm2)}."]
    if found.mean_mj_cm2 is not None:
        sentences.append(f"In the mean the area gets {dose_words(found.mean_mj_cm2)} then.")
    if found.hottest_mj_cm2 is not None and found.hottest_over_coldest is not None:
        sentences.append(
            f"The hottest point gets {dose_words(found.hottest_mj_cm2)} then, {number_text(found.hottest_over_coldest)} times as much. "
            "No published limit says how much is too much: ask the resin’s data sheet, or try it."
        )
    if asked["pass_percent"] is not None:
        sentences.append(
            f"Layers that let {percent_text(share)} pass make it {number_text(1 / share)} times as long as without them."
        )
    if survey is not None:
        cover = "on" if survey.is_cover_on else "off"
        sentences.append(
            f"Irradiances from the survey of {survey.lamp.code} on {day_text(timezone.localtime(survey.surveyed_at))}, cover {cover}, "
            f"{number_text(survey.distance_mm)} mm, unless you typed others."
        )
    sentences.append(RECIPROCITY)
    big = with_unit(number_text(found.time_s), "s")
    return CurePart(
        anchor, title, form, big, "for the coldest point", tuple(sentences), dose_chart(asked, share, found.time_s)
    )


def dose_chart(asked: dict[str, Any], share: float, time_s: float) -> Chart:
    """Dose against time at the coldest point, in the mean and at the hottest."""
    named = [
        (name, asked[key] * share)
        for name, key in (("coldest", "coldest_mw_cm2"), ("mean", "mean_mw_cm2"), ("hottest", "hottest_mw_cm2"))
        if asked[key] is not None
    ]
    times = [time_s * step / 4 for step in range(9)]
    traces = [
        {
            "type": "scatter", "mode": "lines", "name": name, "x": times, "y": [value * at for at in times],
            "hovertemplate": "%{y:.4g} " + MJ + " in %{x:.4g} s<extra>" + name + "</extra>", "meta": {"series": place},
        }
        for place, (name, value) in enumerate(named, start=1)
    ]  # fmt: skip
    layout = {
        "height": 340,
        "showlegend": True,
        "xaxis": {"title": {"text": "cure time (s)"}, "rangemode": "tozero"},
        "yaxis": {"title": {"text": f"dose ({MJ})"}, "rangemode": "tozero"},
        "shapes": [
            {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": asked["dose_mj_cm2"], "y1": asked["dose_mj_cm2"],
             "line": {"color": "@ink-soft", "width": 2, "dash": "dash"}}
        ],
    }  # fmt: skip
    rows = tuple((number_text(at), *(number_text(value * at) for _, value in named)) for at in times[1:])
    columns = ("cure time (s)", *(f"{name} ({MJ})" for name, _ in named))
    return Chart(
        "dose-chart", "Dose against time", "Dashed: the dose wanted.", {"data": traces, "layout": layout}, columns, rows
    )


def effect_part(form: EffectForm) -> CurePart:
    title, anchor = "The same effect at another irradiance", "effect"
    if not form.is_valid():
        return CurePart(anchor, title, form)
    # slow import: scipy
    from labbench.science.cure import dose_mj_cm2, equal_effect_time

    asked = form.cleaned_data
    p = 1.0 if asked["exponent"] is None else asked["exponent"]
    found = equal_effect_time(asked["time_s"], asked["irradiance_mw_cm2"], asked["other_mw_cm2"], p=p)
    before, now = dose_mj_cm2(asked["irradiance_mw_cm2"], asked["time_s"]), dose_mj_cm2(asked["other_mw_cm2"], found)
    sentences = [
        f"Irradiance^p × time stays the same with p = {number_text(p)}: {spell(asked['time_s'])} become {spell(found)}.",
        f"The dose was {dose_words(before)}, and is {dose_words(now)}.",
    ]
    sentences.append(
        RECIPROCITY
        if p == 1
        else "With p other than 1 equal doses do not cure alike. Use it only for the resin, and near the irradiances, that it was tried at."
    )
    return CurePart(anchor, title, form, with_unit(number_text(found), "s"), "for the same effect", tuple(sentences))


def exponent_part(form: ExponentForm) -> CurePart:
    title, anchor = "Exponent p from trials", "exponent"
    if not form.is_valid():
        return CurePart(anchor, title, form)
    # slow import: scipy
    from labbench.science.cure import fit_exponent

    pairs = form.cleaned_data["pairs"]
    try:
        found = fit_exponent([e for e, _ in pairs], [t for _, t in pairs])
    except ValueError as refused:
        return CurePart(anchor, title, form, refusal=f"No exponent: {refused}.")
    sentences = [f"From {found.points} trials, by {found.method}."]
    if found.limits is None:
        sentences.append("Two trials give an exponent and nothing to judge it by: make a third.")
    else:
        low, high = found.limits.low or 0.0, found.limits.high or 0.0
        sentences.append(f"95 % limits {interval_text(low, high)} (t-based, {found.df} degrees of freedom).")
        sentences.append(
            "They include 1: these trials do not contradict reciprocity."
            if low <= 1 <= high
            else "They exclude 1: in these trials dose alone does not tell the effect."
        )
    return CurePart(anchor, title, form, number_text(found.p), "exponent p", tuple(sentences))


def layers_part(form: LayersForm) -> CurePart:
    title, anchor = "Cover and tinted layers", "layers"
    if not form.is_valid():
        return CurePart(anchor, title, form)
    # slow import: scipy
    from labbench.science.cure import layers_transmittance, transmittance_at

    try:
        shares = [shared(row, transmittance_at) for row in form.cleaned_data["layers"]]
        product = layers_transmittance(shares)
    except ValueError as refused:
        return CurePart(anchor, title, form, refusal=f"No answer: {refused}.")
    names = ", ".join(percent_text(share) for share in shares)
    sentences = (
        f"Layers multiply: {names} one behind the other let {percent_text(product)} pass; the cure takes {number_text(1 / product)} times "
        "as long for the same dose.",
        "Beer-Lambert for the inside of a layer; what its faces reflect is left out. Measure the whole layer where you can: two "
        "surveys, with and without it, give its share directly.",
    )
    return CurePart(anchor, title, form, percent_text(product), "pass in all", sentences)


def shared(row: tuple[float, ...], transmittance_at: Any) -> float:
    """The share of a layer as it is used."""
    if len(row) == 2:
        raise ValueError("a layer has one number, or three: share, thickness measured, thickness used")
    return float(transmittance_at(*row)) if len(row) == 3 else row[0]


def depth_part(form: DepthForm) -> CurePart:
    title, anchor = "Depth of cure", "depth"
    if not form.is_valid():
        return CurePart(anchor, title, form)
    # slow import: scipy
    from labbench.science.cure import cure_depth_mm, exposure_for_depth, share_at_depth

    asked = form.cleaned_data
    constants = {"dp_mm": asked["dp_mm"], "ec_mj_cm2": asked["ec_mj_cm2"]}
    depth = cure_depth_mm(asked["exposure_mj_cm2"], **constants)
    sentences = [
        f"{dose_words(asked['exposure_mj_cm2'])} at the surface begin a gel down to {with_unit(number_text(depth), 'mm')}."
        if depth
        else f"{dose_words(asked['exposure_mj_cm2'])} are not more than Ec: no gel begins."
    ]
    if asked["depth_mm"] is not None:
        try:
            needed = exposure_for_depth(asked["depth_mm"], **constants)
        except ValueError as refused:
            return CurePart(anchor, title, form, refusal=f"No exposure for this depth: {refused}.")
        sentences.append(
            f"{with_unit(number_text(asked['depth_mm']), 'mm')} need {dose_words(needed)} at the surface; of its light "
            f"{percent_text(share_at_depth(asked['depth_mm'], dp_mm=asked['dp_mm']))} arrive there."
        )
    sentences += [
        f"Dp and Ec from: {asked['source']}. They differ many-fold between labs and wavelengths; they hold for the lamp they were "
        "measured under.",
        "Ec is where a gel begins, not full cure: a break filled to this depth is not a break cured to this depth.",
    ]
    return CurePart(anchor, title, form, with_unit(number_text(depth), "mm"), "gelled", tuple(sentences))


def curve_part(form: CurveForm) -> CurePart:
    title, anchor = "Dp and Ec from trials", "curve"
    if not form.is_valid():
        return CurePart(anchor, title, form)
    # slow import: scipy
    from labbench.science.cure import fit_working_curve

    pairs = form.cleaned_data["pairs"]
    try:
        found = fit_working_curve([e for e, _ in pairs], [d for _, d in pairs])
    except ValueError as refused:
        return CurePart(anchor, title, form, refusal=f"No working curve: {refused}.")
    sentences = [f"From {found.points} trials, by {found.method}: depth = Dp ln(dose / Ec)."]
    if found.dp_limits is None or found.ec_limits is None:
        sentences.append("Nothing to judge Dp and Ec by: two trials only, or depths that hardly grow. Make more.")
    else:
        sentences.append(
            f"95 % limits: Dp {interval_text(found.dp_limits.low, found.dp_limits.high, 'mm')}, Ec "
            f"{interval_text(found.ec_limits.low, found.ec_limits.high, MJ)} (t-based, {found.df} degrees of freedom; Ec by Fieller)."
        )
    sentences.append(
        "Keep them with the resin, with the day and the lamp of these trials. Ec is where a gel begins, not full cure."
    )
    big = f"Dp {with_unit(number_text(found.dp_mm), 'mm')}, Ec {with_unit(number_text(found.ec_mj_cm2), MJ)}"
    return CurePart(anchor, title, form, big, "", tuple(sentences))


def people_part(form: PeopleForm) -> CurePart:
    """How soon somebody in the light has got what the published limit allows; never that a place is safe."""
    title, anchor = "Exposure of people", "people"
    if not form.is_valid():
        return CurePart(anchor, title, form)
    from labbench.science.uv_exposure import uva_exposure, weighted_exposure

    value = form.cleaned_data["irradiance_mw_cm2"]
    eye, skin = uva_exposure(value), weighted_exposure(value)
    sentences = [
        "UV-A on the unprotected eye: 1e4 J/m² (1 J/cm²) within 8 h, 315 to 400 nm, unweighted (ICNIRP 2004; 2006/25/EC annex I). "
        + (
            f"At {with_unit(number_text(value), MW)} that is used up after {spell(eye.seconds)} in all a day."
            if eye.seconds is not None
            else f"At {with_unit(number_text(value), MW)} {eye.reason}."
        ),
        "Eye and skin have a second limit, 30 J/m² weighted by wavelength. For light of 365 nm alone it is reached "
        + (f"after {spell(skin.seconds)}" if skin.seconds is not None else "not within 8 h")
        + "; a lamp that also gives shorter wavelengths reaches it much sooner, so its spectrum has to be known.",
        "This is a warning, not a permission: reflections, nearer places and skin that reacts more strongly are not in it. Shield the "
        "lamp, wear UV-blocking eyewear, cover skin. Read the edition in force and your local codes; a qualified person assesses exposure.",
    ]
    big = spell(eye.seconds) if eye.seconds is not None else ""
    return CurePart(
        anchor, title, form, big, "until the UV-A limit of the eye is used up" if big else "", tuple(sentences)
    )
