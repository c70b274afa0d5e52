"""When a load is ready and due, and how much it matters where chambers are planned."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction

from labbench.bench.models import Load
from labbench.bench.refusals import refuse_closed, refuse_far_ahead
from labbench.lab.records import keep


@transaction.atomic
def set_times(*, load: Load, by: Any, ready_at: datetime | None, due_at: datetime | None, priority: int) -> Load:
    """Store when a load is ready and due, and its priority. ValidationError if it is due before it is ready, or either is far ahead."""
    refuse_far_ahead(ready_at=ready_at, due_at=due_at)
    load = Load.objects.select_for_update(of=("self",), no_key=True).select_related("study").get(pk=load.pk)
    refuse_closed(load.study)
    load.ready_at, load.due_at, load.priority = ready_at, due_at, priority
    return keep(load, by=by, reason="ready, due or priority")
