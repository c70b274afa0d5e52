"""The bookings and the loads as tables."""

from __future__ import annotations

from typing import Any

import django_filters
import django_tables2 as tables
from django.db.models import Q, QuerySet
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html

from labbench.bench.models import Booking
from labbench.lab.models import Chamber
from labbench.pages.chambers.drawing import state_of, what_of
from labbench.pages.tables import MomentColumn
from labbench.pages.templatetags.quantities import absent
from labbench.studies.models import Study

WHEN = [("ahead", "not over"), ("over", "over")]


class BookingTable(tables.Table):
    """Every booking, planned beside as it was."""

    study = tables.Column(
        accessor="load__study__code", verbose_name="Study", linkify=("study", [tables.A("load__study__code")])
    )
    load = tables.Column(accessor="load__name", verbose_name="Load", linkify=("load", [tables.A("load_id")]))
    what = tables.Column(empty_values=(), verbose_name="Soak", order_by=("round_number", "step__number"))
    chamber = tables.Column(accessor="chamber__code", verbose_name="Chamber")
    planned_start = MomentColumn(verbose_name="Planned from")
    planned_end = MomentColumn(verbose_name="Planned to")
    started_at = MomentColumn(verbose_name="Went in", default=absent("not yet"))
    ended_at = MomentColumn(verbose_name="Came out", default=absent("not yet"))
    state = tables.Column(empty_values=(), orderable=False, verbose_name="Stands")

    class Meta:
        model = Booking
        fields = ()
        order_by = "planned_start"
        attrs = {"aria_label": "Bookings"}
        empty_text = "No booking fits these filters"

    def render_what(self, record: Booking) -> str:
        return what_of(record)

    def render_state(self, record: Booking) -> str:
        words = state_of(record, timezone.now())[1]
        day = timezone.localtime(record.planned_start).date().isoformat()
        address = f"{reverse('chambers')}?zoom=3days&on={day}&booking={record.pk}#booking"
        return format_html(
            '{} <a href="{}">on the timeline<span class="sr-only">: {}, {}</span></a>',
            words,
            address,
            record.load.name,
            what_of(record),
        )


class BookingFilter(django_filters.FilterSet):
    """Bookings by study, chamber, and whether they are over."""

    study = django_filters.ModelChoiceFilter(
        label="study", field_name="load__study", queryset=Study.objects.order_by("code"), empty_label="all"
    )
    chamber = django_filters.ModelChoiceFilter(queryset=Chamber.objects.all(), empty_label="all")
    when = django_filters.ChoiceFilter(choices=WHEN, method="by_end", empty_label="all", label="over or not")

    class Meta:
        model = Booking
        fields = ()

    def by_end(self, rows: QuerySet[Booking], name: str, value: str) -> QuerySet[Booking]:
        over = Q(ended_at__isnull=False) | Q(load__state="done")
        return rows.filter(over) if value == "over" else rows.exclude(over)


class LoadTable(tables.Table):
    """Loads that travel, with what the plan goes by."""

    study = tables.Column(linkify=lambda record: reverse("study", args=[record["study"]]))
    load = tables.Column(linkify=lambda record: reverse("load", args=[record["pk"]]))
    state = tables.Column()
    coupons = tables.Column(attrs={"th": {"class": "num"}, "td": {"class": "num"}})
    profile = tables.Column(default=absent("none"))
    ready_at = MomentColumn(verbose_name="Ready from", default=absent("at once"))
    due_at = MomentColumn(verbose_name="Due by", default=absent("no due date"))
    priority = tables.Column(attrs={"th": {"class": "num"}, "td": {"class": "num"}})
    first = MomentColumn(verbose_name="Booked from", default=absent("not booked"))
    last = MomentColumn(verbose_name="Booked to", default=absent("not booked"))
    edit = tables.Column(empty_values=(), orderable=False, verbose_name="Change")

    class Meta:
        order_by = "first"
        attrs = {"aria_label": "Loads that travel"}
        empty_text = "No load travels"

    def render_edit(self, record: dict[str, Any]) -> str:
        return format_html(
            '<a href="{}">Times and bookings<span class="sr-only"> of {} {}</span></a>',
            reverse("chamber-load", args=[record["pk"]]),
            record["study"],
            record["load"],
        )
