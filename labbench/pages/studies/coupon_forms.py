"""What people type about coupons and loads: one by one, or many at once."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from typing import Any

from django import forms
from django.conf import settings
from django.core.exceptions import ValidationError
from django.utils import timezone

from labbench.bench.models import Load
from labbench.bench.revision import UNCHANGED
from labbench.formats.cell_text import cleaned
from labbench.formats.factor_names import factor_heading
from labbench.formats.number_texts import number_text
from labbench.lab.models import GlassStock, ThermalProfile
from labbench.pages.studies.forms import LevelChoiceField
from labbench.studies.coupon_codes import counted_codes, random_codes
from labbench.studies.models import Coupon, Factor, Level, Study, code_characters

MOST_AT_ONCE = 2000
SEPARATORS = re.compile(r"[\s,;]+")
LONGEST_CODE = 40
KEEP = ("", "leave as it is")
NONE = "none"


class CouponsForm(forms.Form):
    """New coupons that are alike, with codes typed, counted up or drawn at random."""

    TYPED, COUNTED, RANDOM = "typed", "counted", "random"

    how = forms.ChoiceField(
        label="codes",
        choices=[
            (RANDOM, "drawn at random: a code tells nothing about the arm"),
            (TYPED, "typed or pasted"),
            (COUNTED, "a prefix and a running number"),
        ],
        widget=forms.RadioSelect,
        initial=RANDOM,
    )
    codes = forms.CharField(
        required=False,
        label="typed codes",
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="One a line. Only where codes are typed.",
    )
    code_prefix = forms.CharField(
        required=False,
        max_length=20,
        label="prefix",
        help_text="Before a running number or a random code; may be empty.",
    )
    count = forms.IntegerField(
        required=False, min_value=1, max_value=MOST_AT_ONCE, label="how many", help_text="For drawn or counted codes."
    )
    role = forms.ChoiceField(choices=Coupon.Role, initial=Coupon.Role.TEST)
    glass = forms.ModelChoiceField(
        queryset=GlassStock.objects.filter(retired_on=None), required=False, empty_label="not known"
    )
    break_type = forms.ChoiceField(choices=[("", "none or not known"), *Coupon.BreakType.choices], required=False)
    size_mm = forms.FloatField(label="break size (mm)", required=False, min_value=0.01, max_value=2000)
    legs = forms.IntegerField(required=False, min_value=0, max_value=100)
    edge_distance_mm = forms.FloatField(label="edge distance (mm)", required=False, min_value=0, max_value=5000)
    rounds_planned = forms.IntegerField(
        required=False, min_value=1, max_value=1000, help_text="Only where they differ from the study's."
    )

    def __init__(self, *args: Any, study: Study, factors: Sequence[Factor], **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.study, self.factors = study, factors
        for factor in factors:
            self.fields[f"level_{factor.pk}"] = LevelChoiceField(
                queryset=factor.levels.all(),
                required=False,
                label=factor_heading(factor.name),
                empty_label="not given yet",
            )

    def clean(self) -> dict[str, Any]:
        data = self.cleaned_data
        if data.get("role") == Coupon.Role.PRISTINE and data.get("break_type"):
            self.add_error("break_type", "A pristine control has no break.")
        prefix = cleaned(data.get("code_prefix") or "")
        if data.get("how") != self.TYPED and not self.errors:
            if not data.get("count"):
                self.add_error("count", "How many coupons?")
            elif data["how"] == self.COUNTED and not prefix:
                self.add_error("code_prefix", "A running number needs something before it, e.g. C-.")
        if not self.errors:
            present = self.study.coupons.values_list("code", flat=True)
            data["codes"] = self.drawn(data, prefix, set(present) if data["how"] != self.TYPED else set())
        return data

    def drawn(self, data: dict[str, Any], prefix: str, present: Collection[str]) -> list[str]:
        """The codes, checked; an error where there is none."""
        if data["how"] == self.TYPED:
            codes = [code for code in (cleaned(line) for line in data["codes"].splitlines()) if code]
            if not codes:
                self.add_error("codes", "Type at least one code.")
            elif len(codes) > MOST_AT_ONCE:
                self.add_error(
                    "codes",
                    f"{number_text(len(codes))} codes: at most {number_text(MOST_AT_ONCE)} at once; import a sheet for more.",
                )
        elif data["how"] == self.COUNTED:
            codes = counted_codes(prefix, data["count"], present)
        else:
            codes = random_codes(prefix, data["count"], present)
        for code in codes:
            if len(code) > LONGEST_CODE:
                self.add_error("codes", f"“{code[:30]}…” is longer than {LONGEST_CODE} characters.")
                break
            try:
                code_characters(code)
            except ValidationError as refused:
                self.add_error(
                    "code_prefix" if data["how"] != self.TYPED else "codes", f"“{code}”: {refused.messages[0]}"
                )
                break
        total = self.study.coupons.count() + len(codes)
        if total > settings.MAX_COUPONS_PER_STUDY:
            self.add_error(
                None,
                f"The study would hold {number_text(total)} coupons; at most {number_text(settings.MAX_COUPONS_PER_STUDY)} are possible.",
            )
        return codes

    @property
    def details(self) -> dict[str, Any]:
        """What every coupon gets beside its code and levels."""
        names = ("role", "glass", "break_type", "size_mm", "legs", "edge_distance_mm", "rounds_planned")
        return {name: self.cleaned_data[name] for name in names}

    @property
    def levels(self) -> dict[Factor, Level]:
        chosen = {factor: self.cleaned_data[f"level_{factor.pk}"] for factor in self.factors}
        return {factor: level for factor, level in chosen.items() if level is not None}

    @property
    def parts(self) -> list[tuple[str, list[forms.BoundField]]]:
        """The fields in groups, each with its heading."""
        codes = [self[name] for name in ("how", "count", "code_prefix", "codes")]
        coupon = [
            self[name]
            for name in ("role", "glass", "break_type", "size_mm", "legs", "edge_distance_mm", "rounds_planned")
        ]
        levels = [self[f"level_{factor.pk}"] for factor in self.factors]
        named = [("Codes", codes), ("The coupons", coupon), ("Levels", levels)]
        return [(heading, fields) for heading, fields in named if fields]


class CouponEditForm(forms.Form):
    """The same changes for many coupons; what is left empty stays."""

    role = forms.ChoiceField(choices=[KEEP, *Coupon.Role.choices], required=False)
    glass = forms.ChoiceField(required=False)
    break_type = forms.ChoiceField(choices=[KEEP, (NONE, "none"), *Coupon.BreakType.choices], required=False)
    load = forms.ChoiceField(required=False)
    size_mm = forms.FloatField(label="break size (mm)", required=False, min_value=0.01, max_value=2000)
    legs = forms.IntegerField(required=False, min_value=0, max_value=100)
    edge_distance_mm = forms.FloatField(label="edge distance (mm)", required=False, min_value=0, max_value=5000)
    rounds_planned = forms.IntegerField(required=False, min_value=1, max_value=1000)
    withdrawn_on = forms.DateField(
        required=False,
        label="withdrawn on",
        widget=forms.DateInput(attrs={"type": "date"}),
        help_text="E.g. broken in handling. They stay in the count, and each is a deviation.",
    )
    expected = forms.IntegerField(widget=forms.HiddenInput, label="coupons chosen")
    reason = forms.CharField(max_length=200, label="why", help_text="Kept in the history of every coupon.")

    def __init__(self, *args: Any, study: Study, factors: Sequence[Factor], coupons: int, **extra: Any) -> None:
        super().__init__(*args, **{"initial": {"expected": coupons}, **extra})
        self.factors, self.coupons = factors, coupons
        self.glasses = {str(glass.pk): glass for glass in GlassStock.objects.all()}
        self.loads = {str(load.pk): load for load in study.loads.order_by("name")}
        fields: dict[str, Any] = self.fields
        fields["glass"].choices = [KEEP, (NONE, "not known"), *((pk, str(g)) for pk, g in self.glasses.items())]
        fields["load"].choices = [KEEP, (NONE, "no load"), *((pk, load.name) for pk, load in self.loads.items())]
        self.by_factor = {factor: {str(level.pk): level for level in factor.levels.all()} for factor in factors}
        for factor, levels in self.by_factor.items():
            choices = [KEEP, (NONE, "not known"), *((pk, level.name) for pk, level in levels.items())]
            self.fields[f"level_{factor.pk}"] = forms.ChoiceField(
                choices=choices, required=False, label=factor_heading(factor.name)
            )
        reason = self.fields.pop("reason")
        self.fields["reason"] = reason

    @property
    def parts(self) -> list[tuple[str, list[forms.BoundField]]]:
        """The fields in groups, each with its heading."""
        levels = [self[f"level_{factor.pk}"] for factor in self.factors]
        coupon = [self[name] for name in ("role", "glass", "break_type", "size_mm", "legs", "edge_distance_mm")]
        travel = [self[name] for name in ("load", "rounds_planned", "withdrawn_on")]
        named = [("Levels", levels), ("The coupon", coupon), ("On its way", travel), ("Why", [self["reason"]])]
        return [(heading, fields) for heading, fields in named if fields]

    def clean_expected(self) -> int:
        expected: int = self.cleaned_data["expected"]
        if expected != self.coupons:
            raise ValidationError(
                f"{number_text(expected)} coupons were chosen, now {number_text(self.coupons)} match: look at them again before you "
                "change them."
            )
        return expected

    def clean_withdrawn_on(self) -> Any:
        on = self.cleaned_data["withdrawn_on"]
        if on is not None and on > timezone.localdate():
            raise ValidationError("This day is still to come.")
        return on

    def clean(self) -> None:
        if not self.errors and not (
            self.changes or self.levels or self.new_load is not UNCHANGED or self.cleaned_data["withdrawn_on"]
        ):
            raise ValidationError("Nothing is chosen to be changed.")

    @property
    def changes(self) -> dict[str, Any]:
        """Fields of the coupon and their new values."""
        data = self.cleaned_data
        found = {
            name: data[name]
            for name in ("size_mm", "legs", "edge_distance_mm", "rounds_planned")
            if data.get(name) is not None
        }
        if data.get("role"):
            found["role"] = data["role"]
        if data.get("break_type"):
            found["break_type"] = "" if data["break_type"] == NONE else data["break_type"]
        if data.get("glass"):
            found["glass"] = self.glasses.get(data["glass"])
        return found

    @property
    def levels(self) -> dict[Factor, Level | None]:
        chosen = {factor: self.cleaned_data.get(f"level_{factor.pk}") for factor in self.factors}
        return {factor: self.by_factor[factor].get(pk) for factor, pk in chosen.items() if pk}

    @property
    def new_load(self) -> Load | object | None:
        chosen = self.cleaned_data.get("load")
        return self.loads.get(chosen) if chosen else UNCHANGED


class LoadForm(forms.Form):
    """A new load and the coupons that travel in it."""

    name = forms.CharField(max_length=40, help_text="E.g. Load 3.")
    profile = forms.ModelChoiceField(
        queryset=ThermalProfile.objects.all(), required=False, label="thermal profile", empty_label="as the study"
    )
    codes = forms.CharField(
        required=False,
        widget=forms.Textarea(attrs={"rows": 4}),
        label="coupons",
        help_text="Codes as scanned or typed, one a line or with commas between. May be left empty and filled later.",
    )
    is_shuffled = forms.BooleanField(
        required=False,
        initial=True,
        label="give the places at random",
        help_text="So that a warm corner of the chamber does not look like a factor.",
    )
    ready_at = forms.DateTimeField(
        required=False,
        label="ready from",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
    )
    due_at = forms.DateTimeField(
        required=False,
        label="due by",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
    )
    note = forms.CharField(required=False, widget=forms.Textarea(attrs={"rows": 2}))

    def __init__(self, *args: Any, study: Study, **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.study = study

    def split_codes(self, text: str) -> list[str]:
        """The codes of a list, split at line ends, commas, semicolons and blanks; a line that is a code as it is stays whole."""
        lines = [line for line in (cleaned(line) for line in text.splitlines()) if line]
        odd = [line for line in lines if SEPARATORS.search(line)][:MOST_AT_ONCE]
        whole = set(self.study.coupons.filter(code__in=odd).values_list("code", flat=True)) if odd else set()
        found = ([line] if line in whole else SEPARATORS.split(line) for line in lines)
        return [code for codes in found for code in codes if code]

    def clean_codes(self) -> list[Coupon]:
        codes = self.split_codes(self.cleaned_data["codes"])
        if repeated := sorted({code for code in codes if codes.count(code) > 1} if len(codes) < 5000 else set()):
            raise ValidationError(f"Named more than once: {', '.join(repeated[:10])}.")
        if len(codes) > MOST_AT_ONCE:
            raise ValidationError(
                f"{number_text(len(codes))} codes: at most {number_text(MOST_AT_ONCE)} travel in one load."
            )
        found = {coupon.code: coupon for coupon in self.study.coupons.filter(code__in=codes)}
        if unknown := [code for code in codes if code not in found]:
            raise ValidationError(f"Not in this study: {', '.join(unknown[:10])}{' …' if len(unknown) > 10 else ''}.")
        if withdrawn := [code for code in codes if found[code].withdrawn_on]:
            raise ValidationError(f"Withdrawn: {', '.join(withdrawn[:10])}.")
        if ended := [code for code in codes if found[code].stage in {"cracked_out", "broken"}]:
            raise ValidationError(f"Cracked out or broken already: {', '.join(ended[:10])}.")
        return [found[code] for code in codes]

    def clean(self) -> None:
        ready_at, due_at = self.cleaned_data.get("ready_at"), self.cleaned_data.get("due_at")
        if ready_at and due_at and due_at <= ready_at:
            raise ValidationError({"due_at": "Due before it is ready."})
