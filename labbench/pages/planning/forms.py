"""What people type about a plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django import forms

from labbench.analysis.plan_comparisons import DEFAULT_PER_ARM, DEFAULT_SEED, DEFAULT_STUDIES
from labbench.formats.factor_names import factor_heading
from labbench.lab.models import Person
from labbench.pages.studies.forms import people
from labbench.studies.models import Factor, Level, PlanSettings
from labbench.studies.planning import FactorLimits

# Names of the settings, as they stand in the form.
SETTINGS = (
    "places_per_load",
    "loads_ready",
    "reference_per_load",
    "unrepaired_per_load",
    "pristine_per_load",
    "failing_share",
    "holding_share",
)
MOST_STOCK = 100_000


@dataclass(frozen=True, slots=True)
class LevelRow:
    """A level with the field of its stock."""

    level: Level
    coupons: int
    stock: forms.BoundField


@dataclass(frozen=True, slots=True)
class FactorRow:
    """A factor with its fields."""

    factor: Factor
    levels: tuple[LevelRow, ...]
    baseline: forms.BoundField
    reference: forms.BoundField
    hard: forms.BoundField
    session: forms.BoundField


class PlanForm(forms.ModelForm):
    """Settings, and for each factor and level what a plan has to keep to; the levels must be at hand."""

    class Meta:
        model = PlanSettings
        fields = SETTINGS

    def __init__(self, *args: Any, factors: Sequence[Factor], level_counts: dict[int, int], **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.factors, self.level_counts = factors, level_counts
        for name in ("failing_share", "holding_share"):
            self.fields[name].widget.attrs |= {"step": "any", "min": "0", "max": "1"}
        for factor in factors:
            self.add_factor(factor)

    def add_factor(self, factor: Factor) -> None:
        heading, levels = factor_heading(factor.name), list(factor.levels.all())
        for mark in ("baseline", "reference"):
            marked = next((level for level in levels if getattr(level, f"is_{mark}")), None)
            # Chosen among the levels at hand: a query for each factor would be many.
            self.fields[f"{mark}_{factor.pk}"] = forms.TypedChoiceField(
                choices=[("", "none"), *((level.pk, level.name) for level in levels)],
                coerce=int,
                empty_value=None,
                required=False,
                label=f"{heading}: {mark}",
                initial=marked.pk if marked else None,
                widget=forms.Select(attrs={"aria-label": f"{heading}: {mark}"}),
            )
        self.fields[f"hard_{factor.pk}"] = forms.BooleanField(
            required=False,
            initial=factor.is_hard_to_change,
            label=f"{heading}: hard to change",
            widget=forms.CheckboxInput(attrs={"aria-label": f"{heading}: hard to change"}),
        )
        self.fields[f"session_{factor.pk}"] = forms.IntegerField(
            required=False,
            min_value=1,
            max_value=1000,
            initial=factor.levels_per_session,
            label=f"{heading}: levels in one session",
            widget=forms.NumberInput(attrs={"aria-label": f"{heading}: levels in one session"}),
        )
        for level in levels:
            label = f"{heading} {level.name}: enough for so many coupons"
            self.fields[f"stock_{level.pk}"] = forms.IntegerField(
                required=False,
                min_value=0,
                max_value=MOST_STOCK,
                initial=level.most_coupons,
                label=label,
                widget=forms.NumberInput(attrs={"aria-label": label}),
            )

    def rows(self) -> list[FactorRow]:
        """The factors as the page's table shows them."""
        return [
            FactorRow(
                factor,
                tuple(
                    LevelRow(level, self.level_counts.get(level.pk, 0), self[f"stock_{level.pk}"])
                    for level in factor.levels.all()
                ),
                *(self[f"{name}_{factor.pk}"] for name in ("baseline", "reference", "hard", "session")),
            )
            for factor in self.factors
        ]

    def setting_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in SETTINGS]

    def settings(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for name in SETTINGS}

    def limits(self) -> dict[Factor, FactorLimits]:
        given = self.cleaned_data
        by_key = {level.pk: level for factor in self.factors for level in factor.levels.all()}
        return {
            factor: FactorLimits(
                given[f"hard_{factor.pk}"],
                given[f"session_{factor.pk}"],
                by_key.get(given[f"baseline_{factor.pk}"]),
                by_key.get(given[f"reference_{factor.pk}"]),
            )
            for factor in self.factors
        }

    def stock(self) -> dict[Level, int | None]:
        return {
            level: self.cleaned_data[f"stock_{level.pk}"] for factor in self.factors for level in factor.levels.all()
        }


class ImpossibleForm(forms.Form):
    """Levels of two or more factors that can't be on one coupon."""

    reason = forms.CharField(max_length=200, required=False, label="why it can't be made")

    def __init__(self, *args: Any, factors: Sequence[Factor], **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.levels_by_key = {level.pk: level for factor in factors for level in factor.levels.all()}
        self.names = []
        for factor in factors:
            choices = [("", "any"), *((level.pk, level.name) for level in factor.levels.all())]
            name = f"impossible_{factor.pk}"
            self.fields[name] = forms.TypedChoiceField(
                choices=choices, coerce=int, empty_value=None, required=False, label=factor_heading(factor.name)
            )
            self.names.append(name)
        self.order_fields([*self.names, "reason"])

    def chosen(self) -> list[Level]:
        keys = [self.cleaned_data[name] for name in self.names]
        return [self.levels_by_key[key] for key in keys if key is not None]


class CompareForm(forms.Form):
    """How the plans are made and how often each is played."""

    per_arm = forms.IntegerField(
        min_value=1, max_value=50, initial=DEFAULT_PER_ARM, label="coupons per arm", help_text="For one-factor swaps."
    )
    size = forms.IntegerField(min_value=2, max_value=400, label="coupons of the D-optimal subset")
    studies = forms.IntegerField(
        min_value=20,
        max_value=2000,
        initial=DEFAULT_STUDIES,
        label="studies played per plan",
        help_text="More take longer and say it more exactly.",
    )
    seed = forms.IntegerField(min_value=0, max_value=2**31 - 1, initial=DEFAULT_SEED, label="seed")


class UseForm(forms.Form):
    """How a plan is put up."""

    technicians = forms.ModelMultipleChoiceField(
        queryset=Person.objects.none(),
        required=False,
        label="who repairs",
        widget=forms.CheckboxSelectMultiple,
        help_text="The coupons of each load are shared among them at random. None ticked: anybody.",
    )
    seed = forms.IntegerField(min_value=0, max_value=2**31 - 1, label="seed of the draw")

    def __init__(self, *args: Any, has_technician_factor: bool, **extra: Any) -> None:
        super().__init__(*args, **extra)
        if has_technician_factor:
            # Who repairs is a level of the coupon then.
            del self.fields["technicians"]
        else:
            technicians: Any = self.fields["technicians"]
            technicians.queryset = people()
