"""Loads: coupons that travel together, and their places."""

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from labbench.studies.models import Coupon, Study


class Load(models.Model):
    """Coupons that travel together through a profile."""

    class State(models.TextChoices):
        PLANNED = "planned", "planned"
        RUNNING = "running", "running"
        DONE = "done", "done"

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="loads")
    name = models.CharField(max_length=200)
    profile = models.ForeignKey(
        "lab.ThermalProfile", on_delete=models.PROTECT, null=True, blank=True, related_name="loads"
    )
    state = models.CharField(max_length=8, choices=State, default=State.PLANNED)
    ready_at = models.DateTimeField(null=True, blank=True)
    due_at = models.DateTimeField(null=True, blank=True)
    priority = models.PositiveSmallIntegerField(
        default=1, help_text="A load of priority 2 counts twice where chambers are planned, and so on up to 9."
    )
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["study", "name"]
        constraints = [
            models.UniqueConstraint(fields=["study", "name"], name="load_name_is_unique_per_study"),
            models.CheckConstraint(condition=Q(state__in=["planned", "running", "done"]), name="load_state_is_known"),
            models.CheckConstraint(condition=Q(due_at__gt=F("ready_at")), name="load_due_after_ready"),
            models.CheckConstraint(condition=Q(priority__range=(1, 9)), name="load_priority_1_to_9"),
        ]

    def __str__(self) -> str:
        return self.name


class LoadPlace(models.Model):
    """A coupon's place in its load; a coupon travels in one load only."""

    load = models.ForeignKey(Load, on_delete=models.CASCADE, related_name="places")
    coupon = models.OneToOneField(Coupon, on_delete=models.PROTECT, related_name="load_place")
    place = models.PositiveSmallIntegerField("place in the chamber", null=True, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["load", "place"]
        constraints = [models.UniqueConstraint(fields=["load", "place"], name="load_place_is_taken_once")]

    def __str__(self) -> str:
        return f"{self.coupon} in {self.load}"
