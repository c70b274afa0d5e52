"""Everything that is recorded in a study, as one workbook."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any

from django.db.models import Model
from django.utils import timezone

from labbench.analysis.covariates import BY_NAME, measured_values
from labbench.analysis.models import Analysis
from labbench.analysis.sheets import study_sheet
from labbench.bench.models import Deviation, Inspection, Load, LoadPlace, Repair, StrengthTest
from labbench.formats.coupon_sheet_export import coupon_sheet_table
from labbench.formats.workbooks import Cell, WorkbookTable, workbook_chunks
from labbench.studies.models import Coupon, Study

COUPON = ("code", "role", "glass__code", "break_type", "size_mm", "legs", "edge_distance_mm", "position", "rounds_planned", "stage",
          "rounds_survived", "failed_round", "withdrawn_on", "withdrawn_reason", "note")  # fmt: skip
REPAIR = ("coupon__code", "repaired_at", "technician__username", "procedure_version__procedure__code", "procedure_version__number",
          "resin_lot__resin__name", "resin_lot__code", "pit_resin_lot__resin__name", "pit_resin_lot__code", "lamp__code", "is_cover_on",
          "distance_mm", "cure_time_s", "vacuum_minutes", "pressure_minutes", "glass_c", "room_c", "radiometer__code",
          "irradiance_mw_cm2", "dose_mj_cm2", "note", "break_x_mm", "break_y_mm", "received_dose__survey__surveyed_at",
          "received_dose__irradiance_min_mw_cm2", "received_dose__irradiance_mean_mw_cm2", "received_dose__irradiance_max_mw_cm2",
          "received_dose__dose_min_mj_cm2", "received_dose__dose_mean_mj_cm2", "received_dose__dose_max_mj_cm2",
          "received_dose__dose_break_mj_cm2", "received_dose__min_over_mean", "received_dose__cv",
          "received_dose__calibration_factor", "received_dose__is_meter_overdue", "received_dose__rule_version",
          "received_dose__computed_at")  # fmt: skip
INSPECTION = ("coupon__code", "round_number", "step_number", "outcome", "crack_growth_mm", "failure_mode", "inspector__username",
              "seen_at", "note")  # fmt: skip
STRENGTH = ("coupon__code", "method", "force_n", "width_mm", "thickness_mm", "outer_span_mm", "inner_span_mm", "plate_mm", "stress_mpa",
            "origin", "is_machine_limit", "tested_at", "tested_by__username", "note")  # fmt: skip
DEVIATION = ("kind", "happened_at", "load__name", "coupon__code", "description", "reason", "is_found_by_rule", "recorded_by__username",
             "recorded_at")  # fmt: skip
LOAD = ("name", "state", "profile__name", "profile__version", "ready_at", "due_at", "note")
PLACE = ("load__name", "coupon__code", "place")


def study_workbook(study: Study) -> Iterator[bytes]:
    """The workbook piece by piece; its first worksheet is the coupon sheet and can be read as one."""
    of_coupon = {"coupon__study": study}
    return workbook_chunks(
        [
            coupon_sheet_table(study_sheet(study, with_unfinished=True).sheet),
            records("coupon details", Coupon, COUPON, study=study),
            levels(study),
            measured(study),
            records("repairs", Repair, REPAIR, order=("repaired_at", "pk"), **of_coupon),
            records("inspections", Inspection, INSPECTION, order=("coupon_id", "position"), **of_coupon),
            records("strength tests", StrengthTest, STRENGTH, order=("tested_at", "pk"), **of_coupon),
            records("loads", Load, LOAD, study=study),
            records("places in loads", LoadPlace, PLACE, order=("load_id", "place"), load__study=study),
            records("deviations", Deviation, DEVIATION, order=("happened_at", "pk"), study=study),
            verdicts(study),
        ]
    )


def records(
    name: str, model: type[Model], fields: Sequence[str], *, order: Sequence[str] = ("pk",), **which: Any
) -> WorkbookTable:
    """One kind of record, headed by the fields' names."""
    rows = model._default_manager.filter(**which).order_by(*order).values_list(*fields)
    return WorkbookTable(name, [heading(field) for field in fields], cells(rows.iterator(chunk_size=2000)))


def heading(field: str) -> str:
    """`resin_lot__code` as `resin_lot_code`; whose name it is needs no `code` or `username` behind it."""
    field = field.removesuffix("__username").removeprefix("received_dose__")
    return "coupon" if field in {"code", "coupon__code"} else field.replace("__", "_")


def cells(rows: Iterable[Sequence[Any]]) -> Iterator[list[Cell]]:
    """Values as cells; times in the lab's zone, with it."""
    for row in rows:
        yield [timezone.localtime(value) if isinstance(value, datetime) else value for value in row]


def levels(study: Study) -> WorkbookTable:
    """The factors and all their levels, carried by a coupon or not."""
    rows = (
        [factor.name, factor.source, level.name, level.number, level.is_baseline]
        for factor in study.factors.prefetch_related("levels")
        for level in factor.levels.all()
    )
    return WorkbookTable("factors and levels", ["factor", "source", "level", "number", "is_baseline"], rows)


def measured(study: Study) -> WorkbookTable:
    """What was measured of each repair, as an analysis can take it."""
    names = list(BY_NAME)
    codes = dict(Coupon.objects.filter(study=study).order_by().values_list("pk", "code"))
    rows: Iterator[list[Cell]] = (
        [codes[pk], *(values.get(name) for name in names)] for pk, values in measured_values(study).items()
    )
    return WorkbookTable("measured values", ["coupon", *names], rows)


def verdicts(study: Study) -> WorkbookTable:
    """What each analysis said of each factor."""
    rows = (
        Analysis.objects.filter(study=study, finished_at__isnull=False)
        .select_related("requested_by")
        .defer("sheet_csv")
    )
    header = ["analysis", "looks_at", "requested_at", "requested_by", "code_version", "inputs_sha256", "coupons", "factor",
              "verdict", "level", "probability", "with", "p_value", "p_value_holm", "reason"]  # fmt: skip
    return WorkbookTable(
        "verdicts", header, (row for analysis in rows.order_by("pk") for row in verdict_rows(analysis))
    )


def verdict_rows(analysis: Analysis) -> Iterator[list[Cell]]:
    for factor in (analysis.result or {}).get("factors", []):
        verdict, association = factor.get("verdict") or {}, factor.get("association") or {}
        level = verdict.get("level")
        yield [
            analysis.pk,
            json.dumps(analysis.choice) if analysis.choice else None,
            timezone.localtime(analysis.requested_at),
            analysis.requested_by.username,
            analysis.code_version,
            analysis.inputs_sha256,
            analysis.coupons,
            factor["factor"],
            verdict.get("state"),
            level if level is None or isinstance(level, int | float) else str(level),
            verdict.get("probability"),
            ", ".join(verdict.get("with") or []),
            association.get("p_value"),
            association.get("p_value_holm"),
            verdict.get("reason"),
        ]
