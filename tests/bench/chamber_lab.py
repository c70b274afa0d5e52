"""A small lab with chambers, hours and loads, for tests of plans and bookings."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.utils import timezone

from labbench.bench.models import Load, LoadPlace
from labbench.lab.models import Chamber, ProfileStep, StaffedWindow, ThermalProfile
from tests import factories

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)


def chamber(code, kind, capacity=12, **details):
    return Chamber.objects.create(code=code, kind=kind, capacity_coupons=capacity, **details)


def chambers():
    """A freezer, an oven, a bench."""
    return chamber("F-1", "freeze"), chamber("O-1", "heat"), chamber("B-1", "cool", 24)


def profile(rounds=2, transfer=10, name="Freeze and heat", steps=None):
    made = ThermalProfile.objects.create(name=name, rounds=rounds, max_transfer_minutes=transfer)
    steps = steps or (
        ("freeze", "freeze", -20.0, 480, 960),
        ("heat", "heat", 70.0, 120, 180),
        ("cool", "cool", 21.0, 30, 960),
    )
    for number, (step, kind, air_c, least, most) in enumerate(steps, start=1):
        ProfileStep.objects.create(
            profile=made,
            number=number,
            name=step,
            kind=kind,
            air_set_point_c=air_c,
            min_minutes=least,
            max_minutes=most,
        )
    return made


def staffed(weekdays=range(5), start=7 * 60, end=18 * 60):
    for weekday in weekdays:
        StaffedWindow.objects.create(weekday=weekday, from_minutes=start, to_minutes=end)


def load(study, name="Load 1", coupons=6, **details):
    made = Load.objects.create(study=study, name=name, **details)
    for place in range(1, coupons + 1):
        LoadPlace.objects.create(load=made, coupon=factories.coupon(study, stage="repaired"), place=place)
    return made


def monday(hour=8, minute=0, weeks=1):
    """A Monday to come, by the lab's clock."""
    today = timezone.localtime()
    day = (today + timedelta(days=7 * weeks - today.weekday())).date()
    return timezone.make_aware(datetime(day.year, day.month, day.day, hour, minute))
