"""Making the coupons that an analysis proposed part of its study."""

from __future__ import annotations

from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.views.decorators.http import require_POST

from labbench.analysis.queries import newest_answer_pk
from labbench.pages.results.views import readable_analysis
from labbench.reports.wording import counted
from labbench.studies.proposals import Arm, add_proposed


@require_POST
@permission_required("studies.add_coupon", raise_exception=True)
def add_next_coupons(request: HttpRequest, pk: int) -> HttpResponse:
    """Add the proposed coupons that the study lacks; an older analysis proposes nothing any more."""
    found = readable_analysis(request, pk)
    if newest_answer_pk(found.study) != found.pk:
        messages.error(request, "A newer analysis of this study says which coupons come next; nothing was added.")
        return redirect("study-results", found.study.code)
    asked = localtime(found.requested_at)
    try:
        made = add_proposed(
            study=found.study,
            arms=[Arm(row["levels"], row["count"]) for row in (found.result or {}).get("next_coupons") or []],
            note=f"Proposed by the analysis of {date_format(asked, 'j M Y')}.",
            by=request.user,
        )
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
        return redirect("study-results", found.study.code)
    messages.success(
        request,
        f"{counted(len(made), 'coupon')} added under codes drawn at random: "
        f"{', '.join(coupon.code for coupon in made)}. Put them into a load now, or later from the study’s page.",
    )
    # A load takes them at once; whoever leaves that page has the coupons all the same.
    chosen = QueryDict(mutable=True)
    chosen.setlist("selected", [str(coupon.pk) for coupon in made])
    return redirect(f"{reverse('add-load', args=[found.study.code])}?{chosen.urlencode()}")
