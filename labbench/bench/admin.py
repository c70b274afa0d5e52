"""The bench's records to look up with their history; they are corrected on the bench's pages, where the rules look at them."""

from __future__ import annotations

from django.contrib import admin

from labbench.bench.models import (
    Booking,
    BookingChange,
    CalendarAddress,
    ChamberFailure,
    ChamberPlan,
    Deviation,
    Inspection,
    Load,
    LoadPlace,
    LoggerColumns,
    PlanAlternatives,
    ReceivedDose,
    Repair,
    StrengthTest,
    TraceEvaluation,
    TraceFile,
    TraceFinding,
)
from labbench.lab.record_admin import LookUp, LookUpAdmin, LookUpInline


@admin.display(description="study", ordering="coupon__study__code")
def study_code(record: Repair | Inspection | StrengthTest) -> str:
    """The study of the coupon that a record is of."""
    return record.coupon.study.code


@admin.register(Repair)
class RepairAdmin(LookUpAdmin):
    list_display = [
        "coupon",
        study_code,
        "repaired_at",
        "technician",
        "resin_lot",
        "lamp",
        "cure_time_s",
        "dose_mj_cm2",
    ]
    list_filter = ["lamp", "technician", "resin_lot"]
    list_select_related = ["coupon__study", "technician", "resin_lot__resin", "lamp"]
    search_fields = ["coupon__code", "coupon__study__code", "resin_lot__code"]
    date_hierarchy = "repaired_at"


class LoadPlaceInline(LookUpInline):
    model = LoadPlace


class BookingInline(LookUpInline):
    model = Booking
    fields = ["chamber", "round_number", "step", "planned_start", "planned_end", "started_at", "ended_at"]


@admin.register(Load)
class LoadAdmin(LookUpAdmin):
    list_display = ["name", "study", "state", "profile", "ready_at", "due_at"]
    list_filter = ["state"]
    list_select_related = ["study", "profile"]
    search_fields = ["name", "study__code"]
    inlines = [LoadPlaceInline, BookingInline]


@admin.register(LoadPlace)
class LoadPlaceAdmin(LookUpAdmin):
    list_display = ["coupon", "load", "place"]
    list_select_related = ["coupon", "load"]
    search_fields = ["coupon__code", "load__name"]


@admin.register(Booking)
class BookingAdmin(LookUpAdmin):
    list_display = ["load", "chamber", "round_number", "step", "planned_start", "planned_end", "started_at", "ended_at"]
    list_filter = ["chamber"]
    list_select_related = ["load", "chamber", "step"]
    search_fields = ["load__name", "load__study__code"]
    date_hierarchy = "planned_start"


@admin.register(TraceFile)
class TraceFileAdmin(LookUpAdmin):
    list_display = ["filename", "load", "starts_at", "ends_at", "uploaded_at", "uploaded_by"]
    list_select_related = ["load", "uploaded_by"]
    search_fields = ["filename", "sha256", "load__study__code"]


@admin.register(LoggerColumns)
class LoggerColumnsAdmin(LookUpAdmin):
    list_display = ["__str__", "confirmed_by", "confirmed_at"]
    list_select_related = ["confirmed_by"]
    search_fields = ["layout_sha256"]


@admin.register(TraceEvaluation)
class TraceEvaluationAdmin(LookUp):
    list_display = ["trace", "profile", "steps_met", "steps_in_all", "requested_by", "finished_at", "code_version"]
    list_select_related = ["trace", "profile", "requested_by"]
    search_fields = ["trace__filename", "trace__sha256", "inputs_sha256", "result_sha256"]


@admin.register(TraceFinding)
class TraceFindingAdmin(LookUp):
    list_display = ["trace", "round_number", "step_number", "deviation"]
    list_select_related = ["trace", "deviation"]
    search_fields = ["trace__filename", "deviation__description"]


@admin.register(Inspection)
class InspectionAdmin(LookUpAdmin):
    list_display = [
        "coupon",
        study_code,
        "round_number",
        "step_number",
        "outcome",
        "failure_mode",
        "inspector",
        "seen_at",
    ]
    list_filter = ["outcome", "inspector", "round_number"]
    list_select_related = ["coupon__study", "inspector"]
    search_fields = ["coupon__code", "coupon__study__code", "failure_mode"]
    date_hierarchy = "seen_at"


@admin.register(StrengthTest)
class StrengthTestAdmin(LookUpAdmin):
    list_display = ["coupon", study_code, "method", "force_n", "stress_mpa", "origin", "tested_at", "tested_by"]
    list_filter = ["method", "origin"]
    list_select_related = ["coupon__study", "tested_by"]
    search_fields = ["coupon__code", "coupon__study__code"]
    date_hierarchy = "tested_at"


@admin.register(Deviation)
class DeviationAdmin(LookUpAdmin):
    list_display = ["kind", "study", "load", "coupon", "happened_at", "description", "is_found_by_rule", "recorded_by"]
    list_filter = ["kind", "is_found_by_rule"]
    list_select_related = ["study", "load", "coupon", "recorded_by"]
    search_fields = ["description", "reason", "study__code", "coupon__code"]
    date_hierarchy = "happened_at"


@admin.register(ChamberFailure)
class ChamberFailureAdmin(LookUpAdmin):
    list_display = ["chamber", "began_at", "ended_at", "note", "recorded_by"]
    list_filter = ["chamber"]
    list_select_related = ["chamber", "recorded_by"]


@admin.register(ChamberPlan)
class ChamberPlanAdmin(LookUp):
    list_display = ["__str__", "requested_by", "requested_at", "reason", "finished_at", "change"]
    list_select_related = ["requested_by", "change"]
    search_fields = ["reason"]


@admin.register(PlanAlternatives)
class PlanAlternativesAdmin(LookUp):
    list_display = ["__str__", "requested_at"]
    list_select_related = ["plan"]


@admin.register(BookingChange)
class BookingChangeAdmin(LookUp):
    list_display = ["words", "reason", "made_by", "made_at", "undone_by", "undone_at"]
    list_select_related = ["made_by", "undone_by"]
    search_fields = ["words", "reason"]


@admin.register(ReceivedDose)
class ReceivedDoseAdmin(LookUpAdmin):
    list_display = ["repair", "survey", "cure_time_s", "dose_min_mj_cm2", "dose_mean_mj_cm2", "dose_max_mj_cm2"]
    list_select_related = ["repair", "survey__lamp"]
    search_fields = ["repair__coupon__code"]


@admin.register(CalendarAddress)
class CalendarAddressAdmin(LookUp):
    """Without the token: whoever knows it reads that person's moves."""

    list_display = ["person", "is_of_all_studies", "alarm_minutes", "made_at", "read_at"]
    list_select_related = ["person"]
    fields = ["person", "is_of_all_studies", "alarm_minutes", "made_at", "read_at"]
