"""Signing in, and what becomes of a form that was sent after its session had ended."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.middleware import LoginRequiredMiddleware
from django.contrib.auth.views import LoginView
from django.core import signing
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme

from labbench.lab.sign_in import seconds_to_wait

HEADING = "Not signed in"
# What was typed is carried by the browser through the sign-in, so long and so much of it.
KEPT_FOR_S = 3600
MOST_KEPT = 100_000
SALT = "labbench.typed-before-sign-in"


class SignInForm(AuthenticationForm):
    """Says how long to wait after many wrong tries."""

    def get_invalid_login_error(self) -> ValidationError:
        assert self.request is not None  # the view gives it
        wait_s = seconds_to_wait(self.request, self.cleaned_data.get("username") or "")
        if not wait_s:
            return super().get_invalid_login_error()
        return ValidationError(
            f"Too many wrong tries for this account from here. Wait {wait_s} seconds, then try again; until then no "
            "password is looked at.",
            code="wait",
        )


class SignInView(LoginView):
    """Sign in; then, where a form came in before, send it again."""

    form_class = SignInForm
    redirect_authenticated_user = True

    def get_context_data(self, **extra: Any) -> dict[str, Any]:
        kept = self.request.POST.get("kept", "")
        context = {"error_heading": HEADING, "kept": kept, "was_lost": "was_lost" in self.request.POST}
        return super().get_context_data(**context, **extra)

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        answer = super().form_valid(form)
        if (typed := read_kept(self.request.POST.get("kept", ""))) is not None:
            return render(self.request, "registration/send_again.html", {"typed": typed, "back": answer["Location"]})
        if "was_lost" in self.request.POST:
            messages.warning(self.request, "What you had sent before was not stored; enter it again.")
        return answer


class SignInFirst(LoginRequiredMiddleware):
    """As Django's own; but a form that comes without a session is kept in the page that asks to sign in, not dropped."""

    def handle_no_permission(self, request: HttpRequest, view_func: Any) -> HttpResponseBase:  # type: ignore[override]
        if request.method != "POST" or request.headers.get("HX-Request"):
            return super().handle_no_permission(request, view_func)
        context = {
            "form": SignInForm(request),
            "next": page_before(request),
            "kept": typed_in(request),
            "was_lost": True,
            "error_heading": HEADING,
        }
        return render(request, "registration/login.html", context, status=401)


def page_before(request: HttpRequest) -> str:
    """The page that a form was sent from, where it is ours; else the list of studies."""
    before = request.headers.get("Referer", "")
    is_ours = url_has_allowed_host_and_scheme(before, {request.get_host()}, require_https=request.is_secure())
    return before if is_ours else reverse("studies")


def typed_in(request: HttpRequest) -> str:
    """What a form held, signed, "" where it is not to be carried along: with a file or a password in it, or too much."""
    fields = [(name, value) for name in request.POST for value in request.POST.getlist(name)]
    if any(request.FILES.values()) or any("password" in name for name, _ in fields):
        return ""
    fields = [(name, value) for name, value in fields if name != "csrfmiddlewaretoken"]
    kept = signing.dumps({"address": request.get_full_path(), "fields": fields}, salt=SALT, compress=True)
    return kept if len(kept) <= MOST_KEPT else ""


def read_kept(kept: str) -> dict[str, Any] | None:
    """What `typed_in` kept; None where there is nothing, or it is not ours or too old."""
    try:
        typed: dict[str, Any] = signing.loads(kept, salt=SALT, max_age=KEPT_FOR_S)
    except signing.BadSignature:
        return None
    return typed


def form_too_old(request: HttpRequest, reason: str = "") -> HttpResponse:
    """A form without a valid token: nothing of it is taken, and a way back is shown."""
    return render(request, "403_csrf.html", {"back": page_before(request)}, status=403)
