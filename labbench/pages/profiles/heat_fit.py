"""The heat-transfer coefficient of a chamber from a trace of a coupon that carried a sensor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods

from labbench.bench.models import TraceFile
from labbench.formats.logger_file import read_logger_file
from labbench.formats.number_texts import number_text
from labbench.pages.profiles.heat import load_of, starts_for
from labbench.pages.profiles.heat_forms import FitForm
from labbench.pages.profiles.heat_parts import line
from labbench.pages.refusals import add_refusal
from labbench.pages.results.charts import Chart
from labbench.science.heat.fit import HeatTransferFit, Stretch, fit_heat_transfer, fitted_temperatures, largest_air_step
from labbench.science.heat.layers import Layer, laminate
from labbench.science.soaks.traces import AIR, ReadyTrace, make_ready

FAULTS_SHOWN = 10
POINTS = 400
ROWS = 11


@dataclass(frozen=True, slots=True)
class FitAnswer:
    """A fit, what it was made from, and how well the model follows."""

    fit: HeatTransferFit
    channel: str
    from_minutes: float
    to_minutes: float
    readings: int
    chart: Chart | None
    notes: tuple[str, ...]


@require_http_methods(["GET", "HEAD", "POST"])
def fit(request: HttpRequest) -> HttpResponse:
    """Nothing is stored: the answer is a range to go on with."""
    load = load_of(request)
    traces = TraceFile.objects.none() if load is None else load.traces.order_by("-uploaded_at")
    starts = starts_for(load)
    if request.method == "POST":
        form = FitForm(request.POST, request.FILES, traces=traces)
    else:
        form = FitForm(
            initial={name: starts.get(name) for name in ("glass", "outer_mm", "interlayer_mm", "inner_mm", "load")},
            traces=traces,
        )
    answer = None
    if request.method == "POST" and form.is_valid():
        try:
            answer = answered(form)
        except ValidationError as refused:
            add_refusal(form, refused)
    context = {"form": form, "answer": answer, "load": load}
    return render(request, "profiles/fit.html", context)


def answered(form: FitForm) -> FitAnswer:
    """The fit of a valid form; refused in words where the file can't be read or says too little."""
    asked, made = form.cleaned_data, form.cleaned_data["construction"]
    with form.file_of() as file:
        reading = read_logger_file(file)
    if reading.trace is None:
        lines = reading.fault_lines
        left = [f"and {len(lines) - FAULTS_SHOWN} more"] if len(lines) > FAULTS_SHOWN else []
        raise ValidationError({"log": [*lines[:FAULTS_SHOWN], *left]})
    ready = make_ready(reading.trace)
    channels = dict(zip(ready.trace.channels, ready.smooth_c, strict=True))
    if AIR not in channels:
        raise ValidationError({"log": f"The file has no channel {AIR}: the air beside the coupon is needed."})
    layers = laminate(made.outer_mm, made.interlayer_mm, made.inner_mm)
    part = stretch_of(ready, channels[AIR], asked)
    channel = channel_of(channels, part, asked["channel"])
    elapsed, air, glass = (
        values[part.first : part.stop] for values in (ready.elapsed_s, channels[AIR], channels[channel])
    )
    found = fit_heat_transfer(layers, elapsed_s=elapsed, air_c=air, glass_c=glass, sensor=asked["sensor"])
    return FitAnswer(
        found,
        channel,
        float(elapsed[0] / 60),
        float(elapsed[-1] / 60),
        part.stop - part.first,
        None if found.h_w_m2_k is None else chart(layers, found, elapsed, air, glass, asked["sensor"]),
        (*reading.notes, *ready.warnings),
    )


def stretch_of(ready: ReadyTrace, air_c: Any, asked: dict[str, Any]) -> Stretch:
    """The rows to fit: as asked, else about the largest change of the air."""
    if asked["from_minutes"] is not None:
        first, stop = np.searchsorted(ready.elapsed_s, [60 * asked["from_minutes"], 60 * asked["to_minutes"]])
        if stop - first < 2:
            raise ValidationError({"from_minutes": "There is no reading between these times."})
        return Stretch(int(first), int(stop))
    found = largest_air_step(ready.elapsed_s, air_c)
    if found is None:
        raise ValidationError(
            {"log": "The air of this file changes by less than 10 K within ten minutes: there is no step to fit."}
        )
    return found


def channel_of(channels: dict[str, Any], part: Stretch, wanted: str) -> str:
    """The channel asked for, else that of the coupon which lags most."""
    coupons = [name for name in channels if name != AIR]
    if wanted:
        name = wanted if wanted in coupons else f"coupon_{wanted}_c"
        if name not in coupons:
            raise ValidationError(
                {"channel": f"The file has no channel {wanted}; its coupons are {', '.join(coupons) or 'none'}."}
            )
        return name
    if not coupons:
        raise ValidationError({"log": "The file has no channel of a coupon (coupon_NAME_c)."})
    air = channels[AIR][part.first : part.stop]
    lag = {name: float(np.nansum(np.abs(channels[name][part.first : part.stop] - air))) for name in coupons}
    return max(lag, key=lambda name: lag[name])


def chart(layers: tuple[Layer, ...], found: HeatTransferFit, elapsed: Any, air: Any, glass: Any, sensor: str) -> Chart:
    """Measured and computed over one another."""
    model = fitted_temperatures(layers, found, elapsed_s=elapsed, air_c=air, sensor=sensor)
    places = np.unique(np.linspace(0, len(elapsed) - 1, POINTS).astype(int))
    minutes = [round(float(value), 3) for value in (elapsed[places] - elapsed[0]) / 60]
    curves = {
        "air": (values_of(air, places), 6),
        "coupon, measured": (values_of(glass, places), 2),
        "coupon, computed": (values_of(model, places), 1),
    }
    picked = range(0, len(places), max(1, len(places) // (ROWS - 1)))
    return Chart(
        id="fit-plot",
        title="Measured and computed",
        summary=f"{number_text(found.residual_k or 0, decimals=2)} K is the standard deviation of the readings about the model.",
        figure={
            "data": [line(minutes, values, name, series) for name, (values, series) in curves.items()],
            "layout": {
                "height": 380,
                "xaxis": {"title": {"text": "minutes from the begin of the part that was fitted"}},
                "yaxis": {"title": {"text": "°C"}},
            },
        },
        columns=("minutes", *(f"{name} (°C)" for name in curves)),
        rows=tuple(
            (
                number_text(minutes[place], decimals=1),
                *(
                    "no reading" if values[place] is None else number_text(values[place], decimals=2)
                    for values, _ in curves.values()
                ),
            )
            for place in picked
        ),
    )


def values_of(values: Any, places: Any) -> list[Any]:
    """Readings for a plot; None where there is none."""
    return [None if np.isnan(value) else round(float(value), 3) for value in values[places]]
