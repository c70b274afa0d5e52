"""Jobs to look up: what the queue does and why something failed."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.http import HttpRequest

from labbench.jobs.models import Job


@admin.register(Job)
class JobAdmin(admin.ModelAdmin):
    list_display = [
        "title",
        "state",
        "done",
        "total",
        "runs",
        "requested_by",
        "created_at",
        "started_at",
        "finished_at",
    ]
    list_filter = ["state", "task"]
    list_select_related = ["requested_by"]
    search_fields = ["title", "reason"]
    date_hierarchy = "created_at"

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False
