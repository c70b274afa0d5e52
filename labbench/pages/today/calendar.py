"""A person's private calendar address: the page that gives it, and the feed itself."""

from __future__ import annotations

import hashlib

from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import parse_etags
from django.views.decorators.http import require_POST, require_safe

from labbench.bench import calendars
from labbench.bench.models import CalendarAddress
from labbench.pages.today.forms import CalendarForm

ACTS = ("give", "renew", "drop", "change")


@require_safe
def address(request: HttpRequest) -> HttpResponse:
    """The address, what it tells, and how to get another."""
    row = CalendarAddress.objects.filter(person=request.user.pk).first()
    context = {
        "address": row,
        "url": request.build_absolute_uri(reverse("calendar-feed", args=[row.token])) if row else "",
        "form": CalendarForm(
            initial={
                "is_of_all_studies": "all" if row.is_of_all_studies else "mine",
                "alarm_minutes": row.alarm_minutes,
            }
            if row
            else None
        ),
    }
    answer = render(request, "today/calendar.html", context)
    answer["Cache-Control"] = "no-store"
    return answer


@require_POST
def act(request: HttpRequest, name: str) -> HttpResponse:
    """Give an address, make a new one, change what it tells, or take it away."""
    if name not in ACTS:
        raise Http404("There is no such act.")
    try:
        if name == "give":
            calendars.give_address(person=request.user)
        elif name == "renew":
            calendars.renew_address(person=request.user)
            messages.success(request, "You have a new address; the one before answers no more.")
        elif name == "drop":
            calendars.drop_address(person=request.user)
            messages.success(request, "Your calendar address is taken away.")
        else:
            form = CalendarForm(request.POST)
            if not form.is_valid():
                raise next(iter(form.errors.as_data().values()))[0]
            calendars.change_address(
                person=request.user,
                is_of_all_studies=form.cleaned_data["is_of_all_studies"] == "all",
                alarm_minutes=form.cleaned_data["alarm_minutes"],
            )
            messages.success(request, "Changed. A calendar shows it when it asks next.")
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    return redirect("calendar-address")


@login_not_required
@require_safe
def feed(request: HttpRequest, token: str) -> HttpResponse:
    """The moves of the person whose address this is; whoever knows it reads them, so it is said to nobody."""
    row = calendars.address_of_token(token)
    if row is None:
        raise Http404("There is no such calendar.")
    body = calendars.feed(row)
    tag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
    if tag in parse_etags(request.headers.get("If-None-Match", "")):
        answer = HttpResponse(status=304)
    else:
        answer = HttpResponse(body, content_type="text/calendar; charset=utf-8")
        answer["Content-Disposition"] = 'inline; filename="loads.ics"'
    answer["ETag"] = tag
    answer["Cache-Control"] = "private, max-age=300"
    answer["X-Robots-Tag"] = "noindex"
    answer["Referrer-Policy"] = "no-referrer"
    return answer
