"""Making the coupons that an analysis proposed part of its study."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.timezone import localtime
from django.views.decorators.http import require_http_methods

from labbench.analysis.models import Analysis
from labbench.analysis.queries import newest_answer_pk
from labbench.bench.queries import waiting_without_levels
from labbench.lab.models import GlassStock
from labbench.pages.refusals import add_refusal
from labbench.pages.results.views import readable_analysis
from labbench.reports.wording import counted
from labbench.studies.models import Coupon
from labbench.studies.proposals import USUAL_DETAILS, Added, Arm, add_proposed, lacking, made_of, matched, usual_details


class ProposedForm(forms.Form):
    """Whether coupons that wait are used first, and what the new ones are made of."""

    use_waiting = forms.BooleanField(required=False, initial=True)
    glass = forms.ModelChoiceField(queryset=GlassStock.objects.all(), required=False, empty_label="not known")
    break_type = forms.ChoiceField(choices=[("", "not known"), *Coupon.BreakType.choices], required=False)
    size_mm = forms.FloatField(label="break size (mm)", required=False, min_value=0.01, max_value=2000)

    def __init__(self, *args: Any, waiting: int, said_by_levels: set[str], **extra: Any) -> None:
        super().__init__(*args, **extra)
        if waiting:
            self.fields["use_waiting"].label = f"give these levels to {counted(waiting, 'waiting coupon')} first"
        else:
            del self.fields["use_waiting"]
        for name in said_by_levels:
            del self.fields[name]

    @property
    def details(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for name in USUAL_DETAILS if name in self.cleaned_data}


@require_http_methods(["GET", "HEAD", "POST"])
@permission_required("studies.add_coupon", raise_exception=True)
def add_next_coupons(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what the study lacks of the proposed coupons, and add it; an older analysis proposes nothing any more."""
    found = readable_analysis(request, pk)
    study = found.study
    if newest_answer_pk(study) != found.pk:
        messages.error(request, "A newer analysis of this study says which coupons come next; nothing was added.")
        return redirect("study-results", study.code)
    arms = [Arm(row["levels"], row["count"]) for row in (found.result or {}).get("next_coupons") or []]
    try:
        carried = lacking(study, arms)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
        return redirect("study-results", study.code)
    if not carried:
        messages.info(request, "The study has these coupons already, and they have not started yet.")
        return redirect("study-results", study.code)
    free = list(waiting_without_levels(study)) if request.user.has_perm("studies.change_coupon") else []
    taken = matched(carried, free)
    form = ProposedForm(
        request.POST if request.method == "POST" else None,
        waiting=len(taken),
        said_by_levels=set.intersection(*(set(made_of(levels)) for levels in carried)),
        initial=usual_details(study),
    )
    if request.method == "POST" and form.is_valid():
        try:
            added = add_proposed(
                study=study,
                arms=arms,
                note=note_of(found),
                by=request.user,
                waiting=free if form.cleaned_data.get("use_waiting") else (),
                **form.details,
            )
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            return said(request, found, added)
    context = {
        "study": study,
        "analysis": found,
        "form": form,
        "lacking": len(carried),
        "arms": arms_in_words(carried),
        "waiting": free,
        "given": len(taken),
        "new": len(carried) - len(taken),
        "is_made_as_levels_say": not form.fields.keys() - {"use_waiting"},
        "loads": sorted({coupon.load_place.load.name for coupon in free}),
    }
    return render(request, "results/next_coupons.html", context)


def note_of(found: Analysis) -> str:
    """What the history of the coupons says."""
    return f"Proposed by the analysis of {date_format(localtime(found.requested_at), 'j M Y')}."


def arms_in_words(carried: Any) -> dict[str, Any]:
    """The factors, and each set of levels with its number of coupons."""
    factors = list(dict.fromkeys(factor for levels in carried for factor in levels))
    rows: dict[tuple[str, ...], int] = {}
    for levels in carried:
        names = tuple(levels[factor].name if factor in levels else "any" for factor in factors)
        rows[names] = rows.get(names, 0) + 1
    return {"factors": factors, "rows": rows}


def said(request: HttpRequest, found: Analysis, added: Added) -> HttpResponse:
    """What was done, and where to go on: new coupons want a load, waiting ones have theirs."""
    if added.given:
        codes = ", ".join(sorted(coupon.code for coupon in added.given))
        messages.success(request, f"{counted(len(added.given), 'waiting coupon')} got the proposed levels: {codes}.")
    if not added.made:
        return redirect("study", found.study.code)
    messages.success(
        request,
        f"{counted(len(added.made), 'coupon')} added under codes drawn at random: "
        f"{', '.join(coupon.code for coupon in added.made)}. Put them into a load now, or later from the study’s page.",
    )
    # A load takes them at once; whoever leaves that page has the coupons all the same.
    chosen = QueryDict(mutable=True)
    chosen.setlist("selected", [str(coupon.pk) for coupon in added.made])
    return redirect(f"{reverse('add-load', args=[found.study.code])}?{chosen.urlencode()}")
