"""Making the coupons that an analysis proposed part of its study, and the load they travel in."""

from __future__ import annotations

import secrets
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
from labbench.bench.proposed_allocations import PutUp, put_up_proposed
from labbench.bench.queries import waiting_without_levels
from labbench.lab.models import GlassStock
from labbench.pages.refusals import add_refusal
from labbench.pages.results.views import readable_analysis
from labbench.reports.wording import counted, listed
from labbench.studies.models import Coupon, Study
from labbench.studies.planning import settings_of
from labbench.studies.proposals import USUAL_DETAILS, Arm, lacking, made_of, matched, usual_details

BOXES = ("use_waiting", "take_out", "new_load", "with_controls")


class ProposedForm(forms.Form):
    """Whether coupons that wait are used first, and what the new ones are made of and travel in."""

    use_waiting = forms.BooleanField(required=False, initial=True)
    take_out = forms.BooleanField(required=False, initial=True)
    new_load = forms.BooleanField(required=False, initial=True)
    with_controls = forms.BooleanField(required=False, initial=True)
    glass = forms.ModelChoiceField(queryset=GlassStock.objects.all(), required=False, empty_label="not known")
    break_type = forms.ChoiceField(choices=[("", "not known"), *Coupon.BreakType.choices], required=False)
    size_mm = forms.FloatField(label="break size (mm)", required=False, min_value=0.01, max_value=2000)

    def __init__(self, *args: Any, labels: dict[str, str], said_by_levels: set[str], **extra: Any) -> None:
        """`labels` name the boxes that are asked about; the others are left out."""
        super().__init__(*args, **extra)
        for name in BOXES:
            if name in labels:
                self.fields[name].label = labels[name]
            else:
                del self.fields[name]
        for name in said_by_levels:
            del self.fields[name]

    @property
    def details(self) -> dict[str, Any]:
        return {name: self.cleaned_data[name] for name in USUAL_DETAILS if name in self.cleaned_data}


def labels_of(study: Study, *, given: int, rest: int, new: int, may_load: bool) -> dict[str, str]:
    """The boxes of the form in words, as far as there is something to decide."""
    labels = {}
    if given:
        labels["use_waiting"] = f"give these levels to {counted(given, 'waiting coupon')} first"
    if given and rest:
        them = "it" if rest == 1 else "them"
        labels["take_out"] = f"take the other {rest} out of the load: without levels nobody can repair {them}"
    if new and may_load:
        labels["new_load"] = f"put {counted(new, 'new coupon')} into a new load, at places drawn at random"
        controls = settings_of(study)
        named = [
            counted(number, words)
            for number, words in (
                (controls.reference_per_load, "reference repair"),
                (controls.unrepaired_per_load, "unrepaired control"),
                (controls.pristine_per_load, "pristine control"),
            )
            if number
        ]
        if named:
            labels["with_controls"] = f"with the controls of the study’s plan: {listed(named)}"
    return labels


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
    may_load = request.user.has_perm("bench.add_load")
    labels = labels_of(
        study, given=len(taken), rest=len(free) - len(taken), new=len(carried) - len(taken), may_load=may_load
    )
    form = ProposedForm(
        request.POST if request.method == "POST" else None,
        labels=labels,
        said_by_levels=set.intersection(*(set(made_of(levels)) for levels in carried)),
        initial=usual_details(study),
    )
    if request.method == "POST" and form.is_valid():
        try:
            done = put_up_proposed(
                study=study,
                arms=arms,
                title=f"Load proposed on {day_of(found)}",
                note=f"Proposed by the analysis of {day_of(found)}.",
                by=request.user,
                seed=secrets.randbelow(2**31),
                waiting=free if form.cleaned_data.get("use_waiting") else (),
                takes_out_rest=form.cleaned_data.get("take_out", False),
                makes_load=form.cleaned_data.get("new_load", False),
                has_controls=form.cleaned_data.get("with_controls", False),
                **form.details,
            )
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            return said(request, found, done)
    context = {
        "study": study,
        "analysis": found,
        "form": form,
        "lacking": len(carried),
        "arms": arms_in_words(carried),
        "waiting": free,
        "given": len(taken),
        "new": len(carried) - len(taken),
        "is_made_as_levels_say": not form.fields.keys() - set(BOXES),
        "loads": sorted({coupon.load_place.load.name for coupon in free}),
    }
    return render(request, "results/next_coupons.html", context)


def day_of(found: Analysis) -> str:
    """The day of an analysis, as histories name it."""
    return date_format(localtime(found.requested_at), "j M Y")


def arms_in_words(carried: Any) -> dict[str, Any]:
    """The factors, and each set of levels with its number of coupons."""
    factors = list(dict.fromkeys(factor for levels in carried for factor in levels))
    rows: dict[tuple[str, ...], int] = {}
    for levels in carried:
        names = tuple(levels[factor].name if factor in levels else "any" for factor in factors)
        rows[names] = rows.get(names, 0) + 1
    return {"factors": factors, "rows": rows}


def said(request: HttpRequest, found: Analysis, done: PutUp) -> HttpResponse:
    """What was done, and where to go on: the list of repairs; new coupons without a load want one first."""
    made, given = done.added.made, done.added.given
    if given:
        codes = ", ".join(sorted(coupon.code for coupon in given))
        messages.success(request, f"{counted(len(given), 'waiting coupon')} got the proposed levels: {codes}.")
    if done.taken_out:
        codes = ", ".join(sorted(coupon.code for coupon in done.taken_out))
        messages.info(request, f"Left their load without levels, and wait for the next proposal: {codes}.")
    if made:
        codes = ", ".join(coupon.code for coupon in made)
        added = f"{counted(len(made), 'coupon')} added under codes drawn at random: {codes}."
        controls = f" With {counted(len(done.controls), 'control')}." if done.controls else ""
        placed = f" They travel in {done.load.name}.{controls}" if done.load else ""
        messages.success(request, f"{added}{placed}")
    if made and done.load is None:
        messages.info(request, "Put them into a load now, or later from the study’s page.")
        # A load takes them at once; whoever leaves that page has the coupons all the same.
        chosen = QueryDict(mutable=True)
        chosen.setlist("selected", [str(coupon.pk) for coupon in made])
        return redirect(f"{reverse('add-load', args=[found.study.code])}?{chosen.urlencode()}")
    return redirect("allocation", done.allocation.pk)
