"""The columns of the list of studies and of a study's coupons."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import django_tables2 as tables
from django.db.models import F, QuerySet
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.html import format_html
from django.utils.safestring import mark_safe

from labbench.analysis.verdicts import StudyVerdict
from labbench.formats.factor_names import factor_heading
from labbench.formats.number_texts import number_text
from labbench.pages.tables import SelectColumn
from labbench.pages.templatetags.marks import mark
from labbench.pages.templatetags.quantities import absent, day
from labbench.studies.models import Coupon, Factor, Study
from labbench.studies.queries import level_names, level_of

NO_ANALYSIS = mark_safe('<span class="soft">no analysis yet</span>')
HIDDEN = mark_safe('<span class="soft">not shown: blind</span>')
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
    """One study a row; `coupons` and `verdicts` are those of the page's studies, `hidden` those whose reader inspects blind."""

    # A short code stays on one line; a long one may break, or a tablet would have to scroll.
    code = tables.Column(
        linkify=("study", {"code": tables.A("code")}),
        attrs={"td": {"class": lambda record: "short-code" if len(record.code) <= 14 else ""}},
    )
    title = tables.Column(attrs={"td": {"class": "long-text"}})
    state = tables.Column()
    verdict = tables.Column(empty_values=(), orderable=False, verbose_name="Last analysis", accessor="pk")
    progress = tables.Column(
        empty_values=(),
        orderable=False,
        verbose_name="Coupons by stage",
        accessor="pk",
        attrs={"td": {"class": "stage-cell"}},
    )
    lead = tables.Column(order_by=("lead__last_name", "lead__username"))

    class Meta:
        order_by_field = "sort"
        attrs = {"aria_label": "Studies", "class": "compact"}

    def __init__(self, *args: Any, **extra: Any) -> None:
        super().__init__(*args, **extra)
        self.coupons: dict[int, dict[str, int]] = {}
        self.verdicts: dict[int, StudyVerdict] = {}
        self.hidden: set[int] = set()

    def render_state(self, record: Study) -> str:
        on = record.closed_on or record.started_on
        state = mark(record.state, record.get_state_display())
        return format_html('{}<br><small class="soft nowrap">since {}</small>', state, day(on)) if on else state

    def render_progress(self, record: Study) -> str:
        parts = stage_parts(self.coupons.get(record.pk, {}))
        return render_to_string(
            "studies/parts/stage_bar.html", {"parts": parts, "total": sum(part["coupons"] for part in parts)}
        )

    def render_verdict(self, record: Study) -> str:
        if record.pk in self.hidden:
            return HIDDEN
        verdict = self.verdicts.get(record.pk)
        if verdict is None:
            return NO_ANALYSIS
        return mark(verdict.state, verdict.words)


class LevelColumn(tables.Column):
    """The level that a coupon has of one factor."""

    def __init__(self, factor: Factor) -> None:
        super().__init__(accessor="pk", verbose_name=factor_heading(factor.name))
        self.factor = factor

    def order(self, queryset: QuerySet[Coupon], is_descending: bool) -> tuple[QuerySet[Coupon], bool]:
        field = "number" if self.factor.is_numeric else "name"
        rows = queryset.annotate(level_in_order=level_of(self.factor.pk, field))
        by = F("level_in_order")
        return rows.order_by(by.desc(nulls_last=True) if is_descending else by.asc(nulls_last=True), "pk"), True


NUMBER = {"th": {"class": "num"}}
NOT_KNOWN, NO_LOAD, NOT_CRACKED_OUT = absent("not known"), absent("in no load"), absent("not cracked out")
NO_BREAK, NOT_MEASURED, NO_ROUNDS = absent("no break"), absent("not measured"), absent("does not travel")


