"""Signing in: Django's own backend, with permissions by role."""

from typing import Any

from django.contrib.auth.backends import ModelBackend

from labbench.lab.roles import APPS_A_LEAD_KEEPS, Role, role_allows


class RoleBackend(ModelBackend):
    """Permissions by role; the administrator (superuser) may do everything."""

    def has_perm(self, user_obj: Any, perm: str, obj: Any = None) -> bool:
        return user_obj.is_active and (user_obj.is_superuser or role_allows(getattr(user_obj, "role", ""), perm))

    def has_module_perms(self, user_obj: Any, app_label: str) -> bool:
        return user_obj.is_active and (
            user_obj.is_superuser or (getattr(user_obj, "role", "") == Role.LEAD and app_label in APPS_A_LEAD_KEEPS)
        )
