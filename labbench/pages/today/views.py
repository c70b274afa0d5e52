"""The page of the day: what people have to do with the loads, in order of time."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from labbench.bench.todays_work import todays_work
from labbench.pages.bench.cautions import caution
from labbench.pages.today.cards import cards
from labbench.pages.today.moves import reasons_given

WHOSE = ("all", "mine")
SESSION_KEY = "todays_work_of"


def whose(request: HttpRequest) -> str:
    """All studies or one's own, as chosen last."""
    asked = request.GET.get("of")
    if asked in WHOSE:
        request.session[SESSION_KEY] = asked
        return asked
    kept = request.session.get(SESSION_KEY)
    return kept if kept in WHOSE else "all"


def context_of(request: HttpRequest) -> dict[str, Any]:
    of, now = whose(request), timezone.now()
    work = todays_work(now=now, person=request.user if of == "mine" else None)
    parts = (("Overdue", work.late), ("To be done now", work.due), ("Coming", work.later))
    return {
        "work": work,
        "ahead": cards(work.ahead, [], now),
        "parts": [(heading, cards(rows, work.chambers, now)) for heading, rows in parts],
        "of": of,
        "now": now,
        "now_ms": int(now.timestamp() * 1000),
        "reasons": reasons_given(),
        "can_move": request.user.has_perm("bench.change_booking"),
        "can_inspect": request.user.has_perm("bench.add_inspection"),
        "can_fail": request.user.has_perm("bench.add_chamberfailure"),
        "can_say_why": request.user.has_perm("bench.change_deviation"),
    }


@require_safe
def today(request: HttpRequest) -> HttpResponse:
    typed = {"load": request.GET.get("typed_for", ""), "at": request.GET.get("typed", "")[:40]}
    return render(request, "today/today.html", context_of(request) | {"typed": typed} | caution(request, "load"))


@require_safe
def work(request: HttpRequest) -> HttpResponse:
    """The part of the page that asks for itself again."""
    answer = render(request, "today/parts/work.html", context_of(request))
    answer["Cache-Control"] = "no-store"
    return answer