class CouponTable(tables.Table):
    """One coupon a row, its factors' levels as columns; `plain_rows` makes the cells."""

    selected = SelectColumn()
    code = tables.Column()
    role = tables.Column()
    stage = tables.Column()
    load_name = tables.Column(verbose_name="Load")
    rounds_survived = tables.Column(verbose_name="Rounds held", attrs=NUMBER)
    failed_round = tables.Column(verbose_name="Cracked out in", attrs=NUMBER)
    break_type = tables.Column(verbose_name="Break")
    edge_distance_mm = tables.Column(verbose_name="Edge (mm)", attrs=NUMBER)
    stress_mpa = tables.Column(verbose_name="Strength (MPa)", attrs=NUMBER)

    class Meta:
        order_by_field = "sort"
        attrs = {"aria_label": "Coupons of this study", "id": "coupon-table"}
        template_name = "studies/parts/coupon_table.html"

    def __init__(self, data: QuerySet[Coupon], *, study: Study, factors: Sequence[Factor], **extra: Any) -> None:
        self.study, self.factors = study, factors
        columns = [(f"level_{factor.pk}", LevelColumn(factor)) for factor in factors]
        names = list(self.base_columns)
        after = names.index("stage") + 1
        super().__init__(
            data,
            extra_columns=columns,
            sequence=(*names[:after], *(name for name, _ in columns), *names[after:]),
            **extra,
        )

    def plain_rows(self) -> Iterator[dict[str, Any]]:
        """The rows of the page: whether it cracked out, and (class, content) of each cell."""
        shown = [column.name for column in self.columns]
        kinds = [CELL_CLASSES.get(name, "") for name in shown]
        coupons = [row.record for row in self.paginated_rows]
        # Texts, not rows: a page of twelve factors would make 1,200 objects.
        levels = level_names([coupon.pk for coupon in coupons]) if self.factors else {}
        for coupon in coupons:
            cells = self.cells(coupon, levels.get(coupon.pk, {}))
            yield {
                "is_bad": coupon.failed_round is not None,
                "cells": [(kind, cells.get(name, NOT_KNOWN)) for kind, name in zip(kinds, shown, strict=True)],
            }

    def cells(self, coupon: Any, levels: dict[int, str]) -> dict[str, str]:
        """Column -> content; a level that is not known is left out."""
        address = reverse("coupon", args=[coupon.pk])
        return {
            "selected": self.base_columns["selected"].render(coupon.pk, coupon),
            "code": format_html('<a class="coupon-code" href="{}" hx-boost="false">{}</a>', address, coupon.code),
            "role": coupon.get_role_display(),
            "stage": mark(coupon.stage, coupon.get_stage_display()),
            "load_name": coupon.load_name or NO_LOAD,
            "rounds_survived": self.rounds(coupon),
            "failed_round": NOT_CRACKED_OUT if coupon.failed_round is None else f"round {coupon.failed_round}",
            "break_type": coupon.get_break_type_display() or NO_BREAK,
            "edge_distance_mm": edge(coupon),
            "stress_mpa": NOT_MEASURED if coupon.stress_mpa is None else number_text(coupon.stress_mpa),
            **{f"level_{factor_pk}": name for factor_pk, name in levels.items()},
        }

    def rounds(self, coupon: Coupon) -> str:
        if coupon.role == Coupon.Role.PRISTINE:
            return NO_ROUNDS
        return f"{coupon.rounds_survived} of {coupon.rounds_planned or self.study.rounds_planned}"


CELL_CLASSES = {
    "selected": "check",
    "rounds_survived": "num",
    "failed_round": "num",
    "edge_distance_mm": "num",
    "stress_mpa": "num",
}


def edge(coupon: Coupon) -> str:
    """The edge distance, marked where it is too near to be compared with the rest."""
    if coupon.edge_distance_mm is None:
        return NOT_MEASURED
    shown = number_text(coupon.edge_distance_mm)
    return format_html('{}<span class="near-edge"> near edge</span>', shown) if coupon.is_near_edge else shown


def coupon_rows(rows: QuerySet[Coupon]) -> QuerySet[Coupon]:
    """Coupons with what the table shows of them beside their levels."""
    return rows.annotate(load_name=F("load_place__load__name"), stress_mpa=F("strength_test__stress_mpa"))
