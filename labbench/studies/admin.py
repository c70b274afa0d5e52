"""Studies and coupons to look up; they are changed on their pages."""

from __future__ import annotations

from django.contrib import admin

from labbench.lab.record_admin import LookUp, LookUpAdmin, LookUpInline
from labbench.studies.models import (
    AllocatedCoupon,
    Allocation,
    Coupon,
    CouponLevel,
    Factor,
    ImportedSheet,
    ImpossibleCombination,
    ImpossibleLevel,
    Level,
    PlanSettings,
    Study,
)


class FactorInline(LookUpInline):
    model = Factor


@admin.register(Study)
class StudyAdmin(LookUpAdmin):
    list_display = ["code", "title", "state", "lead", "rounds_planned", "is_blind", "started_on", "closed_on"]
    list_filter = ["state", "is_blind"]
    list_select_related = ["lead"]
    search_fields = ["code", "title", "question"]
    inlines = [FactorInline]


class LevelInline(LookUpInline):
    model = Level
    fields = ["name", "number", "is_baseline", "is_reference", "most_coupons"]


@admin.register(Factor)
class FactorAdmin(LookUpAdmin):
    list_display = ["name", "study", "source", "order"]
    list_filter = ["source"]
    list_select_related = ["study"]
    search_fields = ["name", "study__code"]
    inlines = [LevelInline]


@admin.register(Level)
class LevelAdmin(LookUpAdmin):
    list_display = ["name", "factor", "study", "number", "is_baseline"]
    list_select_related = ["factor__study"]
    search_fields = ["name", "factor__name", "factor__study__code"]

    @admin.display(ordering="factor__study__code")
    def study(self, level: Level) -> str:
        return level.factor.study.code


class CouponLevelInline(LookUpInline):
    model = CouponLevel


@admin.register(Coupon)
class CouponAdmin(LookUpAdmin):
    list_display = [
        "code",
        "study",
        "role",
        "stage",
        "break_type",
        "size_mm",
        "rounds_survived",
        "failed_round",
        "withdrawn_on",
    ]
    list_filter = ["stage", "role", "break_type"]
    list_select_related = ["study"]
    search_fields = ["code", "study__code"]
    inlines = [CouponLevelInline]


@admin.register(CouponLevel)
class CouponLevelAdmin(LookUpAdmin):
    list_display = ["coupon", "factor", "level"]
    list_select_related = ["coupon", "factor", "level"]
    search_fields = ["coupon__code", "factor__name", "level__name"]


@admin.register(ImportedSheet)
class ImportedSheetAdmin(LookUp):
    list_display = ["filename", "study", "coupons", "imported_at", "imported_by"]
    list_select_related = ["study", "imported_by"]
    search_fields = ["filename", "study__code", "sha256"]


@admin.register(PlanSettings)
class PlanSettingsAdmin(LookUpAdmin):
    list_display = ["study", "places_per_load", "loads_ready", "reference_per_load", "unrepaired_per_load"]
    list_select_related = ["study"]
    search_fields = ["study__code"]


class ImpossibleLevelInline(LookUpInline):
    model = ImpossibleLevel


@admin.register(ImpossibleCombination)
class ImpossibleCombinationAdmin(LookUpAdmin):
    list_display = ["id", "study", "reason"]
    list_select_related = ["study"]
    search_fields = ["study__code", "reason"]
    inlines = [ImpossibleLevelInline]


class AllocatedCouponInline(LookUpInline):
    model = AllocatedCoupon


@admin.register(Allocation)
class AllocationAdmin(LookUpAdmin):
    list_display = ["title", "study", "plan", "seed", "made_by", "made_at", "locked_by", "locked_at"]
    list_filter = ["plan"]
    list_select_related = ["study", "made_by", "locked_by"]
    search_fields = ["study__code", "title"]
    inlines = [AllocatedCouponInline]


@admin.register(ImpossibleLevel)
class ImpossibleLevelAdmin(LookUpAdmin):
    list_display = ["id", "combination_id", "factor", "level"]
    list_select_related = ["factor", "level__factor"]
    search_fields = ["factor__name", "level__name"]


@admin.register(AllocatedCoupon)
class AllocatedCouponAdmin(LookUpAdmin):
    list_display = ["coupon", "allocation", "repair_order", "technician"]
    list_select_related = ["coupon", "allocation", "technician"]
    search_fields = ["coupon__code", "allocation__title"]
