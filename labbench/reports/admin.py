"""Reports and signatures to look up; they are issued and signed on their pages."""

from __future__ import annotations

from django.contrib import admin

from labbench.lab.record_admin import LookUp, LookUpInline
from labbench.reports.models import Report, Signature


class SignatureInline(LookUpInline):
    model = Signature


@admin.register(Report)
class ReportAdmin(LookUp):
    list_display = ["title", "number", "analysis", "created_by", "created_at"]
    list_select_related = ["analysis__study", "created_by"]
    search_fields = ["title", "sha256", "analysis__study__code"]
    exclude = ["pdf"]
    inlines = [SignatureInline]


@admin.register(Signature)
class SignatureAdmin(LookUp):
    list_display = ["report", "person", "meaning", "signed_at"]
    list_filter = ["meaning"]
    list_select_related = ["report", "person"]
    search_fields = ["report__title", "report_sha256"]
