"""Two ways of showing records in the administration: kept there with a reason for each change, or only looked up."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import admin, messages
from django.db import IntegrityError
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from simple_history.admin import SimpleHistoryAdmin

from labbench.lab.records import broken_rule


class ReasonForm(forms.ModelForm):
    """A record's fields, and why a stored record is changed."""

    change_reason = forms.CharField(
        label="Reason for the change",
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Kept in the record's history.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk is None:
            self.fields.pop("change_reason", None)


class KeptAdmin(SimpleHistoryAdmin):
    """Records that the lab lead keeps here. A rule that only the database knows is told, not shown as an error page."""

    form = ReasonForm

    def get_fields(self, request: HttpRequest, obj: Any = None) -> list[Any]:
        fields = [name for name in super().get_fields(request, obj) if name != "change_reason"]
        return [*fields, "change_reason"] if obj is not None and self.has_change_permission(request, obj) else fields

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        obj._change_reason = form.cleaned_data.get("change_reason", "")
        super().save_model(request, obj, form, change)

    def save_formset(self, request: HttpRequest, form: Any, formset: Any, change: bool) -> None:
        for inline in formset.forms:
            inline.instance._change_reason = form.cleaned_data.get("change_reason", "")
        super().save_formset(request, form, formset, change)

    def changeform_view(
        self, request: HttpRequest, object_id: str | None = None, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        try:
            return super().changeform_view(request, object_id, form_url, extra_context)
        except IntegrityError as refused:
            messages.error(request, broken_rule(refused))
            return HttpResponseRedirect(request.get_full_path())


class LookUp(admin.ModelAdmin):
    """Records that are looked up here and changed where the rules are: on the pages of studies and bench, or never."""

    list_per_page = 50
    show_full_result_count = False

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


class LookUpAdmin(LookUp, SimpleHistoryAdmin):
    """Looked up with its history."""


class LookUpInline(admin.TabularInline):
    """Rows of a record, looked up with it."""

    extra = 0
    can_delete = False

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False
