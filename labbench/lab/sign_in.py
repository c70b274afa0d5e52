"""Signing in: Django's own backend, with permissions by role, and slower after many wrong tries."""

from __future__ import annotations

import hashlib
import math
import time
from typing import Any

from django.contrib.auth.backends import ModelBackend
from django.core.cache import cache
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest

from labbench.lab.roles import APPS_A_LEAD_KEEPS, Role, role_allows

# Common practice, no source: a hand that slips is not made to wait, a machine that guesses gets a few hundred tries a day.
FREE_TRIES = 5
FIRST_WAIT_S = 10
LONGEST_WAIT_S = 300
FORGOTTEN_AFTER_S = 3600


def tries_key(request: HttpRequest, username: str) -> str:
    """By account and address: nobody else is kept out, neither the same account elsewhere nor others at this address."""
    who = f"{username.casefold()}\n{request.META.get('REMOTE_ADDR', '')}"
    return f"wrong-sign-ins-{hashlib.sha256(who.encode()).hexdigest()}"


def seconds_to_wait(request: HttpRequest, username: str) -> int:
    """How long this account takes no password from this address, 0 if it does."""
    tries, last_at = cache.get(tries_key(request, username), (0, 0.0))
    if tries < FREE_TRIES:
        return 0
    wait_s = min(FIRST_WAIT_S * 2 ** min(tries - FREE_TRIES, 20), LONGEST_WAIT_S)
    return max(0, math.ceil(last_at + wait_s - time.time()))


def remember_wrong_try(request: HttpRequest, username: str) -> None:
    key = tries_key(request, username)
    tries, _ = cache.get(key, (0, 0.0))
    cache.set(key, (tries + 1, time.time()), FORGOTTEN_AFTER_S)


class RoleBackend(ModelBackend):
    """Permissions by role; the administrator (superuser) may do everything."""

    def authenticate(
        self, request: HttpRequest | None, username: str | None = None, password: str | None = None, **extra: Any
    ) -> Any:
        """The person, or None; PermissionDenied, without a look at the password, while the account has to wait."""
        if request is None or not username:
            return super().authenticate(request, username, password, **extra)
        if seconds_to_wait(request, username):
            raise PermissionDenied
        person = super().authenticate(request, username, password, **extra)
        if person is None:
            remember_wrong_try(request, username)
        else:
            cache.delete(tries_key(request, username))
        return person

    def has_perm(self, user_obj: Any, perm: str, obj: Any = None) -> bool:
        return user_obj.is_active and (user_obj.is_superuser or role_allows(getattr(user_obj, "role", ""), perm))

    def has_module_perms(self, user_obj: Any, app_label: str) -> bool:
        return user_obj.is_active and (
            user_obj.is_superuser or (getattr(user_obj, "role", "") == Role.LEAD and app_label in APPS_A_LEAD_KEEPS)
        )
