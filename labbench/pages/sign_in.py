"""Signing in, and what becomes of a form that was sent after its session had ended."""

from __future__ import annotations

from typing import Any

from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView
from django.core.exceptions import ValidationError

from labbench.lab.sign_in import seconds_to_wait


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
    form_class = SignInForm
    redirect_authenticated_user = True
    extra_context: dict[str, Any] = {"error_heading": "Not signed in"}
