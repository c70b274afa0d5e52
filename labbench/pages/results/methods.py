"""How the numbers are computed, in the open."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from labbench.code_version import code_version
from labbench.science.methods import METHODS


@require_GET
def methods(request: HttpRequest) -> HttpResponse:
    """Every method with its formula, source and how it was checked."""
    return render(request, "results/methods.html", {"methods": METHODS, "code_version": code_version()})
