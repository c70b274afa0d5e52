"""The bench itself: scan a code, see what waits, undo what was just recorded."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from django.core.paginator import Paginator
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_POST, require_safe

from labbench.bench.queries import (
    Allocation,
    coupons_called,
    drawn_order,
    possible_actions,
    recent_records,
    waiting,
    waiting_coupons,
    waiting_for_repair,
)
from labbench.pages.bench.cautions import CAUTIONS, dismiss
from labbench.pages.bench.forms import CodeForm
from labbench.pages.bench.levels import shown_levels
from labbench.pages.bench.records import WORDS
from labbench.studies.blinding import is_blinded
from labbench.studies.models import Coupon, Study

RECORD_PAGES = {"repair": "record-repair", "inspection": "record-inspection", "strength": "record-strength"}
RECORD_PERMISSIONS = {
    "repair": "bench.add_repair",
    "inspection": "bench.add_inspection",
    "strength": "bench.add_strengthtest",
}


def the_one(found: list[Coupon]) -> Coupon | None:
    """The coupon that was meant, if there is no choice."""
    running = [coupon for coupon in found if coupon.study.state == Study.State.RUNNING]
    return running[0] if len(running) == 1 else found[0] if len(found) == 1 else None


@require_safe
def bench(request: HttpRequest) -> HttpResponse:
    """One field for a code; below it what is to be done next and what this person just recorded."""
    form = CodeForm(request.GET if "code" in request.GET else None)
    found: list[Coupon] = []
    then = ""
    if form.is_valid():
        code, then = form.cleaned_data["code"], form.cleaned_data["then"]
        found = coupons_called(code)
        if (coupon := the_one(found)) is not None:
            can = then in possible_actions(coupon) and request.user.has_perm(RECORD_PERMISSIONS[then])
            return redirect(RECORD_PAGES[then] if can else "coupon", coupon.pk)
        if not found:
            form.add_error("code", f"No coupon is called “{code}”. Scan it again, or look for it in its study.")
    context = {
        "form": form,
        "found": found,
        "then": then,
        "waiting": [row for row in waiting() if not row.is_empty],
        "recent": [(WORDS[row.kind], row) for row in recent_records(request.user, now=timezone.now())],
    }
    return render(request, "bench/bench.html", context)


@require_safe
def waiting_list(request: HttpRequest, study_pk: int, action: str) -> HttpResponse:
    """The coupons of a study that wait for an action."""
    if action not in RECORD_PAGES:
        raise Http404("There is no such action.")
    study = get_object_or_404(Study, pk=study_pk)
    is_hidden = is_blinded(request.user, study)
    rows: Any
    if action == "repair":
        rows = waiting_for_repair(study, by_levels=not is_hidden)
    else:
        rows = [(one, Allocation()) for one in waiting_coupons(study, action)]
    page = Paginator(rows, 60).get_page(request.GET.get("page"))
    can = request.user.has_perm(RECORD_PERMISSIONS[action])
    context = {
        "groups": [
            (shown_levels(alike[0][1]), [one for one, _ in alike])
            for alike in (list(some) for _, some in groupby(page, key=lambda pair: pair[1].rows))
        ],
        "is_drawn": any(drawn_order(one) for one, _ in page),
        "is_hidden": is_hidden and action == "repair",
        "study": study,
        "word": WORDS[action],
        "action": action,
        "page": page,
        "target": RECORD_PAGES[action] if can else "coupon",
    }
    return render(request, "bench/waiting.html", context)


@require_POST
def dismiss_caution(request: HttpRequest, name: str) -> HttpResponse:
    """The cautions of this work were read; they come again with the next session."""
    if name not in CAUTIONS:
        raise Http404("There is no such caution.")
    dismiss(request, name)
    if request.headers.get("HX-Request"):
        return HttpResponse("")
    back = request.POST.get("back", "")
    is_ours = url_has_allowed_host_and_scheme(back, {request.get_host()}, require_https=request.is_secure())
    return redirect(back if is_ours else "bench")
