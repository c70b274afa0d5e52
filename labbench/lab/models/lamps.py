"""Curing lamps and their surveys."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from labbench.formats.date_texts import day_text


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


class LampSurvey(models.Model):
    """Irradiance read point by point over the cure area of a lamp, on one day with one meter."""

    lamp = models.ForeignKey(Lamp, on_delete=models.PROTECT, related_name="surveys")
    radiometer = models.ForeignKey("lab.Radiometer", on_delete=models.PROTECT, related_name="surveys")
    surveyed_at = models.DateTimeField()
    surveyed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="surveys")
    distance_mm = models.FloatField("distance lamp to glass (mm)")
    is_cover_on = models.BooleanField("cover on", default=False)
    lamp_hours_h = models.FloatField("lamp hours at the survey (h)", null=True, blank=True)
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-surveyed_at"]
        indexes = [models.Index(fields=["lamp", "surveyed_at"], name="survey_lamp_day")]
        constraints = [
            models.CheckConstraint(
                condition=Q(distance_mm__gte=0, distance_mm__lte=2000), name="survey_distance_0_to_2000_mm"
            ),
            models.CheckConstraint(condition=Q(lamp_hours_h__gte=0), name="survey_lamp_hours_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.lamp.code} surveyed {day_text(self.surveyed_at)}"


class SurveyPoint(models.Model):
    """One reading of a survey; repeats at a point carry rising reading numbers."""

    survey = models.ForeignKey(LampSurvey, on_delete=models.CASCADE, related_name="points")
    x_mm = models.FloatField("x (mm)")
    y_mm = models.FloatField("y (mm)")
    reading = models.PositiveSmallIntegerField("reading number", default=1)
    irradiance_mw_cm2 = models.FloatField("irradiance (mW/cm²)")
    history = HistoricalRecords()

    class Meta:
        ordering = ["survey", "y_mm", "x_mm", "reading"]
        constraints = [
            models.UniqueConstraint(
                fields=["survey", "x_mm", "y_mm", "reading"], name="survey_point_reading_is_unique"
            ),
            models.CheckConstraint(
                condition=Q(irradiance_mw_cm2__gte=0, irradiance_mw_cm2__lte=10_000),
                name="survey_point_irradiance_in_range",
            ),
        ]

    def __str__(self) -> str:
        return f"({self.x_mm:g}, {self.y_mm:g}) mm"
