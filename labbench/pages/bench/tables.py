"""The tables of the bench's pages."""

from __future__ import annotations

from typing import Any

import django_tables2 as tables
from django.utils.html import format_html

from labbench.bench.models import Deviation, Inspection
from labbench.pages.tables import CodeColumn, MarkColumn, MomentColumn, QuantityColumn
from labbench.pages.templatetags.quantities import absent
from labbench.studies.models import Coupon


class FailureTable(tables.Table):
    """Looks that saw a failure, each with the repair it is about."""

    coupon = CodeColumn(
        accessor="coupon__code", verbose_name="Coupon", linkify=("coupon", {"pk": tables.A("coupon_id")})
    )
    study = tables.Column(accessor="coupon__study__code", verbose_name="Study")
    outcome = MarkColumn()
    failure_mode = tables.Column(verbose_name="How it failed", empty_values=(None,))
    round_number = tables.Column(verbose_name="Round", attrs={"th": {"class": "num"}, "td": {"class": "num"}})
    seen_at = MomentColumn(verbose_name="Seen")
    resin_lot = tables.Column(
        accessor="coupon__repair__resin_lot",
        order_by=("coupon__repair__resin_lot__resin__name", "coupon__repair__resin_lot__code"),
        verbose_name="Resin and lot",
        default=absent("not recorded"),
    )
    lamp = tables.Column(
        accessor="coupon__repair__lamp", order_by="coupon__repair__lamp__code", default=absent("not recorded")
    )
    technician = tables.Column(
        accessor="coupon__repair__technician",
        order_by="coupon__repair__technician__username",
        verbose_name="Repaired by",
        default=absent("not recorded"),
    )
    edge = QuantityColumn(accessor="coupon__edge_distance_mm", verbose_name="Edge (mm)", unit="mm")

    class Meta:
        model = Inspection
        fields = ()
        order_by = "-seen_at"
        attrs = {"aria_label": "Failures"}
        empty_text = "No failure fits these filters"

    def render_failure_mode(self, value: str) -> str:
        return value or absent("not described")

    def render_round_number(self, value: int, record: Inspection) -> str:
        return f"{value}, step {record.step_number}" if record.step_number else str(value)

    def render_edge(self, value: Any, record: Inspection) -> str:
        shown = QuantityColumn(unit="mm").render(value)
        if not record.coupon.is_near_edge:
            return shown
        return format_html(
            '<span title="within 50 mm of the glass edge">▲ {}<span class="sr-only"> near the edge</span></span>', shown
        )


class DeviationTable(tables.Table):
    """Deviations with what they are about."""

    happened_at = MomentColumn(verbose_name="Happened")
    study = tables.Column(accessor="study__code", verbose_name="Study")
    kind = tables.Column()
    about = tables.Column(empty_values=(), order_by=("coupon__code", "load__name"))
    description = tables.Column(verbose_name="What happened", orderable=False)
    reason = tables.Column(verbose_name="Why", orderable=False, default=absent("not said"))
    recorded_by = tables.Column(order_by="recorded_by__username")

    class Meta:
        model = Deviation
        fields = ()
        order_by = "-happened_at"
        attrs = {"aria_label": "Deviations"}
        empty_text = "No deviation fits these filters"

    def render_about(self, record: Deviation) -> str:
        if record.coupon is not None:
            return format_html(
                '<a class="coupon-code" href="/coupons/{}/">{}</a>', record.coupon_id, record.coupon.code
            )
        if record.load is not None:
            return format_html('<a href="/loads/{}/">{}</a>', record.load_id, record.load.name)
        return "the study"

    def render_recorded_by(self, value: Any, record: Deviation) -> str:
        return "found by a rule" if record.is_found_by_rule else str(value)


class LoadCouponTable(tables.Table):
    """The coupons of a load, by place."""

    place = tables.Column(accessor="load_place__place", verbose_name="Place", default=absent("no place"))
    code = CodeColumn(linkify=("coupon", {"pk": tables.A("pk")}))
    role = tables.Column()
    stage = MarkColumn()
    rounds_survived = tables.Column(verbose_name="Rounds held", attrs={"th": {"class": "num"}, "td": {"class": "num"}})
    failed_round = tables.Column(verbose_name="Cracked out in", default=absent("did not"))

    class Meta:
        model = Coupon
        fields = ()
        order_by = ("place", "code")
        attrs = {"aria_label": "Coupons of the load"}
        empty_text = "No coupon is in this load yet"
