"""How lists of studies and of a study's coupons are narrowed down."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import django_filters
from django import forms
from django.db.models import Exists, OuterRef, Q, QuerySet

from labbench.formats.factor_names import factor_heading
from labbench.pages.selects import LongSelect
from labbench.studies.models import Coupon, CouponLevel, Factor, Study

NOT_KNOWN = "none"


class StudyFilter(django_filters.FilterSet):
    """By words of code, title, question; by state; by lead."""

    q = django_filters.CharFilter(
        method="words", label="search", widget=forms.SearchInput(attrs={"placeholder": "code, title or question"})
    )
    state = django_filters.ChoiceFilter(choices=Study.State, empty_label="any state")

    class Meta:
        model = Study
        fields = ("q", "state")

    def words(self, rows: QuerySet[Study], name: str, value: str) -> QuerySet[Study]:
        for word in value.split()[:10]:
            rows = rows.filter(
                Q(code__icontains=word)
                | Q(title__icontains=word)
                | Q(question__icontains=word)
                | Q(factors__name__icontains=word)
            )
        return rows.distinct()


class CouponFilter(django_filters.FilterSet):
    """By code, role, stage, load, nearness of the edge, and the level of each factor."""

    q = django_filters.CharFilter(
        field_name="code",
        lookup_expr="icontains",
        label="code",
        widget=forms.SearchInput(attrs={"placeholder": "part of a code"}),
    )
    role = django_filters.ChoiceFilter(choices=Coupon.Role, empty_label="any role")
    stage = django_filters.ChoiceFilter(choices=Coupon.Stage, empty_label="any stage")
    load = django_filters.ChoiceFilter(method="in_load", label="load", empty_label="any load", widget=LongSelect)
    edge = django_filters.ChoiceFilter(
        method="near_edge",
        label="edge",
        choices=[("near", "break within 50 mm of the edge"), ("far", "farther, or not known")],
        empty_label="any",
    )

    class Meta:
        model = Coupon
        fields = ("q", "role", "stage", "load", "edge")

    def __init__(self, *args: Any, factors: Sequence[Factor], loads: Sequence[tuple[int, str]], **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.filters["load"].extra["choices"] = [(NOT_KNOWN, "no load"), *loads]
        for factor in factors:
            choices = [(level.pk, level.name) for level in factor.levels.all()]
            made = django_filters.ChoiceFilter(
                method="carries",
                label=factor_heading(factor.name),
                choices=[*choices, (NOT_KNOWN, "not known")],
                empty_label="any",
                widget=LongSelect,
            )
            made.parent, made.model, made.field_name = self, Coupon, str(factor.pk)
            self.filters[f"level_{factor.pk}"] = made

    @property
    def own_fields(self) -> list[Any]:
        """The fields that every study has."""
        return [field for field in self.form if not field.name.startswith("level_")]

    @property
    def level_fields(self) -> list[Any]:
        """One field a factor."""
        return [field for field in self.form if field.name.startswith("level_")]

    @property
    def has_chosen_level(self) -> bool:
        return any(field.value() for field in self.level_fields)

    def in_load(self, rows: QuerySet[Coupon], name: str, value: str) -> QuerySet[Coupon]:
        return rows.filter(load_place=None) if value == NOT_KNOWN else rows.filter(load_place__load=int(value))

    def near_edge(self, rows: QuerySet[Coupon], name: str, value: str) -> QuerySet[Coupon]:
        # Within 50 mm: common practice, no source; see Coupon.is_near_edge.
        near = Q(edge_distance_mm__lt=50)
        return rows.filter(near) if value == "near" else rows.filter(~near | Q(edge_distance_mm=None))

    def carries(self, rows: QuerySet[Coupon], name: str, value: str) -> QuerySet[Coupon]:
        carried = CouponLevel.objects.filter(coupon=OuterRef("pk"), factor=int(name))
        return (
            rows.filter(~Exists(carried))
            if value == NOT_KNOWN
            else rows.filter(Exists(carried.filter(level=int(value))))
        )
