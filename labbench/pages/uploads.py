"""Refusing a body that is too large before a byte of it is read or stored."""

from __future__ import annotations

import re
from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

# Where loggers' files come in: the only addresses that take more than other uploads have.
TRACES = re.compile(r"/(?:loads|chambers)/[0-9]+/traces/")
FORM_BYTES = 2**20  # what a form holds beside its file


def most_bytes(path: str) -> int:
    """How large a body may be that is sent to an address."""
    if TRACES.fullmatch(path):
        return settings.MAX_TRACE_BYTES + FORM_BYTES
    return settings.MAX_UPLOAD_BYTES


def too_large_words(size: int | None, path: str) -> str:
    """Why a body is refused."""
    of = f" of {size / 2**20:,.0f} MB" if size else ""
    return f"The upload{of} is more than the {most_bytes(path) // 2**20} MB that are taken at once."


class RefuseLargeBodies:
    """The server that comes with the application refuses while such a body is being sent; this holds behind any other."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        stated = request.META.get("CONTENT_LENGTH") or "0"
        size = int(stated) if stated.isascii() and stated.isdigit() else 0
        if size <= most_bytes(request.path):
            return self.get_response(request)
        return render(request, "413.html", {"reason": too_large_words(size, request.path)}, status=413)
