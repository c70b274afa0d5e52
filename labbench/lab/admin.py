"""The lab's catalogue, kept by the lab lead; people, kept by the administrator."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.contrib.auth.admin import UserAdmin
from django.contrib.auth.models import Group
from django.http import HttpRequest
from simple_history.admin import SimpleHistoryAdmin

from labbench.lab.models import (
    Calibration,
    Chamber,
    ChamberClosure,
    DraftReading,
    ExtraHours,
    GlassCount,
    GlassStock,
    Holiday,
    HoursReading,
    Lamp,
    LampReplacement,
    LampSurvey,
    LotCount,
    Person,
    Procedure,
    ProcedureVersion,
    ProfileStep,
    Radiometer,
    Resin,
    ResinLot,
    StaffedWindow,
    SurveyDraft,
    SurveyPoint,
    ThermalProfile,
)
from labbench.lab.profiles import is_used
from labbench.lab.record_admin import KeptAdmin, LookUp, LookUpAdmin, LookUpInline

admin.site.site_title = "labbench"
admin.site.site_header = "labbench administration"
admin.site.index_title = "Lab catalogue, people, and records to look up"
# What a person may do follows from the role (labbench.lab.roles).
admin.site.unregister(Group)


@admin.register(Person)
class PersonAdmin(UserAdmin, SimpleHistoryAdmin):
    """Only the administrator gives roles and passphrases."""

    list_display = ["username", "first_name", "last_name", "role", "is_active", "is_superuser"]
    list_filter = ["role", "is_active", "is_superuser"]
    filter_horizontal = ()
    readonly_fields = ["last_login", "date_joined"]
    fieldsets = [
        (None, {"fields": ["username", "password"]}),
        ("Who", {"fields": ["first_name", "last_name", "email"]}),
        ("May do", {"fields": ["role", "is_active", "is_superuser"]}),
        ("When", {"fields": ["last_login", "date_joined"]}),
    ]
    add_fieldsets = [
        (
            None,
            {
                "classes": ["wide"],
                "fields": ["username", "first_name", "role", "usable_password", "password1", "password2"],
            },
        )
    ]

    def has_module_permission(self, request: HttpRequest) -> bool:
        return bool(request.user.is_active and request.user.is_superuser)

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return self.has_module_permission(request)


class ResinLotInline(admin.TabularInline):
    model = ResinLot
    extra = 0
    fields = ["code", "received_on", "opened_on", "expires_on", "stored_at", "quantity_ml"]


@admin.register(Resin)
class ResinAdmin(KeptAdmin):
    list_display = ["name", "purpose", "supplier", "tint", "viscosity_mpa_s"]
    list_filter = ["purpose"]
    search_fields = ["name", "supplier", "lots__code"]
    inlines = [ResinLotInline]


@admin.register(ResinLot)
class ResinLotAdmin(KeptAdmin):
    list_display = ["code", "resin", "received_on", "opened_on", "expires_on", "stored_at"]
    list_filter = ["resin"]
    list_select_related = ["resin"]
    search_fields = ["code", "resin__name"]
    autocomplete_fields = ["resin"]
    date_hierarchy = "received_on"


@admin.register(Lamp)
class LampAdmin(KeptAdmin):
    list_display = [
        "code",
        "emitter_kind",
        "peak_wavelength_nm",
        "has_cover",
        "hours_run_h",
        "in_service_on",
        "retired_on",
    ]
    list_filter = ["emitter_kind", "has_cover", ("retired_on", admin.EmptyFieldListFilter)]
    search_fields = ["code", "description"]


class SurveyPointInline(LookUpInline):
    model = SurveyPoint
    fields = ["x_mm", "y_mm", "reading", "raw_reading", "irradiance_mw_cm2"]


@admin.register(LampSurvey)
class LampSurveyAdmin(LookUpAdmin):
    """Corrected on its own page: there what was read, its factor and the irradiance stay together."""

    list_display = ["lamp", "surveyed_at", "surveyed_by", "radiometer", "distance_mm", "is_cover_on", "lamp_hours_h"]
    list_filter = ["lamp", "radiometer", "is_cover_on"]
    list_select_related = ["lamp", "surveyed_by", "radiometer"]
    search_fields = ["lamp__code", "note"]
    date_hierarchy = "surveyed_at"
    inlines = [SurveyPointInline]


@admin.register(SurveyPoint)
class SurveyPointAdmin(LookUpAdmin):
    list_display = ["survey", "x_mm", "y_mm", "reading", "irradiance_mw_cm2"]
    list_filter = ["survey__lamp"]
    list_select_related = ["survey__lamp"]


@admin.register(SurveyDraft)
class SurveyDraftAdmin(LookUp):
    list_display = ["lamp", "started_at", "started_by", "radiometer", "distance_mm", "is_cover_on"]
    list_select_related = ["lamp", "started_by", "radiometer"]


@admin.register(DraftReading)
class DraftReadingAdmin(LookUp):
    list_display = ["draft", "place", "reading", "raw_reading", "stored_at"]
    list_select_related = ["draft__lamp"]


class CalibrationInline(admin.TabularInline):
    model = Calibration
    extra = 0


@admin.register(Radiometer)
class RadiometerAdmin(KeptAdmin):
    list_display = ["code", "description", "band_low_nm", "band_high_nm", "retired_on"]
    list_filter = [("retired_on", admin.EmptyFieldListFilter)]
    search_fields = ["code", "description"]
    inlines = [CalibrationInline]


@admin.register(Calibration)
class CalibrationAdmin(KeptAdmin):
    list_display = ["radiometer", "calibrated_on", "due_on", "factor", "expanded_uncertainty_percent", "certificate"]
    list_filter = ["radiometer"]
    list_select_related = ["radiometer"]
    search_fields = ["radiometer__code", "certificate"]
    autocomplete_fields = ["radiometer"]


@admin.register(GlassStock)
class GlassStockAdmin(KeptAdmin):
    list_display = ["code", "construction", "thickness_mm", "lot", "received_on", "pieces"]
    search_fields = ["code", "construction", "lot"]


@admin.register(HoursReading)
class HoursReadingAdmin(LookUpAdmin):
    list_display = ["lamp", "read_at", "hours_h", "read_by", "note"]
    list_filter = ["lamp"]
    list_select_related = ["lamp", "read_by"]


@admin.register(LampReplacement)
class LampReplacementAdmin(LookUpAdmin):
    list_display = ["lamp", "replaced_at", "part", "hours_before_h", "hours_after_h", "replaced_by", "reason"]
    list_filter = ["lamp", "part"]
    list_select_related = ["lamp", "replaced_by"]


@admin.register(LotCount)
class LotCountAdmin(LookUpAdmin):
    list_display = ["lot", "counted_at", "left_ml", "counted_by", "reason"]
    list_select_related = ["lot__resin", "counted_by"]


@admin.register(GlassCount)
class GlassCountAdmin(LookUpAdmin):
    list_display = ["glass", "counted_at", "pieces_left", "counted_by", "reason"]
    list_select_related = ["glass", "counted_by"]


@admin.register(Procedure)
class ProcedureAdmin(KeptAdmin):
    list_display = ["code", "title"]
    search_fields = ["code", "title"]


@admin.register(ProcedureVersion)
class ProcedureVersionAdmin(KeptAdmin):
    """An approved version stays as it is: write a new one. Drafts are written and approved on the catalogue's pages."""

    list_display = ["procedure", "number", "is_draft", "effective_on", "approved_by"]
    list_filter = ["procedure"]
    list_select_related = ["procedure", "approved_by"]
    search_fields = ["procedure__code", "procedure__title", "text"]
    autocomplete_fields = ["procedure"]

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return super().has_change_permission(request, obj) and (obj is None or obj.is_draft)


