"""Analyses to look up; nothing about them is ever changed."""

from __future__ import annotations

from django.contrib import admin

from labbench.analysis.models import Analysis, PlanComparison
from labbench.lab.record_admin import LookUp


@admin.register(Analysis)
class AnalysisAdmin(LookUp):
    list_display = ["id", "study", "coupons", "requested_by", "requested_at", "finished_at", "code_version"]
    list_select_related = ["study", "requested_by"]
    search_fields = ["study__code", "inputs_sha256", "result_sha256"]
    date_hierarchy = "requested_at"


@admin.register(PlanComparison)
class PlanComparisonAdmin(LookUp):
    list_display = ["id", "study", "requested_by", "requested_at", "finished_at", "code_version"]
    list_select_related = ["study", "requested_by"]
    search_fields = ["study__code", "inputs_sha256"]
