"""What is typed at the bench: few fields in sight, the rest folded away with a default."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from labbench.bench.models import Deviation, Inspection, Repair, StrengthTest
from labbench.bench.queries import (
    Allocation,
    last_repair,
    last_strength_test,
    next_round,
    rounds_of,
    undecided_fields,
)
from labbench.lab.models import Person, ProcedureVersion, ProfileStep
from labbench.pages.bench import choices
from labbench.pages.bench.choices import NotedChoiceField
from labbench.pages.bench.fields import MomentField, PhotoField, QuantityField
from labbench.studies.models import Coupon

# Measures that a method needs to give a stress; the others are not shown and not stored.
MEASURES = {
    "four_point": ("force_n", "width_mm", "thickness_mm", "outer_span_mm", "inner_span_mm"),
    "three_point": ("force_n", "width_mm", "thickness_mm", "outer_span_mm"),
    "ring_on_ring": ("force_n", "thickness_mm", "outer_span_mm", "inner_span_mm", "plate_mm"),
    "reported": ("stress_mpa",),
}


class BenchForm(forms.Form):
    """A form whose seldom needed fields (`more`) are folded away."""

    more: tuple[str, ...] = ()

    def main_fields(self) -> Iterator[forms.BoundField]:
        return (self[name] for name in self.fields if name not in self.more and not self[name].is_hidden)

    def more_fields(self) -> Iterator[forms.BoundField]:
        return (self[name] for name in self.fields if name in self.more)

    @property
    def more_is_open(self) -> bool:
        return any(name in self.errors for name in self.more)


def note_field() -> forms.CharField:
    return forms.CharField(required=False, max_length=4000, widget=forms.Textarea(attrs={"rows": 2}))


class RepairForm(BenchForm):
    """The repair of a coupon. Readings of the day are never filled in beforehand."""

    more: tuple[str, ...] = (
        "pit_resin_lot",
        "vacuum_minutes",
        "pressure_minutes",
        "break_x_mm",
        "break_y_mm",
        "procedure_version",
        "technician",
        "repaired_at",
        "note",
    )

    resin_lot = forms.Field()
    lamp = forms.Field()
    is_cover_on = forms.TypedChoiceField(
        label="cover",
        choices=[("off", "cover off"), ("on", "cover on")],
        coerce=lambda text: text == "on",
        widget=forms.RadioSelect,
    )
    cure_time_s = QuantityField(label="cure time", unit="s", low=0, high=86_400, above_low=True, required=True)
    distance_mm = QuantityField(label="lamp to glass", unit="mm", low=0, high=2000)
    irradiance_mw_cm2 = QuantityField(
        label="irradiance at the glass",
        unit="mW/cm²",
        low=0,
        high=10_000,
        help_text="As read today. The dose comes from the lamp’s survey.",
    )
    radiometer = forms.Field()
    glass_c = QuantityField(label="glass temperature", unit="°C", low=-60, high=120)
    room_c = QuantityField(label="room temperature", unit="°C", low=-40, high=70)
    pit_resin_lot = forms.Field()
    vacuum_minutes = QuantityField(label="vacuum", unit="min", low=0, high=1440)
    pressure_minutes = QuantityField(label="pressure", unit="min", low=0, high=1440)
    break_x_mm = QuantityField(
        label="break from the middle, across",
        unit="mm",
        low=-2000,
        high=2000,
        help_text="Where the break lay under the lamp, in the survey’s own directions.",
    )
    break_y_mm = QuantityField(label="break from the middle, along", unit="mm", low=-2000, high=2000)
    procedure_version = forms.ModelChoiceField(
        ProcedureVersion.objects.none(),
        label="procedure",
        required=False,
        empty_label="none",
    )
    technician = forms.Field()
    repaired_at = MomentField(label="repaired at")
    note = note_field()

    def __init__(
        self, *args: Any, person: Any, allocation: Allocation, now: datetime, record: Repair | None = None, **extra: Any
    ):
        super().__init__(*args, **extra)
        self.record = record
        today = timezone.localtime(now).date()
        planned = allocation.records
        breaks, lamps = choices.lots(choices.BREAK, record.resin_lot_id if record else None), choices.lamps(now)
        if "resin" in planned and record is None:
            planned_lots = set(breaks.filter(resin=planned["resin"]).values_list("pk", flat=True))
        else:
            planned_lots = {planned["resin_lot"]} if "resin_lot" in planned else set()
        if record is not None:
            lamps = choices.lamps(now, record.lamp_id)
        versions: Any = self.fields["procedure_version"]
        versions.queryset = choices.procedure_versions(
            record.procedure_version_id if record else self.initial.get("procedure_version")
        )
        self.fields["resin_lot"] = choices.as_buttons(
            NotedChoiceField(breaks, label="resin lot", note=choices.lot_note(today), allocated=planned_lots),
            breaks.count(),
        )
        self.fields["lamp"] = choices.as_buttons(
            NotedChoiceField(
                lamps,
                label="lamp",
                note=choices.lamp_note(now),
                allocated={planned["lamp"]} if "lamp" in planned else (),
            ),
            lamps.count(),
        )
        self.fields["radiometer"] = NotedChoiceField(
            choices.meters(today, record.radiometer_id if record else None),
            label="radiometer",
            required=False,
            empty_label="not measured",
            note=choices.meter_note(today),
        )
        self.fields["pit_resin_lot"] = NotedChoiceField(
            choices.lots(choices.PIT, record.pit_resin_lot_id if record else None),
            label="pit resin lot",
            required=False,
            empty_label="none",
            note=choices.lot_note(today),
        )
        self.fields["technician"] = NotedChoiceField(
            choices.hands(person, record and record.technician), label="repaired by", empty_label=None
        )
        if record is None and planned.get("technician", person.pk) != person.pk:
            self.ask_who(person, planned["technician"])

    def ask_who(self, person: Any, allocated: int) -> None:
        """Somebody else is allocated than who is signed in: who repaired is asked in sight, and nobody chosen beforehand."""
        people = choices.hands(person, Person.objects.get(pk=allocated))
        field = NotedChoiceField(people, label="repaired by", empty_label="who?", allocated={allocated})
        field.help_text = "Another technician is allocated to this coupon than is signed in."
        self.fields["technician"] = choices.as_buttons(field, people.count())
        self.initial["technician"] = None
        self.more = tuple(name for name in self.more if name != "technician")
        self.order_fields(["technician"])

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        # Filled in from the last repair: a meter that read nothing today is no part of this one.
        if self.record is None and given.get("irradiance_mw_cm2") is None and "irradiance_mw_cm2" not in self.errors:
            given["radiometer"] = None
        if (
            given.get("irradiance_mw_cm2") is not None
            and not given.get("radiometer")
            and "radiometer" not in self.errors
        ):
            self.add_error("radiometer", "Which meter read this irradiance?")
        across, along = given.get("break_x_mm"), given.get("break_y_mm")
        if (across is None) != (along is None) and not {"break_x_mm", "break_y_mm"} & self.errors.keys():
            self.add_error("break_y_mm" if along is None else "break_x_mm", "A place takes both distances.")
        return given


def repair_defaults(coupon: Coupon, person: Any, allocation: Allocation) -> dict[str, Any]:
    """What the coupon was allocated, else what was used last; never a reading."""
    last = last_repair(coupon.study, person)
    initial: dict[str, Any] = {
        "technician": person.pk,
        "procedure_version": coupon.study.procedure_version_id,
        "is_cover_on": "off",
    }
    if last is not None:
        initial |= {
            "resin_lot": last.resin_lot_id,
            "lamp": last.lamp_id,
            "radiometer": last.radiometer_id,
            "is_cover_on": "on" if last.is_cover_on else "off",
            "distance_mm": last.distance_mm,
            "cure_time_s": last.cure_time_s,
            "vacuum_minutes": last.vacuum_minutes,
            "pressure_minutes": last.pressure_minutes,
            "procedure_version": initial["procedure_version"] or last.procedure_version_id,
        }
    planned = allocation.records
    # A default of another arm would be worse than none; so would the baseline for a coupon without a level.
    initial |= dict.fromkeys(undecided_fields(coupon.study, allocation))
    if "resin" in planned and (last is None or last.resin_lot.resin_id != planned["resin"]):
        initial["resin_lot"] = None
    initial |= {name: planned[name] for name in ("resin_lot", "lamp", "procedure_version") if name in planned}
    initial |= {
        name: allocation.numbers[name]
        for name in ("cure_time_s", "distance_mm", "vacuum_minutes", "pressure_minutes")
        if name in allocation.numbers
    }
    return initial


class InspectionForm(BenchForm):
    """One look at one coupon."""

    more = ("step_number", "inspector", "seen_at", "note")

    outcome = forms.ChoiceField(choices=Inspection.Outcome, widget=forms.RadioSelect)
    crack_growth_mm = QuantityField(
        label="crack growth", unit="mm", low=0, high=5000, help_text="Longest growth since the repair."
    )
    failure_mode = forms.CharField(
        label="how it failed",
        required=False,
        max_length=200,
        help_text="In a few words, e.g. leg ran to the edge.",
        widget=forms.TextInput(attrs={"list": "failure-modes", "autocomplete": "off"}),
    )
    round_number = forms.IntegerField(
        label="round", min_value=0, max_value=1000, help_text="0: before the first round."
    )
    photo = PhotoField()
    step_number = forms.TypedChoiceField(label="after step", required=False, coerce=int, empty_value=None)
    inspector = forms.Field()
    seen_at = MomentField(label="seen at")
    note = note_field()

    def __init__(self, *args: Any, coupon: Coupon, person: Any, record: Inspection | None = None, **extra: Any) -> None:
        extra["initial"] = {"round_number": next_round(coupon), "inspector": person.pk} | (extra.get("initial") or {})
        super().__init__(*args, **extra)
        self.coupon = coupon
        rounds = self.fields["round_number"]
        rounds.widget.attrs |= {"max": rounds_of(coupon), "inputmode": "numeric"}
        rounds.label = f"round (of {rounds_of(coupon)})"
        self.fields["crack_growth_mm"].is_needed_where_shown = True  # type: ignore[attr-defined]
        step = self.fields["step_number"]
        assert isinstance(step, forms.TypedChoiceField)
        step.choices = step_choices(coupon, record.step_number if record else None)
        self.fields["inspector"] = NotedChoiceField(
            choices.hands(person, record and record.inspector), label="seen by", empty_label=None
        )

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        if given.get("outcome") != Inspection.Outcome.CRACK_GROWTH:
            given["crack_growth_mm"] = None
        elif given.get("crack_growth_mm") is None and "crack_growth_mm" not in self.errors:
            self.add_error("crack_growth_mm", "How far has it grown?")
        if given.get("outcome") == Inspection.Outcome.INTACT:
            given["failure_mode"] = ""
        if given.get("round_number") == 0 and given.get("outcome") == Inspection.Outcome.CRACKED_OUT:
            self.add_error("round_number", "A crack-out happens in a round; the first is round 1.")
        if given.get("round_number") == 0 and given.get("step_number"):
            self.add_error("step_number", "There is no step before the first round.")
        return given


def step_choices(coupon: Coupon, present: int | None = None) -> list[tuple[Any, str]]:
    """The end of the round, or after one of the steps of the profile."""
    place = getattr(coupon, "load_place", None)
    profile = (place.load.profile_id if place else None) or coupon.study.profile_id
    steps = [(step.number, f"{step.number} {step.name}") for step in ProfileStep.objects.filter(profile=profile)]
    if present is not None and present not in dict(steps):
        steps.append((present, f"step {present}"))
    return [("", "the whole round"), *steps]


class StrengthForm(BenchForm):
    """The break of a coupon: the measures that its method needs."""

    more = ("tested_by", "tested_at", "note")

    method = forms.ChoiceField(choices=StrengthTest.Method, widget=forms.RadioSelect)
    force_n = QuantityField(label="force at fracture", unit="N", low=0, high=1e7, above_low=True)
    stress_mpa = QuantityField(label="fracture stress", unit="MPa", low=0, high=5000, above_low=True)
    width_mm = QuantityField(label="width", unit="mm", low=0, high=5000, above_low=True)
    thickness_mm = QuantityField(label="thickness", unit="mm", low=0, high=500, above_low=True)
    outer_span_mm = QuantityField(label="support span or ring", unit="mm", low=0, high=5000, above_low=True)
    inner_span_mm = QuantityField(label="load span or ring", unit="mm", low=0, high=5000, above_low=True)
    plate_mm = QuantityField(label="plate diameter", unit="mm", low=0, high=5000, above_low=True)
    origin = forms.ChoiceField(label="fracture origin", choices=StrengthTest.Origin, widget=forms.RadioSelect)
    is_machine_limit = forms.BooleanField(label="machine limit reached, coupon did not break", required=False)
    tested_by = forms.Field()
    tested_at = MomentField(label="tested at")
    note = note_field()

    def __init__(self, *args: Any, person: Any, record: StrengthTest | None = None, **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.fields["tested_by"] = NotedChoiceField(
            choices.hands(person, record and record.tested_by), label="tested by", empty_label=None
        )
        for name in self.fields:
            # Read by the style sheet: a measure is hidden where the chosen method does not need it.
            methods = [method for method, measures in MEASURES.items() if name in measures]
            if methods:
                self.fields[name].shown_for = " ".join(methods)  # type: ignore[attr-defined]
                self.fields[name].is_needed_where_shown = True  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        needed = MEASURES.get(given.get("method", ""))
        if needed is None:
            return given
        for name in {name for measures in MEASURES.values() for name in measures} - set(needed):
            self.errors.pop(name, None)
            given[name] = None
        for name in needed:
            if given.get(name) is None and name not in self.errors:
                self.add_error(name, f"{StrengthTest.Method(given['method']).label.capitalize()} needs it.")
        outer, inner = given.get("outer_span_mm"), given.get("inner_span_mm")
        if outer is not None and inner is not None and inner >= outer:
            self.add_error("inner_span_mm", "It must be smaller than the support span or ring.")
        return given


def strength_defaults(coupon: Coupon, person: Any) -> dict[str, Any]:
    """The fixture of the study's last test; what is measured on each coupon is never filled in beforehand."""
    last = last_strength_test(coupon.study)
    initial = {"tested_by": person.pk, "origin": StrengthTest.Origin.NOT_KNOWN}
    if last is not None:
        initial |= {name: getattr(last, name) for name in ("method", "outer_span_mm", "inner_span_mm", "plate_mm")}
    return initial


