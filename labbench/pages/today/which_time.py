"""The hour that comes twice when the clock goes back: which of the two was meant."""

from __future__ import annotations

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from labbench.formats.date_texts import clock_text
from labbench.pages.local_times import ComesTwice


def ask_which(request: HttpRequest, form: forms.Form) -> HttpResponse | None:
    """A page that asks which time a form means, and sends everything else as it was; None where nothing came twice."""
    if not form.is_bound:
        return None
    for name, faults in form.errors.as_data().items():
        for fault in faults:
            if isinstance(fault, ComesTwice):
                return render(request, "today/which_time.html", context_of(request, name, fault))
    return None


def context_of(request: HttpRequest, name: str, fault: ComesTwice) -> dict[str, object]:
    left_out = {name, "csrfmiddlewaretoken"}
    return {
        "address": request.get_full_path(),
        "name": name,
        "kept": [(key, value) for key in request.POST if key not in left_out for value in request.POST.getlist(key)],
        "readings": [(reading, clock_text(reading)) for reading in fault.readings],
    }