class ProfileStepInline(admin.TabularInline):
    model = ProfileStep
    extra = 0


@admin.register(ThermalProfile)
class ThermalProfileAdmin(KeptAdmin):
    """A profile that a load, a study or a booking goes by stays as it is: a changed one is a new version."""

    list_display = ["name", "version", "rounds", "max_transfer_minutes", "is_common_practice"]
    list_filter = ["is_common_practice"]
    search_fields = ["name"]
    inlines = [ProfileStepInline]

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return super().has_change_permission(request, obj) and (obj is None or not is_used(obj))


@admin.register(ProfileStep)
class ProfileStepAdmin(LookUpAdmin):
    list_display = ["profile", "number", "name", "kind", "air_set_point_c", "target_c", "min_minutes", "max_minutes"]
    list_filter = ["kind", "profile"]
    list_select_related = ["profile"]


class ChamberClosureInline(admin.TabularInline):
    model = ChamberClosure
    extra = 0


@admin.register(Chamber)
class ChamberAdmin(KeptAdmin):
    list_display = ["code", "kind", "capacity_coupons", "lowest_c", "highest_c", "calibration_due_on", "retired_on"]
    list_filter = ["kind", ("retired_on", admin.EmptyFieldListFilter)]
    search_fields = ["code"]
    inlines = [ChamberClosureInline]


@admin.register(ChamberClosure)
class ChamberClosureAdmin(KeptAdmin):
    list_display = ["chamber", "starts_at", "ends_at", "reason"]
    list_filter = ["chamber"]
    list_select_related = ["chamber"]
    autocomplete_fields = ["chamber"]


@admin.register(StaffedWindow)
class StaffedWindowAdmin(KeptAdmin):
    list_display = ["__str__", "weekday"]


@admin.register(Holiday)
class HolidayAdmin(KeptAdmin):
    list_display = ["name", "first_on", "last_on"]


@admin.register(ExtraHours)
class ExtraHoursAdmin(KeptAdmin):
    list_display = ["__str__", "note"]