class DeviationForm(BenchForm):
    """Something that did not go by the profile or the procedure."""

    kind = forms.ChoiceField(
        label="what kind",
        # Changes of a locked allocation are kept where they are made.
        choices=[choice for choice in Deviation.Kind.choices if choice[0] != Deviation.Kind.REALLOCATED],
        widget=forms.RadioSelect,
    )
    description = forms.CharField(label="what happened", max_length=4000, widget=forms.Textarea(attrs={"rows": 3}))
    reason = forms.CharField(
        label="why it happened", required=False, max_length=4000, widget=forms.Textarea(attrs={"rows": 2})
    )
    happened_at = MomentField(label="happened at")


class ReasonForm(forms.Form):
    """Why a record is taken out."""

    reason = forms.CharField(max_length=400, widget=forms.Textarea(attrs={"rows": 2}))


class WithdrawForm(forms.Form):
    """Why a coupon takes no further part; it stays in the count."""

    reason = forms.CharField(max_length=200, help_text="E.g. broken in handling. The coupon stays in the count.")


class CodeForm(forms.Form):
    """A code as a scanner or a hand types it."""

    code = forms.CharField(label="coupon code", max_length=200)
    then = forms.ChoiceField(choices=[(name, name) for name in ("repair", "inspection", "strength")], required=False)


