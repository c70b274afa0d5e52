"""What can be chosen at the bench, with the warning beside the choice, before anything is stored."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date, datetime, timedelta
from typing import Any

from django import forms
from django.conf import settings
from django.db.models import Case, F, IntegerField, OuterRef, Q, QuerySet, Subquery, Value, When
from django.utils import timezone

from labbench.lab.models import Calibration, Lamp, LampSurvey, Person, ProcedureVersion, Radiometer, Resin, ResinLot
from labbench.lab.queries import last_renewal
from labbench.lab.roles import Role
from labbench.pages.templatetags.quantities import day_text

# So many choices are buttons; more are a list.
MOST_BUTTONS = 6


class NotedChoiceField(forms.ModelChoiceField):
    """A record of the catalogue; `note` is said of each beside its name, ``allocated`` ones come first and are named so."""

    def __init__(self, queryset: QuerySet[Any], *, note: Any = None, allocated: Collection[int] = (), **extra: Any):
        self.note, self.allocated = note, frozenset(allocated)
        first = Case(When(pk__in=self.allocated, then=Value(0)), default=Value(1), output_field=IntegerField())
        super().__init__(queryset.order_by(first, *queryset.query.order_by), **extra)

    def label_from_instance(self, record: Any) -> str:
        words = [
            str(record),
            "allocated" if record.pk in self.allocated else "",
            self.note(record) if self.note else "",
        ]
        return " · ".join(filter(None, words))


def as_buttons(field: forms.ModelChoiceField, rows: int) -> forms.ModelChoiceField:
    """Few choices as big buttons, many as a list."""
    if rows <= MOST_BUTTONS and field.required:
        field.empty_label = None
        field.widget = forms.RadioSelect()
        field.widget.choices = field.choices
    return field


def lots(purpose: str, used: int | None = None) -> QuerySet[ResinLot]:
    """Lots of a purpose that are not used up (and the one that was used, whatever became of it), the newest first."""
    rows = ResinLot.objects.filter(Q(retired_on=None) | Q(retired_on__gte=timezone.localdate()) | Q(pk=used))
    return rows.filter(resin__purpose=purpose).select_related("resin").order_by("-received_on", "code")


def lot_note(today: date) -> Any:
    def note(lot: ResinLot) -> str:
        if lot.expires_on is None:
            return "expiry not known"
        return f"▲ expired {day_text(lot.expires_on)}" if lot.expires_on < today else f"to {day_text(lot.expires_on)}"

    return note


def procedure_versions(used: int | None = None) -> QuerySet[ProcedureVersion]:
    """Approved versions of procedures in use (and the one that was followed, whatever became of it)."""
    rows = ProcedureVersion.objects.filter(Q(procedure__retired_on=None) | Q(pk=used), is_draft=False)
    return rows.select_related("procedure")


def lamps(now: datetime, used: int | None = None) -> QuerySet[Lamp]:
    """Lamps in service (and the one that was used, whatever became of it), with the day of their last survey."""
    last = LampSurvey.objects.filter(lamp=OuterRef("pk"), surveyed_at__lte=now, withdrawn_at=None).order_by(
        "-surveyed_at"
    )
    return (
        Lamp.objects.filter(Q(retired_on=None) | Q(retired_on__gt=timezone.localdate()) | Q(pk=used))
        .annotate(last_survey_at=Subquery(last.values("surveyed_at")[:1]), renewed_at=last_renewal())
        .order_by("code")
    )


def lamp_note(now: datetime) -> Any:
    oldest = now - timedelta(days=settings.SURVEY_VALID_DAYS)

    def note(lamp: Any) -> str:
        if lamp.last_survey_at is None:
            return "▲ never surveyed"
        if lamp.renewed_at is not None and lamp.renewed_at > lamp.last_survey_at:
            return f"▲ not surveyed since it was renewed {day_text(timezone.localtime(lamp.renewed_at))}"
        on = day_text(timezone.localtime(lamp.last_survey_at))
        return f"▲ survey of {on} too old" if lamp.last_survey_at < oldest else f"surveyed {on}"

    return note


def meters(today: date, used: int | None = None) -> QuerySet[Radiometer]:
    """Meters in use (and the one that was used), with the day their calibration is due."""
    last = Calibration.objects.filter(radiometer=OuterRef("pk"), calibrated_on__lte=today).order_by("-calibrated_on")
    return (
        Radiometer.objects.filter(Q(retired_on=None) | Q(retired_on__gt=today) | Q(pk=used))
        .annotate(due_on=Subquery(last.values("due_on")[:1]))
        .order_by("code")
    )


def meter_note(today: date) -> Any:
    def note(meter: Any) -> str:
        if meter.due_on is None:
            return "▲ not calibrated"
        return (
            f"▲ overdue since {day_text(meter.due_on)}"
            if meter.due_on < today
            else f"calibrated to {day_text(meter.due_on)}"
        )

    return note


def hands(*people: Any) -> QuerySet[Person]:
    """Who works at the bench, and the people named."""
    return Person.objects.filter(
        Q(is_active=True, role__in=[Role.TECHNICIAN, Role.LEAD]) | Q(pk__in=[one.pk for one in people if one])
    ).order_by(F("last_name"), F("username"))


BREAK, PIT = Resin.Purpose.BREAK, Resin.Purpose.PIT
