"""How a lamp's present life stands: hours, fading with its limits, and when it will be too dim; as words, facts and a plot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.utils import timezone

from labbench.bench.lamp_use import cures_since
from labbench.formats.number_texts import interval_text, number_text, percent_text, with_unit
from labbench.lab.lamp_lives import CounterEvent, Fading, counter_events, fading_of, lives_of
from labbench.lab.models import Lamp, LampSurvey
from labbench.pages.results.charts import Chart
from labbench.pages.templatetags.quantities import day_text

CURVE_POINTS = 60
# The plot looks ahead by so much of the hours surveyed, or to the least irradiance where that is nearer.
AHEAD = 1.0
MW = "mW/cm²"
ANALOGY = (
    "Model: output = B exp(−α hours), least squares of ln(output) on hours, as IES TM-21 projects the flux of LEDs. For one UV-A lamp "
    "this is an analogy: TM-21 stands on twenty LED packages and 6,000 h or more."
)


@dataclass(frozen=True, slots=True)
class LifePanel:
    """What templates/lamps/life.html shows.

    Attributes
    ----------
    fading : Fading
    answer : str
        The finding in a sentence; "" where nothing can be projected.
    is_bad : bool
        The lamp gives less than it must, or soon will.
    facts : list of (term, words)
    notes : list of str
    chart : Chart or None
    events : list of CounterEvent
        Readings and renewals, the latest first; without surveys.
    lives : list of Life
        Those before the present one, the latest first.
    cures : int
    cured_h : float
        Since the counter was read last.
    """

    fading: Fading
    answer: str
    is_bad: bool
    facts: list[tuple[str, str]]
    notes: list[str]
    chart: Chart | None
    events: list[CounterEvent]
    lives: list[Any]
    cures: int
    cured_h: float


def life_panel(lamp: Lamp) -> LifePanel:
    events = counter_events(lamp)
    fading = fading_of(lamp)
    lives = lives_of(events)
    cures, hours = cures_since(lamp, events[-1].at if events else None)
    return LifePanel(
        fading,
        answer_of(fading),
        fading.is_near,
        facts_of(fading),
        notes_of(fading),
        chart_of(fading),
        [event for event in reversed(events) if not isinstance(event.record, LampSurvey)],
        list(reversed(lives[:-1])),
        cures,
        hours,
    )


def answer_of(fading: Fading) -> str:
    """When the lamp will be too dim, in a sentence."""
    least = fading.lamp.least_irradiance_mw_cm2
    if least is None:
        return ""
    level = with_unit(number_text(least), MW)
    where = fading.lamp.get_least_irradiance_at_display()
    if fading.is_below:
        return f"Too dim: in its last survey {where} read {with_unit(number_text(fading.points[-1].output_mw_cm2), MW)}, less than {level}."
    found = fading.to_least
    if found is None or fading.reason:
        return ""
    if found.hours is None:
        return f"{found.reason.capitalize()}."
    assert found.reported_h is not None
    if found.is_beyond:
        return (
            f"Reaches {level} after more than {with_unit(number_text(round(found.reported_h)), 'h')} of this life: more than "
            f"{number_text(found.multiple)} times the hours it was watched over, so no figure is given."
        )
    spread = limits_words(found.limits)
    if fading.remaining_h is not None and fading.remaining_h <= 0:
        return f"By the fit it fell below {level} at {hours_words(found.hours)} of this life{spread}: survey it before the next repair."
    return f"Reaches {level} in about {hours_words(fading.remaining_h)}, at {hours_words(found.hours)} of this life{spread}."


def soon_words(fading: Fading) -> str:
    """The same for the list of what needs attention: "reaches 6 mW/cm² in about 120 h"."""
    least = with_unit(number_text(fading.lamp.least_irradiance_mw_cm2 or 0.0), MW)
    if fading.is_below:
        return f"gives less than {least}"
    if fading.remaining_h is not None and fading.remaining_h <= 0:
        return f"by its fading below {least}"
    return f"reaches {least} in about {hours_words(fading.remaining_h)}"


def hours_words(hours: float | None) -> str:
    """Hours to two figures: a projection has no more."""
    if hours is None:
        return "hours not known"
    return with_unit(number_text(float(f"{hours:.2g}") if abs(hours) < 100 else round(hours, -1)), "h")


def limits_words(limits: Any) -> str:
    if limits is None:
        return " (two surveys: no limits)"
    if limits.low is None and limits.high is None:
        return " (no limits)"
    if limits.high is None:
        return f" (95 % limits: not before {hours_words(max(0.0, limits.low))}, no end known)"
    if limits.low is None:
        return f" (95 % limits: at most {hours_words(limits.high)})"
    return f" (95 % limits {hours_words(limits.low)} to {hours_words(limits.high)})"


def facts_of(fading: Fading) -> list[tuple[str, str]]:
    fit = fading.fit
    if fit is None:
        return []
    per_100 = 1 - fit.output_at(fit.last_h + 100) / fit.output_at(fit.last_h)
    limits = fit.alpha_limits
    rate = f"{percent_text(per_100)} in 100 h" if per_100 > 0 else "none seen"
    return [
        ("Loses", rate),
        ("Rate α (per 1000 h)", number_text(1000 * fit.alpha_per_h)),
        (
            "95 % limits of α (per 1000 h)",
            "—" if limits is None else interval_text(1000 * (limits.low or 0), 1000 * (limits.high or 0)),
        ),
        ("Output when new, by the fit", with_unit(number_text(fit.start), MW)),
        ("Surveys used", f"{fit.points} of {len(fading.points)}"),
        ("Watched over", with_unit(number_text(fit.last_h - fit.first_h), "h")),
    ]


def notes_of(fading: Fading) -> list[str]:
    if fading.fit is None:
        return []
    cover = "on" if fading.is_cover_on else "off"
    judged = fading.lamp.get_least_irradiance_at_display()
    notes = [
        f"Each survey counts with {judged}; only surveys with the cover {cover} at {number_text(fading.distance_mm or 0)} mm (± 5 mm), "
        "of this life, whose lamp hours are known.",
        ANALOGY,
        "Limits are t-based on the regression; they hold if surveys err alike and independently, which a meter read wrong all the time "
        "does not. The hours have Fieller’s limits.",
    ]
    if fading.fit.alpha_limits is None:
        notes.append("Two surveys give a line and nothing to judge it by: survey again.")
    elif fading.to_least is not None and fading.to_least.limits is not None and fading.to_least.limits.high is None:
        notes.append("The fading seen may be chance: its limits include none at all.")
    return notes


def chart_of(fading: Fading) -> Chart | None:
    """Output against hours of this life: surveys, the fit with its band, and the least irradiance."""
    if not fading.points:
        return None
    hours = [point.hours_h for point in fading.points]
    outputs = [point.output_mw_cm2 for point in fading.points]
    days = [day_text(timezone.localtime(point.survey.surveyed_at)) for point in fading.points]
    labels = [
        f"{day}: {number_text(output)} {MW} at {number_text(hour)} h"
        for day, output, hour in zip(days, outputs, hours, strict=True)
    ]
    traces: list[dict[str, Any]] = []
    fit = fading.fit
    if fit is not None:
        traces += fitted_traces(fading)
    traces.append(
        {
            "type": "scatter", "mode": "markers", "name": "surveys", "x": hours, "y": outputs, "text": labels,
            "hovertemplate": "%{text}<extra></extra>", "marker": {"size": 11}, "meta": {"series": 1},
        }
    )  # fmt: skip
    least = fading.lamp.least_irradiance_mw_cm2
    layout: dict[str, Any] = {
        "height": 360,
        "showlegend": fit is not None,
        "xaxis": {"title": {"text": "hours run in this life (h)"}},
        "yaxis": {"title": {"text": f"{fading.lamp.get_least_irradiance_at_display()} ({MW})"}, "rangemode": "tozero"},
    }
    words = f"{len(hours)} survey{'s' if len(hours) > 1 else ''}"
    if least is not None:
        layout["shapes"] = [
            {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": least, "y1": least,
             "line": {"color": "@bad", "width": 2, "dash": "dash"}}
        ]  # fmt: skip
        layout["annotations"] = [
            {"xref": "paper", "x": 1, "xanchor": "right", "y": least, "yanchor": "bottom", "showarrow": False,
             "text": f"least {number_text(least)} {MW}", "font": {"color": "@bad"}}
        ]  # fmt: skip
        words += f"; dashed: the least irradiance, {number_text(least)} {MW}"
    if fit is not None and fit.alpha_limits is not None:
        words += "; pale: 95 % limits of the fitted curve"
    rows = tuple(
        (day, number_text(hour), number_text(output)) for day, hour, output in zip(days, hours, outputs, strict=True)
    )
    return Chart(
        "fading",
        "Output against hours run",
        f"{words}.",
        {"data": traces, "layout": layout},
        ("survey", "hours run in this life (h)", f"output ({MW})"),
        rows,
    )


def fitted_traces(fading: Fading) -> list[dict[str, Any]]:
    """The band of the fit where it has one, then its line; a little beyond the last survey, or to the least irradiance."""
    fit = fading.fit
    assert fit is not None
    watched = fit.last_h - fit.first_h
    end = fit.last_h + AHEAD * watched
    if fading.to_least is not None and fading.to_least.hours is not None:
        end = min(end, max(fit.last_h + watched / 5, 1.1 * fading.to_least.hours))
    xs = [fit.first_h + (end - fit.first_h) * step / CURVE_POINTS for step in range(CURVE_POINTS + 1)]
    bands = [fit.output_limits(x) for x in xs]
    traces: list[dict[str, Any]] = []
    if all(bands):
        top = 3 * max(point.output_mw_cm2 for point in fading.points)
        for role, limit in (("limit", "low"), ("band", "high")):
            traces.append(
                {
                    "type": "scatter", "x": xs, "y": [min(top, getattr(band, limit)) for band in bands],
                    "meta": {"series": 2, "role": role},
                }
            )  # fmt: skip
    traces.append(
        {
            "type": "scatter", "mode": "lines", "name": "fit", "x": xs, "y": [fit.output_at(x) for x in xs],
            "line": {"dash": "solid"}, "hovertemplate": "fit: %{y:.3g} " + MW + " at %{x:.0f} h<extra></extra>", "meta": {"series": 2},
        }
    )  # fmt: skip
    return traces