class LoadLookForm(forms.Form):
    """The looks at the coupons of a load after one round: one row per coupon, none chosen at first."""

    round_number = forms.IntegerField(min_value=1, max_value=1000, widget=forms.HiddenInput)
    step_number = forms.IntegerField(min_value=1, max_value=998, required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, coupons: list[Coupon], **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.coupons = {coupon.pk: coupon for coupon in coupons}
        for pk in self.coupons:
            self.fields[f"outcome_{pk}"] = forms.ChoiceField(
                label="outcome", choices=Inspection.Outcome, required=False, widget=forms.RadioSelect
            )
            self.fields[f"growth_{pk}"] = QuantityField(label="crack growth", unit="mm", low=0, high=5000)
            self.fields[f"mode_{pk}"] = forms.CharField(
                label="how it failed",
                required=False,
                max_length=200,
                widget=forms.TextInput(attrs={"list": "failure-modes", "autocomplete": "off"}),
            )

    def rows(self) -> Iterator[dict[str, Any]]:
        for pk, coupon in self.coupons.items():
            fields = [self[f"{name}_{pk}"] for name in ("outcome", "growth", "mode")]
            faults = [fault for field in fields for fault in field.errors]
            yield {"coupon": coupon, "outcome": fields[0], "growth": fields[1], "mode": fields[2], "faults": faults}

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        for pk in self.coupons:
            if given.get(f"outcome_{pk}") == Inspection.Outcome.CRACK_GROWTH and given.get(f"growth_{pk}") is None:
                self.add_error(f"growth_{pk}", "How far has it grown?")
        if not self.errors and not any(given.get(f"outcome_{pk}") for pk in self.coupons):
            raise ValidationError("Choose an outcome for at least one coupon.")
        return given

    def looks(self) -> list[tuple[Coupon, dict[str, Any]]]:
        """What is to be stored: one look for each coupon whose outcome was chosen."""
        given, Outcome = self.cleaned_data, Inspection.Outcome
        return [
            (
                coupon,
                {
                    "round_number": given["round_number"],
                    "step_number": given["step_number"],
                    "outcome": outcome,
                    "crack_growth_mm": given[f"growth_{pk}"] if outcome == Outcome.CRACK_GROWTH else None,
                    "failure_mode": "" if outcome == Outcome.INTACT else given[f"mode_{pk}"],
                },
            )
            for pk, coupon in self.coupons.items()
            if (outcome := given[f"outcome_{pk}"])
        ]

    def add_refusals(self, refused: ValidationError) -> None:
        """The faults of `record_inspections`, each at its coupon."""
        for pk, messages in refused.message_dict.items():
            self.add_error(f"outcome_{pk}", messages)
