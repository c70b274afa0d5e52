"""One page for one form: what is typed is stored by a service, or told why not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from labbench.pages.meanwhile import hold
from labbench.pages.refusals import add_refusal


@dataclass(frozen=True, slots=True)
class KeepPage:
    """How the page of a form is headed, where it is, and where "Cancel" leads.

    `trail`: (words, address) of the pages above; `intro`: sentences before the form; `caution`: from pages.bench.cautions.
    """

    heading: str
    back: str
    trail: Sequence[tuple[str, str]] = ()
    intro: Sequence[str] = ()
    button: str = "Store"
    is_dangerous: bool = False
    caution: dict[str, Any] | None = None


def sent(request: HttpRequest) -> Any:
    """What was sent; an empty form that was sent is not one that was not."""
    return request.POST if request.method == "POST" else None


def kept(
    request: HttpRequest, form: forms.BaseForm, page: KeepPage, store: Callable[[], tuple[str, str]]
) -> HttpResponse:
    """Show the form; sent and valid, `store` stores it and gives where to go and what to say there."""
    if request.method == "POST" and form.is_valid():
        try:
            with transaction.atomic():
                hold(form)
                address, words = store()
        except ValidationError as refused:
            add_refusal(form, refused)
        else:
            messages.success(request, words)
            return redirect(address)
    return render(request, "catalogue/keep.html", {"form": form, "page": page} | (page.caution or {}))
