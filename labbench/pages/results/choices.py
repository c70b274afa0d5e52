"""Choosing what an analysis looks at: measured values in place of names, coupons that a deviation touched left out."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import permission_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from labbench.analysis.choices import TOUCHED, TouchedCoupons, touched_coupons
from labbench.analysis.covariates import MeasuredColumn, is_source, measured_columns, measured_values
from labbench.analysis.services import request_analysis
from labbench.analysis.sheets import StudySheet, study_sheet
from labbench.bench.doses import dose_counts, recompute_study
from labbench.bench.models import Deviation
from labbench.formats.date_texts import day_text
from labbench.formats.number_texts import interval_text, number_text, told
from labbench.pages.refusals import add_refusal
from labbench.pages.results.forms import ChoiceForm
from labbench.reports.wording import counted, factor_label, listed
from labbench.studies.blinding import is_blinded
from labbench.studies.models import Factor, Study

MOST_DEVIATIONS_LISTED = 60


@dataclass(frozen=True, slots=True)
class MeasuredRow:
    """A measured value that could be entered."""

    choice: Any
    label: str
    words: str
    known: int
    of: int
    span: str
    levels: int
    how: str
    comes_from: str


@require_http_methods(["GET", "HEAD", "POST"])
@permission_required("analysis.add_analysis", raise_exception=True)
def choose_analysis(request: HttpRequest, code: str) -> HttpResponse:
    """What to look at; then the analysis is asked for, and its page shows how far it is."""
    study = get_object_or_404(Study, code=code)
    if is_blinded(request.user, study):
        return render(request, "results/blind.html", {"study": study})
    drawn, touched = study_sheet(study), touched_coupons(study)
    factors = list(study.factors.all())
    columns = measured_columns(measured_values(study), drawn.coupon_ids)
    # A link may tick something beforehand.
    ticked = {name: request.GET.getlist(name) for name in ChoiceForm.base_fields}
    form = ChoiceForm(
        request.POST if request.method == "POST" else None,
        options=options(study, drawn, touched, factors, columns),
        initial=ticked,
    )
    if form.is_valid():
        try:
            asked = request_analysis(study=study, by=request.user, choice=form.choice())
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            return redirect("analysis", asked.pk) if asked.choice else redirect("study-results", study.code)
    return render(
        request,
        "results/choose.html",
        {
            "study": study,
            "form": form,
            "measured": measured_rows(form, columns, factors, drawn),
            "doses": dose_counts(study),
            "may_recompute": request.user.has_perm("bench.change_repair"),
        },
    )


def options(
    study: Study,
    drawn: StudySheet,
    touched: TouchedCoupons,
    factors: list[Factor],
    columns: tuple[MeasuredColumn, ...],
) -> dict[str, list[tuple[Any, str]]]:
    """What may be ticked, with how many coupons it is about."""
    inside = set(drawn.coupon_ids)
    kinds = Counter(kind for pk, found in touched.kinds.items() if pk in inside for kind in found)
    order = sorted(kinds, key=lambda kind: (kind not in TOUCHED, kind))
    deviations = Deviation.objects.filter(
        study=study, pk__in=[pk for pk, ids in touched.by_deviation.items() if ids & inside]
    )
    rows = deviations.select_related("load", "coupon").order_by("-happened_at")[:MOST_DEVIATIONS_LISTED]
    return {
        "measured": [(column.name, factor_label(column.name)) for column in columns],
        "without": [(factor.name, factor_label(factor.name)) for factor in factors],
        "kinds": [(kind, f"{Deviation.Kind(kind).label} ({counted(kinds[kind], 'coupon')})") for kind in order],
        "deviations": [(row.pk, deviation_words(row)) for row in rows],
        "loads": [
            (name, f"{name} ({counted(len(ids & inside), 'coupon')})")
            for name, ids in sorted(touched.by_load.items())
            if ids & inside
        ],
    }


def deviation_words(row: Deviation) -> str:
    about = row.coupon.code if row.coupon else row.load.name if row.load else "the study"
    text = row.description if len(row.description) <= 90 else f"{row.description[:89].rstrip()}…"
    return f"{day_text(timezone.localtime(row.happened_at))}, {about}: {row.get_kind_display()}. {text}"


def measured_rows(
    form: forms.Form, columns: tuple[MeasuredColumn, ...], factors: list[Factor], drawn: StudySheet
) -> list[MeasuredRow]:
    is_test = drawn.sheet.is_test
    rows = []
    for choice, column in zip(form["measured"], columns, strict=True):
        known = [value for value, test in zip(column.values, is_test, strict=True) if test and value is not None]
        sources = [factor_label(factor.name) for factor in factors if is_source(factor, column.measured)]
        rows.append(
            MeasuredRow(
                choice,
                factor_label(column.name),
                column.measured.words,
                len(known),
                int(is_test.sum()),
                span_words(column.name, known),
                len(column.groups.groups),
                column.groups.how,
                listed(sources) if sources else "",
            )
        )
    return rows


def span_words(name: str, known: list[float]) -> str:
    if not known:
        return ""
    (low, unit), (high, _) = told(name, min(known)), told(name, max(known))
    return interval_text(low, high, unit)


@require_POST
@permission_required("bench.change_repair", raise_exception=True)
def recompute_doses(request: HttpRequest, code: str) -> HttpResponse:
    """Bring all doses of a study up to date."""
    study = get_object_or_404(Study, code=code)
    if is_blinded(request.user, study):
        return render(request, "results/blind.html", {"study": study})
    try:
        changed = recompute_study(study=study, by=request.user)
    except ValidationError as refused:
        messages.error(request, " ".join(refused.messages))
    else:
        messages.success(
            request,
            f"{number_text(changed)} dose{'' if changed == 1 else 's'} computed; their history keeps what stood before.",
        )
    return redirect("choose-analysis", study.code)
