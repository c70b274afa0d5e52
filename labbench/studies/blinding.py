"""Who must not know which arm a coupon belongs to."""

from __future__ import annotations

from typing import Any

from django.db.models import Q

from labbench.lab.roles import Role
from labbench.studies.models import Study


def inspects_blind(person: Any) -> bool:
    """Whether this person inspects, and so must not see the arms of the blind studies that are open."""
    return not person.is_superuser and getattr(person, "role", "") == Role.TECHNICIAN


def is_blinded(person: Any, study: Study) -> bool:
    """Whether this person inspects in the study and so must not see levels and repairs while it is open."""
    return study.is_blind and study.state != Study.State.CLOSED and inspects_blind(person)


def hidden_from(person: Any, path: str = "") -> Q:
    """The same as a condition on rows; `path` leads from them to the study, e.g. ``coupon__study__``."""
    if not inspects_blind(person):
        return Q(pk__in=[])
    return Q(**{f"{path}is_blind": True}) & ~Q(**{f"{path}state": Study.State.CLOSED})
