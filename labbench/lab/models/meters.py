"""Radiometers and their calibrations."""

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from labbench.formats.date_texts import day_text


class Radiometer(models.Model):
    """A UV-A radiometer."""

    code = models.CharField(max_length=40, unique=True)
    description = models.CharField(max_length=120, blank=True)
    band_low_nm = models.FloatField("band from (nm)", null=True, blank=True)
    band_high_nm = models.FloatField("band to (nm)", null=True, blank=True)
    retired_on = models.DateField(null=True, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(band_high_nm__gt=F("band_low_nm")), name="radiometer_band_end_after_start"
            )
        ]

    def __str__(self) -> str:
        return self.code


class Calibration(models.Model):
    """One calibration of a radiometer: valid from its day to the day it is due."""

    radiometer = models.ForeignKey(Radiometer, on_delete=models.CASCADE, related_name="calibrations")
    calibrated_on = models.DateField()
    due_on = models.DateField()
    factor = models.FloatField("factor on readings", default=1)
    expanded_uncertainty_percent = models.FloatField("expanded uncertainty, k = 2 (%)", null=True, blank=True)
    certificate = models.CharField(max_length=80, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-calibrated_on"]
        constraints = [
            models.UniqueConstraint(fields=["radiometer", "calibrated_on"], name="calibration_day_is_unique"),
            models.CheckConstraint(condition=Q(due_on__gt=F("calibrated_on")), name="calibration_due_after_calibrated"),
            models.CheckConstraint(condition=Q(factor__gt=0), name="calibration_factor_is_positive"),
            models.CheckConstraint(
                condition=Q(expanded_uncertainty_percent__range=(0, 100)), name="calibration_uncertainty_0_to_100"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.radiometer.code} calibrated {day_text(self.calibrated_on)}"
