"""A load on its way: set out, back, and the last step taken back. Each function is one transaction."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from labbench.bench.models import Load
from labbench.bench.services import UNDONE
from labbench.lab.records import keep


@transaction.atomic
def start_load(*, load: Load, by: Any) -> Load:
    """The load sets out on its rounds. ValidationError if it is under way, or has no coupon."""
    load = Load.objects.select_for_update(of=("self",)).get(pk=load.pk)
    if load.state != Load.State.PLANNED:
        raise ValidationError(f"Load {load.name} is {load.get_state_display()} already.")
    if not load.places.exists():
        raise ValidationError(f"Load {load.name} has no coupon yet.")
    load.state = Load.State.RUNNING
    return keep(load, by=by, reason="started")


@transaction.atomic
def finish_load(*, load: Load, by: Any) -> Load:
    """The load has been through its rounds. ValidationError if it is not under way."""
    load = Load.objects.select_for_update(of=("self",)).get(pk=load.pk)
    if load.state != Load.State.RUNNING:
        raise ValidationError(f"Load {load.name} is {load.get_state_display()}; only a running load is finished.")
    load.state = Load.State.DONE
    return keep(load, by=by, reason="finished")


@transaction.atomic
def step_back_load(*, load: Load, by: Any) -> Load:
    """Take back the last start or finish of a load."""
    load = Load.objects.select_for_update(of=("self",)).get(pk=load.pk)
    if load.state == Load.State.PLANNED:
        raise ValidationError(f"Load {load.name} has not started.")
    load.state = Load.State.RUNNING if load.state == Load.State.DONE else Load.State.PLANNED
    return keep(load, by=by, reason=UNDONE)
