"""How long lamps burned in the cures that were recorded."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db.models import Count, Sum

from labbench.bench.models import Repair
from labbench.lab.models import Lamp


def cures_since(lamp: Lamp, at: datetime | None) -> tuple[int, float]:
    """Cures under a lamp since a moment (all, without one), and their hours in all. Warming up and surveys come on top."""
    rows: Any = Repair.objects.filter(lamp=lamp)
    if at is not None:
        rows = rows.filter(repaired_at__gt=at)
    found = rows.aggregate(cures=Count("pk"), seconds=Sum("cure_time_s"))
    return found["cures"], (found["seconds"] or 0.0) / 3600
