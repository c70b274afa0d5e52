"""What people type about a study, its factors and its loads."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Q, QuerySet

from labbench.formats.cell_numbers import NumberFault, read_number
from labbench.formats.cell_text import cleaned
from labbench.lab.models import GlassStock, Lamp, Person, ProcedureVersion, Resin, ResinLot, ThermalProfile
from labbench.lab.roles import Role
from labbench.studies.models import Factor, Level, Study, factor_name_characters
from labbench.studies.services import refuse_code

# Addresses of pages that stand where a study's code stands.
RESERVED_CODES = {"new", "import", ".", ".."}
MOST_LEVELS_AT_ONCE = 200
MOST_TICK_BOXES = 24


class ReasonForm(forms.Form):
    """Why something is changed."""

    reason = forms.CharField(max_length=300, label="why", help_text="Kept in the history.")


class StudyForm(forms.ModelForm):
    """A new study, or another question of one that is there."""

    reason = forms.CharField(
        max_length=300, required=False, label="why it changes", help_text="Kept in the study's history."
    )

    class Meta:
        model = Study
        fields = (
            "code",
            "title",
            "question",
            "lead",
            "rounds_planned",
            "profile",
            "procedure_version",
            "confidence",
            "margin",
            "strength_margin",
            "is_blind",
        )
        widgets = {"question": forms.Textarea(attrs={"rows": 3})}
        labels = {"procedure_version": "repair procedure", "profile": "thermal profile", "rounds_planned": "rounds"}
        help_texts = {
            "code": "Letters, digits, - _ and ., e.g. COACH-7. It is in the address of the study’s pages.",
            "confidence": "Of every interval, as a fraction, e.g. 0.95.",
            "is_blind": "Technicians then see codes, not arms, until the study is closed.",
        }

    def __init__(self, *args: Any, **extra: Any) -> None:
        super().__init__(*args, **extra)
        fields: dict[str, Any] = self.fields
        fields["lead"].queryset = people()
        fields["profile"].queryset = ThermalProfile.objects.all()
        in_use = Q(procedure__retired_on=None) | Q(pk=self.instance.procedure_version_id)
        versions = ProcedureVersion.objects.filter(in_use, is_draft=False)
        fields["procedure_version"].queryset = versions.select_related("procedure")
        for name in ("confidence", "margin", "strength_margin"):
            fields[name].widget.attrs |= {"step": "any", "min": "0", "max": "1"}
        if self.instance.pk is None:
            del self.fields["reason"]
        elif self.instance.state != Study.State.PLANNED:
            # The code is on labels by now; and what changes under a running study is asked about later.
            self.fields["code"].disabled = True
            self.fields["code"].help_text = "Fixed: the study has started."
            self.fields["reason"].required = True

    def clean_code(self) -> str:
        code: str = self.cleaned_data["code"]
        if code.casefold() in RESERVED_CODES:
            raise ValidationError(f"“{code}” is an address of these pages; choose another code.")
        refuse_code_in(code, self.instance.pk)
        return code

    def clean_confidence(self) -> float:
        from labbench.science.intervals import MOST_CONFIDENCE  # slow import: scipy

        confidence: float = self.cleaned_data["confidence"]
        if not 0.5 < confidence <= MOST_CONFIDENCE:
            raise ValidationError(f"Above 0.5 and at most {MOST_CONFIDENCE}, e.g. 0.95.")
        return confidence

    def clean_margin(self) -> float:
        return fraction(self.cleaned_data["margin"])

    def clean_strength_margin(self) -> float:
        return fraction(self.cleaned_data["strength_margin"])


def refuse_code_in(code: str, pk: int | None = None) -> None:
    """What `refuse_code` says, as an error of the field."""
    try:
        refuse_code(Study(pk=pk, code=code))
    except ValidationError as refused:
        raise ValidationError(refused.messages) from refused


def fraction(margin: float) -> float:
    """A margin, if it is one."""
    if not 0 < margin < 1:
        raise ValidationError("Between 0 and 1, both excluded, e.g. 0.15.")
    return margin


class StateForm(forms.Form):
    """Another state of a study."""

    state = forms.ChoiceField(choices=Study.State, label="state", widget=forms.RadioSelect)
    reason = forms.CharField(max_length=300, label="why", help_text="Kept in the study's history.")

    def __init__(self, *args: Any, study: Study, **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.study = study
        state: Any = self.fields["state"]
        state.choices = [choice for choice in Study.State.choices if choice[0] != study.state]

    def clean(self) -> None:
        if (
            self.cleaned_data.get("state") == Study.State.PLANNED
            and self.study.coupons.exclude(stage="prepared").exists()
        ):
            raise ValidationError({"state": "Coupons of this study were worked on already; it can't be only planned."})


class FactorForm(forms.Form):
    """A further factor."""

    name = forms.CharField(
        max_length=60,
        validators=[factor_name_characters],
        help_text="Small letters, digits and underscores, e.g. resin_lot. A number ends in its unit: cure_time_s, room_c.",
    )
    source = forms.ChoiceField(choices=Factor.Source, label="its levels are")


def level_form(factor: Factor, *args: Any, **extra: Any) -> forms.Form:
    """The form that adds levels to a factor, as its source asks."""
    if factor.source == Factor.Source.TEXT:
        return NamesForm(*args, **extra)
    if factor.source == Factor.Source.NUMBER:
        return NumbersForm(*args, unit=factor.unit_suffix, **extra)
    return RecordsForm(*args, factor=factor, **extra)


class NamesForm(forms.Form):
    """Levels that are names."""

    levels = forms.CharField(
        widget=forms.Textarea(attrs={"rows": 3}), label="new levels", help_text="One a line, e.g. cover on."
    )

    def clean_levels(self) -> list[dict[str, Any]]:
        return [{"name": line} for line in lines(self.cleaned_data["levels"], longest=200)]


class NumbersForm(forms.Form):
    """Levels that are numbers."""

    levels = forms.CharField(widget=forms.Textarea(attrs={"rows": 3}), label="new levels", help_text="One a line.")

    def __init__(self, *args: Any, unit: str, **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.fields["levels"].help_text = f"Numbers in {unit.lstrip('_')}, one a line."

    def clean_levels(self) -> list[dict[str, Any]]:
        found = []
        for line in lines(self.cleaned_data["levels"], longest=40):
            number = read_number(line, decimal_commas="," in line)
            if isinstance(number, NumberFault):
                raise ValidationError(f"“{line}” is not a number.")
            found.append({"number": number})
        return found


class RecordsForm(forms.Form):
    """Levels that are records of the catalogue."""

    levels = forms.ModelMultipleChoiceField(queryset=Resin.objects.none(), label="new levels")

    def __init__(self, *args: Any, factor: Factor, **extra: Any) -> None:
        super().__init__(*args, **extra)
        field = level_field(factor)
        taken = [getattr(level, f"{field}_id") for level in factor.levels.all()]
        records = list(catalogue(factor.source).exclude(pk__in=taken)[: MOST_TICK_BOXES + 1])
        self.is_empty = not records
        levels: Any = self.fields["levels"]
        if len(records) <= MOST_TICK_BOXES:
            levels.widget = forms.CheckboxSelectMultiple()
        levels.queryset = catalogue(factor.source).exclude(pk__in=taken)

    def clean_levels(self) -> list[dict[str, Any]]:
        return [{"record": record} for record in self.cleaned_data["levels"]]


def level_field(factor: Factor) -> str:
    """The field of a level that points to the catalogue."""
    return "procedure_version" if factor.source == Factor.Source.PROCEDURE else str(factor.source)


def catalogue(source: str) -> QuerySet[Any]:
    """The records that levels of a factor can be bound to."""
    return {
        Factor.Source.RESIN: Resin.objects.all(),
        Factor.Source.RESIN_LOT: ResinLot.objects.select_related("resin"),
        Factor.Source.LAMP: Lamp.objects.all(),
        Factor.Source.GLASS: GlassStock.objects.all(),
        Factor.Source.PROCEDURE: ProcedureVersion.objects.filter(is_draft=False).select_related("procedure"),
        Factor.Source.TECHNICIAN: people(),
    }[Factor.Source(source)]


def people() -> QuerySet[Person]:
    """Who works here."""
    return Person.objects.filter(is_active=True).exclude(role=Role.GUEST).order_by("last_name", "username")


def lines(text: str, *, longest: int) -> list[str]:
    """The lines of a typed list, blank ones left out; ValidationError for one that is too long or repeated."""
    found = [line for line in (cleaned(line) for line in text.splitlines()) if line]
    if not found:
        raise ValidationError("There is nothing here yet.")
    if len(found) > MOST_LEVELS_AT_ONCE:
        raise ValidationError(f"{len(found)} lines: at most {MOST_LEVELS_AT_ONCE} at once.")
    for line in found:
        if len(line) > longest:
            raise ValidationError(f"“{line[:40]}…” is longer than {longest} characters.")
    if repeated := sorted({line for line in found if found.count(line) > 1}):
        raise ValidationError(f"Named more than once: {', '.join(repeated)}.")
    return found


class LevelChoiceField(forms.ModelChoiceField):
    """A level of one factor."""

    def label_from_instance(self, level: Level) -> str:
        return f"{level.name} (baseline)" if level.is_baseline else level.name
