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
    own_unit = models.CharField(
        "unit of its own",
        max_length=20,
        blank=True,
        help_text="Where the meter shows none of mW/cm², W/m², µW/cm²; the calibration’s factor is then mW/cm² per unit.",
    )
    range_max_mw_cm2 = models.FloatField("end of its range (mW/cm²)", null=True, blank=True)
    resolution_mw_cm2 = models.FloatField("smallest step it shows (mW/cm²)", null=True, blank=True)
    # Half widths of what may be anywhere within them (rectangular).
    geometry_percent = models.FloatField("angle and geometry, ± (%)", null=True, blank=True)
    drift_percent = models.FloatField("drift between calibrations, ± (%)", null=True, blank=True)
    note = models.TextField(blank=True)
    retired_on = models.DateField(null=True, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(band_high_nm__gt=F("band_low_nm")), name="radiometer_band_end_after_start"
            ),
            models.CheckConstraint(condition=Q(range_max_mw_cm2__gt=0), name="radiometer_range_is_positive"),
            models.CheckConstraint(condition=Q(resolution_mw_cm2__gt=0), name="radiometer_resolution_is_positive"),
            models.CheckConstraint(condition=Q(geometry_percent__range=(0, 100)), name="radiometer_geometry_0_to_100"),
            models.CheckConstraint(condition=Q(drift_percent__range=(0, 100)), name="radiometer_drift_0_to_100"),
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
