"""People who sign in."""

from typing import Any

from django.contrib.auth.models import AbstractUser
from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from labbench.lab.roles import Role


class Person(AbstractUser):
    """Somebody of the lab, or a guest who only reads."""

    role = models.CharField(max_length=12, choices=Role, default=Role.GUEST)
    history = HistoricalRecords(excluded_fields=["password", "last_login"])

    class Meta(AbstractUser.Meta):
        verbose_name = "person"
        verbose_name_plural = "people"
        constraints = [models.CheckConstraint(condition=Q(role__in=Role.values), name="person_role_is_known")]

    def __str__(self) -> str:
        return self.get_full_name() or self.username

    def save(self, *args: Any, **kwargs: Any) -> None:
        # A lab lead keeps the catalogue in the administration pages.
        self.is_staff = self.is_superuser or self.role == Role.LEAD
        super().save(*args, **kwargs)
