"""What the lists of failures and deviations can be narrowed to."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Any

import django_filters
from django import forms
from django.db.models import F, Q, QuerySet
from django.utils import timezone

from labbench.bench.models import Deviation, Inspection
from labbench.lab.models import Lamp, Person, Resin, ResinLot
from labbench.lab.roles import Role
from labbench.studies.models import Study

NEAR_EDGE_MM = 50  # common practice, no source; see Coupon.is_near_edge
EDGE = [("near", "within 50 mm of the edge"), ("far", "50 mm and more"), ("unknown", "not measured")]


def day_input() -> forms.DateInput:
    return forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


def midnight(day: date) -> datetime:
    """The beginning of a day in the lab's own time."""
    return timezone.make_aware(datetime.combine(day, time.min))


def technicians() -> QuerySet[Person]:
    """Everybody who may have made a repair, without looking through all repairs."""
    return Person.objects.exclude(role=Role.GUEST).order_by("last_name", "username")


class FailureFilter(django_filters.FilterSet):
    """Failures by study, material, lamp, hand, mode, day and distance to the edge."""

    study = django_filters.ModelChoiceFilter(
        label="study", field_name="coupon__study", queryset=Study.objects.order_by("code"), empty_label="all"
    )
    outcome = django_filters.ChoiceFilter(
        choices=[choice for choice in Inspection.Outcome.choices if choice[0] != Inspection.Outcome.INTACT],
        empty_label="all",
    )
    mode = django_filters.CharFilter(label="how it failed", field_name="failure_mode", lookup_expr="icontains")
    resin = django_filters.ModelChoiceFilter(
        label="resin",
        field_name="coupon__repair__resin_lot__resin",
        queryset=Resin.objects.all(),
        method="by_repair",
        empty_label="all",
    )
    lot = django_filters.ModelChoiceFilter(
        label="lot",
        field_name="coupon__repair__resin_lot",
        queryset=ResinLot.objects.select_related("resin"),
        method="by_repair",
        empty_label="all",
    )
    lamp = django_filters.ModelChoiceFilter(
        label="lamp",
        field_name="coupon__repair__lamp",
        queryset=Lamp.objects.all(),
        method="by_repair",
        empty_label="all",
    )
    technician = django_filters.ModelChoiceFilter(
        label="repaired by",
        field_name="coupon__repair__technician",
        queryset=technicians(),
        method="by_repair",
        empty_label="all",
    )
    edge = django_filters.ChoiceFilter(label="edge distance", choices=EDGE, method="by_edge", empty_label="all")
    seen_from = django_filters.DateFilter(label="seen from", method="by_first_day", widget=day_input())
    seen_to = django_filters.DateFilter(label="to", method="by_last_day", widget=day_input())

    class Meta:
        model = Inspection
        fields: list[str] = []

    def by_repair(self, rows: QuerySet[Any], name: str, value: Any) -> QuerySet[Any]:
        # "+ 0" keeps the index of a lamp's, lot's or person's repairs out of it: there are thousands, and a page wants the newest few.
        used = f"used_{name.rpartition('__')[2]}"
        return rows.annotate(**{used: F(f"{name}_id") + 0}).filter(**{used: value.pk})

    # Moments instead of the day of each row: these an index answers.
    def by_first_day(self, rows: QuerySet[Any], name: str, value: date) -> QuerySet[Any]:
        return rows.filter(seen_at__gte=midnight(value))

    def by_last_day(self, rows: QuerySet[Any], name: str, value: date) -> QuerySet[Any]:
        return rows if value == date.max else rows.filter(seen_at__lt=midnight(value + timedelta(days=1)))

    def by_edge(self, rows: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        return rows.filter(edge_condition(value, "coupon__"))


def edge_condition(value: str, path: str) -> Q:
    distance = f"{path}edge_distance_mm"
    if value == "near":
        return Q(**{f"{distance}__lt": NEAR_EDGE_MM})
    return Q(**{f"{distance}__gte": NEAR_EDGE_MM}) if value == "far" else Q(**{f"{distance}__isnull": True})


class DeviationFilter(django_filters.FilterSet):
    """Deviations by study, kind, who found them, and day."""

    study = django_filters.ModelChoiceFilter(queryset=Study.objects.order_by("code"), empty_label="all")
    kind = django_filters.ChoiceFilter(choices=Deviation.Kind.choices, empty_label="all")
    found = django_filters.ChoiceFilter(
        label="found by",
        field_name="is_found_by_rule",
        choices=[("True", "a rule"), ("False", "a person")],
        empty_label="all",
    )
    coupon = django_filters.CharFilter(label="coupon code", field_name="coupon__code")
    text = django_filters.CharFilter(label="text", method="by_text")
    seen_from = django_filters.DateFilter(
        label="happened from", field_name="happened_at", lookup_expr="date__gte", widget=day_input()
    )
    seen_to = django_filters.DateFilter(
        label="to", field_name="happened_at", lookup_expr="date__lte", widget=day_input()
    )

    class Meta:
        model = Deviation
        fields: list[str] = []

    def by_text(self, rows: QuerySet[Any], name: str, value: str) -> QuerySet[Any]:
        return rows.filter(Q(description__icontains=value) | Q(reason__icontains=value))
