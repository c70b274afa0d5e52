"""Hours with staff, holidays, and extra hours of single days."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from labbench.lab import hours as services
from labbench.lab.models import ExtraHours, Holiday, StaffedWindow
from labbench.lab.records import remove
from labbench.pages.chambers.forms import ExtraHoursForm, HolidayForm, WeekForm

KINDS: dict[str, Any] = {"holiday": Holiday, "extra": ExtraHours}


@require_http_methods(["GET", "HEAD", "POST"])
def hours(request: HttpRequest) -> HttpResponse:
    """The week, holidays and extra hours; which form was sent is said by its button."""
    may_change = request.user.has_perm("lab.change_staffedwindow")
    if request.method == "POST" and not may_change:
        return permission_required("lab.change_staffedwindow", raise_exception=True)(hours)(request)
    sent = request.POST.get("form") if request.method == "POST" else None
    windows = list(StaffedWindow.objects.all())
    week = WeekForm(request.POST if sent == "week" else None, windows=windows)
    holiday = HolidayForm(request.POST if sent == "holiday" else None, prefix="holiday")
    extra = ExtraHoursForm(request.POST if sent == "extra" else None, prefix="extra")
    if stored(request, week, holiday, extra):
        return redirect("staffed-hours")
    today = timezone.localdate()
    context = {
        "week": week,
        "holiday": holiday,
        "extra": extra,
        "windows": windows,
        "holidays": Holiday.objects.filter(last_on__gte=today),
        "extras": ExtraHours.objects.filter(day__gte=today),
        "may_change": may_change,
        "zone": timezone.get_default_timezone_name(),
    }
    return render(request, "chambers/hours.html", context, status=422 if sent else 200)


def stored(request: HttpRequest, week: WeekForm, holiday: HolidayForm, extra: ExtraHoursForm) -> bool:
    """Store the form that was sent; False where none was, or it was refused."""
    sent: tuple[tuple[Any, str, Any], ...] = (
        (week, "The staffed hours are stored.", store_week),
        (holiday, "The holiday is stored.", lambda one, by: services.add_holiday(by=by, **one.cleaned_data)),
        (extra, "The extra hours are stored.", lambda one, by: services.add_extra_hours(by=by, **one.cleaned_data)),
    )
    for form, words, act in sent:
        if not form.is_bound or not form.is_valid():
            continue
        try:
            act(form, request.user)
        except ValidationError as refused:
            form.add_error(None, refused.messages)
        else:
            if form is week and not StaffedWindow.objects.exists():
                words = "No staffed hours are recorded any more: moves are planned at any time of day and night."
            messages.success(request, f"{words} Plan again to let them count.")
            return True
    return False


@transaction.atomic
def store_week(form: WeekForm, by: Any) -> None:
    for weekday, label in StaffedWindow.Weekday.choices:
        try:
            services.set_weekday(weekday=weekday, windows=form.windows(weekday), by=by)
        except ValidationError as refused:
            raise ValidationError([f"{label}: {words}" for words in refused.messages]) from refused


@permission_required("lab.change_staffedwindow", raise_exception=True)
@require_POST
def take_out(request: HttpRequest, kind: str, pk: int) -> HttpResponse:
    """Take out a holiday or extra hours."""
    if kind not in KINDS:
        raise Http404("There is no such record.")
    row = get_object_or_404(KINDS[kind], pk=pk)
    words = str(row)
    remove(row, by=request.user, reason="taken out of the lab's hours")
    messages.success(request, f"{words} is taken out.")
    return redirect("staffed-hours")
