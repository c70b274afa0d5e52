"""Refusing a body that is too large before a byte of it is read or stored."""

from __future__ import annotations

from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render


class RefuseLargeBodies:
    """The server that comes with the application refuses while such a body is being sent; this holds behind any other."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        stated = request.META.get("CONTENT_LENGTH") or "0"
        size = int(stated) if stated.isascii() and stated.isdigit() else 0
        if size <= settings.MAX_UPLOAD_BYTES:
            return self.get_response(request)
        limit = settings.MAX_UPLOAD_BYTES // 2**20
        reason = f"The upload of {size / 2**20:,.0f} MB is more than the {limit} MB that are taken at once."
        return render(request, "413.html", {"reason": reason}, status=413)
