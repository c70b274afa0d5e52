"""What the heat in a coupon is computed from."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.http import QueryDict

from labbench.bench.models import Load, TraceFile
from labbench.formats.glass_construction import Construction, read_construction
from labbench.lab.models import GlassStock, ProfileStep
from labbench.pages.bench.fields import QuantityField
from labbench.pages.profiles.fields import DifferenceField, TemperatureField

# A lab's room; where a round begins and nothing else is known.
ROOM_C = 21.0
# A file is read while the page is waited for: 42 MB took 850 MB of memory.
MOST_BYTES = 20_000_000
# Still air: free convection and radiation, computed. Fans: common practice, no source.
AIR_FLOWS = {
    "unknown": ("not known: 5 to 60 W/(m² K)", (5.0, 60.0)),
    "still": ("still air, coupon on edge: 8 to 15 W/(m² K)", (8.0, 15.0)),
    "fan": ("with a fan: 15 to 60 W/(m² K)", (15.0, 60.0)),
}
OWN = "own"
TEMPERATURES = ("start_c", "air_c", "target_c", "tolerance_k")
THICKNESSES = ("outer_mm", "interlayer_mm", "inner_mm")


class GlassFields(forms.Form):
    """The glass of the coupon: from stock, or its three thicknesses."""

    glass = forms.ModelChoiceField(
        GlassStock.objects.order_by("code"),
        required=False,
        label="glass from stock",
        empty_label="thicknesses as typed",
        help_text="What is typed beside it goes first.",
    )
    outer_mm = QuantityField(label="outer glass", unit="mm", low=0.1, high=30)
    interlayer_mm = QuantityField(label="interlayer", unit="mm", low=0.1, high=30)
    inner_mm = QuantityField(label="inner glass", unit="mm", low=0.1, high=30)

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        typed = [given.get(name) for name in THICKNESSES]
        stock: GlassStock | None = given.get("glass")
        read = read_construction(stock.construction) if stock is not None else None
        stated = (read.outer_mm, read.interlayer_mm, read.inner_mm) if read is not None else (None, None, None)
        outer, interlayer, inner = (own if own is not None else other for own, other in zip(typed, stated, strict=True))
        for name, value in zip(THICKNESSES, (outer, interlayer, inner), strict=True):
            if value is None and name not in self.errors:
                self.add_error(name, self._why_missing(stock))
        if outer is not None and interlayer is not None and inner is not None:
            given["construction"] = Construction(outer, interlayer, inner)
        return given

    def _why_missing(self, stock: GlassStock | None) -> str:
        if stock is None:
            return "Type the thickness, or choose a glass from stock."
        return f"“{stock.construction}” of {stock.code} does not say three thicknesses: type this one."


class HeatForm(GlassFields):
    """A step of the air, and what the glass has to reach. What is left empty comes from the step of the profile."""

    step = forms.ModelChoiceField(
        ProfileStep.objects.none(),
        required=False,
        label="step of a profile",
        empty_label="temperatures as typed",
        help_text="Temperatures left empty are taken from it.",
    )
    start_c = TemperatureField(label="coupon before")
    air_c = TemperatureField(label="air after")
    target_c = TemperatureField(label="coupon target")
    tolerance_k = DifferenceField(label="tolerance")
    air_flow = forms.ChoiceField(
        label="air along the glass",
        choices=[*((key, words) for key, (words, _) in AIR_FLOWS.items()), (OWN, "a range of your own")],
        initial="unknown",
        widget=forms.RadioSelect,
    )
    h_low = QuantityField(label="heat-transfer coefficient from", unit="W/(m² K)", low=0.5, high=1000)
    h_high = QuantityField(label="heat-transfer coefficient to", unit="W/(m² K)", low=0.5, high=1000)
    is_fitted = forms.BooleanField(required=False, label="the range was fitted to a trace of such a coupon")
    load = forms.ModelChoiceField(Load.objects.all(), required=False, widget=forms.HiddenInput)

    def __init__(self, query: QueryDict, *, steps: QuerySet[ProfileStep], starts: dict[str, Any]) -> None:
        # What is sent names every field, if only with nothing in it. What a link leaves out is as the page begins.
        left_out = TEMPERATURES if query.get("step") else ()
        data = query.copy()
        for name, value in starts.items():
            if name not in query and name not in left_out:
                data[name] = str(value)
        super().__init__(data)
        self.fields["step"].queryset = steps  # type: ignore[attr-defined]
        self.fields["step"].label_from_instance = lambda step: f"{step.profile}: {step}"  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        given = super().clean()
        step: ProfileStep | None = given.get("step")
        taken = {} if step is None else temperatures_of(step)
        for name in TEMPERATURES:
            if given.get(name) is None and name not in self.errors:
                given[name] = taken.get(name)
                if given[name] is None:
                    self.add_error(name, "Type it, or choose a step of a profile that states it.")
        if given.get("air_flow") == OWN:
            self._own_range(given)
        elif given.get("air_flow") in AIR_FLOWS:
            given["h_range"] = AIR_FLOWS[given["air_flow"]][1]
            given["is_fitted"] = False
        return given

    def _own_range(self, given: dict[str, Any]) -> None:
        low, high = given.get("h_low"), given.get("h_high")
        if low is None and "h_low" not in self.errors:
            self.add_error("h_low", "A range of your own needs its lower end.")
        if high is None and "h_high" not in self.errors:
            self.add_error("h_high", "A range of your own needs its upper end.")
        if low is not None and high is not None:
            if low > high:
                self.add_error("h_high", f"The upper end {high:g} is below the lower end {low:g}.")
            given["h_range"] = (low, high)


def temperatures_of(step: ProfileStep) -> dict[str, float | None]:
    """Air and target of a step; the coupon comes from the step before it, or from the room."""
    steps = list(step.profile.steps.all())
    place = next(place for place, one in enumerate(steps) if one.pk == step.pk)
    before = steps[place - 1] if place or step.profile.rounds > 1 else None
    start = ROOM_C if before is None or before.pk == step.pk else before.target_c
    return {
        "start_c": start,
        "air_c": step.air_set_point_c,
        "target_c": step.target_c,
        "tolerance_k": step.tolerance_k,
    }


class FitForm(GlassFields):
    """A trace of a coupon with a sensor, from which the coefficient of a chamber follows."""

    load = forms.ModelChoiceField(Load.objects.all(), required=False, widget=forms.HiddenInput)
    trace = forms.ModelChoiceField(
        TraceFile.objects.none(), required=False, label="kept trace of the load", empty_label="the file below"
    )
    log = forms.FileField(
        required=False,
        label="logger’s file",
        allow_empty_file=True,
        widget=forms.FileInput(attrs={"accept": ".csv,.txt,.tsv"}),
        help_text="CSV with a time, air_c and at least one coupon_NAME_c. It is read and not kept.",
    )
    channel = forms.CharField(
        required=False,
        max_length=60,
        label="coupon channel",
        help_text="coupon_NAME_c; empty: the one that changes slowest.",
    )
    sensor = forms.ChoiceField(
        label="where the sensor is",
        choices=[
            ("mean", "thin, within or under the coupon"),
            ("mid", "half-way through"),
            ("surface", "on a face"),
        ],
        initial="mean",
    )
    from_minutes = QuantityField(
        label="from",
        unit="min",
        low=0,
        high=1_000_000,
        help_text="After the file’s begin. Empty: the air’s largest change is found.",
    )
    to_minutes = QuantityField(label="to", unit="min", low=0, high=1_000_000)

    def __init__(self, *args: Any, traces: QuerySet[TraceFile], **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.fields["trace"].queryset = traces  # type: ignore[attr-defined]
        if not traces.exists():
            del self.fields["trace"]

    def clean(self) -> dict[str, Any]:
        given = super().clean()
        log = given.get("log")
        if log is not None and not log.size:
            self.add_error("log", f"{log.name} is empty: it has 0 bytes.")
        elif log is None and given.get("trace") is None and "log" not in self.errors:
            self.add_error("log", "Choose a logger’s file.")
        kept = given.get("trace")
        size = log.size if log is not None else kept.size_bytes if kept is not None else None
        if size is not None and size > MOST_BYTES:
            self.add_error(
                "log" if log is not None else "trace",
                f"This file has {size / 1e6:.0f} MB. A fit needs one change of the air: hand in a part of it, "
                f"{MOST_BYTES // 1_000_000} MB at most.",
            )
        low, high = given.get("from_minutes"), given.get("to_minutes")
        if (low is None) != (high is None):
            self.add_error("to_minutes" if high is None else "from_minutes", "Both ends, or neither.")
        elif low is not None and high is not None and low >= high:
            self.add_error("to_minutes", f"The end at {high:g} min is not after the begin at {low:g} min.")
        return given

    def file_of(self) -> Any:
        """The bytes to read: the upload, else the kept trace."""
        given = self.cleaned_data
        if given.get("log") is not None:
            return given["log"]
        try:
            return given["trace"].file.open("rb")
        except OSError as lost:
            raise ValidationError("The file of this trace can’t be opened any more.") from lost
