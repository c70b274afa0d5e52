"""The columns of the list of studies and of a study's coupons."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import django_tables2 as tables
from django.db.models import F, Prefetch, QuerySet
from django.template.loader import render_to_string
from django.utils.html import format_html
from django.utils.safestring import mark_safe

from labbench.analysis.verdicts import StudyVerdict
from labbench.pages.tables import CodeColumn, MarkColumn, QuantityColumn, SelectColumn
from labbench.pages.templatetags.marks import mark
from labbench.pages.templatetags.quantities import absent, day
from labbench.studies.models import Coupon, CouponLevel, Factor, Study
from labbench.studies.queries import level_of

NO_ANALYSIS = mark_safe('<span class="soft">no analysis yet</span>')
# Left to right as the work goes; what ended the work last.
STAGES = ("prepared", "repaired", "cycling", "survived", "broken", "cracked_out", "withdrawn")


def stage_parts(counts: dict[str, int]) -> list[dict[str, Any]]:
    """A bar's pieces: stage, its word and its coupons."""
    return [
        {"stage": stage, "word": Coupon.Stage(stage).label, "coupons": counts[stage]}
        for stage in STAGES
        if counts.get(stage)
    ]


class StudyTable(tables.Table):
    """One study a row; `coupons` and `verdicts` are those of the page's studies."""

    code = tables.Column(linkify=("study", {"code": tables.A("code")}))
    title = tables.Column(attrs={"td": {"class": "long-text"}})
    state = tables.Column()
    progress = tables.Column(empty_values=(), orderable=False, verbose_name="Coupons by stage", accessor="pk")
    verdict = tables.Column(empty_values=(), orderable=False, verbose_name="Last analysis", accessor="pk")
    lead = tables.Column(order_by=("lead__last_name", "lead__username"))

    class Meta:
        order_by_field = "sort"
        attrs = {"aria_label": "Studies"}

    def __init__(self, *args: Any, **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.coupons: dict[int, dict[str, int]] = {}
        self.verdicts: dict[int, StudyVerdict] = {}

    def render_state(self, record: Study) -> str:
        on = record.closed_on or record.started_on
        since = format_html('<br><small class="soft nowrap">since {}</small>', day(on)) if on else ""
        return mark(record.state, record.get_state_display()) + since

    def render_progress(self, record: Study) -> str:
        parts = stage_parts(self.coupons.get(record.pk, {}))
        return render_to_string(
            "studies/parts/stage_bar.html", {"parts": parts, "total": sum(part["coupons"] for part in parts)}
        )

    def render_verdict(self, record: Study) -> str:
        verdict = self.verdicts.get(record.pk)
        if verdict is None:
            return NO_ANALYSIS
        return mark(verdict.state, verdict.words)


class LevelColumn(tables.Column):
    """The level that a coupon has of one factor."""

    def __init__(self, factor: Factor) -> None:
        super().__init__(
            accessor="pk", verbose_name=factor.name, empty_values=(), attrs={"th": {"class": "factor-name"}}
        )
        self.factor = factor

    def render(self, record: Coupon) -> str:
        for given in record.coupon_levels.all():
            if given.factor_id == self.factor.pk:
                return str(given.level.name)
        return absent("not known")

    def order(self, queryset: QuerySet[Coupon], is_descending: bool) -> tuple[QuerySet[Coupon], bool]:
        field = "number" if self.factor.is_numeric else "name"
        rows = queryset.annotate(level_in_order=level_of(self.factor.pk, field))
        by = F("level_in_order")
        return rows.order_by(by.desc(nulls_last=True) if is_descending else by.asc(nulls_last=True), "pk"), True


class CouponTable(tables.Table):
    """One coupon a row, its factors' levels as columns."""

    selected = SelectColumn()
    code = CodeColumn(linkify=("coupon", {"pk": tables.A("pk")}))
    role = tables.Column()
    stage = MarkColumn()
    load_name = tables.Column(verbose_name="Load", empty_values=(None,), default=absent("in no load"))
    rounds_survived = tables.Column(verbose_name="Rounds held", attrs={"th": {"class": "num"}, "td": {"class": "num"}})
    failed_round = tables.Column(
        verbose_name="Cracked out in",
        attrs={"th": {"class": "num"}, "td": {"class": "num"}},
        default=absent("not cracked out"),
    )
    break_type = tables.Column(verbose_name="Break", empty_values=("", None), default=absent("no break"))
    edge_distance_mm = tables.Column(
        verbose_name="Edge (mm)",
        attrs={"th": {"class": "num"}, "td": {"class": "num"}},
        default=absent("not measured"),
    )
    stress_mpa = QuantityColumn(unit="MPa", verbose_name="Strength (MPa)")

    class Meta:
        order_by_field = "sort"
        attrs = {"aria_label": "Coupons of this study", "id": "coupon-table"}
        row_attrs = {"class": lambda record: "is-bad" if record.failed_round else ""}

    def __init__(self, data: QuerySet[Coupon], *, study: Study, factors: Sequence[Factor], **extra: Any) -> None:
        self.study = study
        columns = [(f"level_{factor.pk}", LevelColumn(factor)) for factor in factors]
        names = list(self.base_columns)
        after = names.index("stage") + 1
        super().__init__(
            data,
            extra_columns=columns,
            sequence=(*names[:after], *(name for name, _ in columns), *names[after:]),
            **extra,
        )

    def render_rounds_survived(self, value: int, record: Coupon) -> str:
        if record.role == Coupon.Role.PRISTINE:
            return absent("does not travel")
        return f"{value} of {record.rounds_planned or self.study.rounds_planned}"

    def render_failed_round(self, value: int) -> str:
        return f"round {value}"

    def render_edge_distance_mm(self, value: float, record: Coupon) -> str:
        if record.is_near_edge:
            return format_html('{}<span class="near-edge"> near edge</span>', f"{value:g}")
        return f"{value:g}"


def coupon_rows(rows: QuerySet[Coupon]) -> QuerySet[Coupon]:
    """Coupons with what the table shows of them, two queries whatever their number."""
    levels = CouponLevel.objects.select_related("level").order_by()
    return rows.annotate(load_name=F("load_place__load__name"), stress_mpa=F("strength_test__stress_mpa")).prefetch_related(
        Prefetch("coupon_levels", queryset=levels)
    )
