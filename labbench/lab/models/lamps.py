"""Curing lamps."""

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords


class Lamp(models.Model):
    """One curing lamp."""

    class Emitter(models.TextChoices):
        FLUORESCENT = "fluorescent", "fluorescent"
        LED = "led", "LED"
        SUNLIGHT = "sunlight", "sunlight"
        OTHER = "other", "other"

    code = models.CharField(max_length=40, unique=True)
    description = models.CharField(max_length=120, blank=True)
    emitter_kind = models.CharField(max_length=12, choices=Emitter)
    # About 365 nm (UV-A): common practice, no source.
    peak_wavelength_nm = models.FloatField("nominal peak wavelength (nm)", null=True, blank=True)
    emitters = models.PositiveSmallIntegerField("number of emitters", null=True, blank=True)
    emitter_spacing_mm = models.FloatField("emitter spacing (mm)", null=True, blank=True)
    has_cover = models.BooleanField("has a cover", default=False)
    hours_run_h = models.FloatField("hours run (h)", default=0)
    in_service_on = models.DateField(null=True, blank=True)
    retired_on = models.DateField(null=True, blank=True)
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(emitter_kind__in=["fluorescent", "led", "sunlight", "other"]), name="lamp_emitter_is_known"
            ),
            models.CheckConstraint(
                condition=Q(peak_wavelength_nm__range=(200, 800)), name="lamp_wavelength_200_to_800_nm"
            ),
            models.CheckConstraint(condition=Q(emitter_spacing_mm__gt=0), name="lamp_emitter_spacing_is_positive"),
            models.CheckConstraint(condition=Q(hours_run_h__gte=0), name="lamp_hours_not_negative"),
            models.CheckConstraint(condition=Q(retired_on__gte=F("in_service_on")), name="lamp_retired_after_service"),
        ]

    def __str__(self) -> str:
        return self.code
