"""Curing lamps."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords


class JudgedBy(models.TextChoices):
    """The figure of a survey that a lamp's output is judged by."""

    COLDEST = "coldest", "the coldest point"
    MEAN = "mean", "the mean over the points"


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
    least_irradiance_mw_cm2 = models.FloatField(
        "least irradiance (mW/cm²)",
        null=True,
        blank=True,
        help_text="The lab’s own limit: a lamp that gives less at the glass is not used for repairs.",
    )
    least_irradiance_at = models.CharField(
        "judged by", max_length=8, choices=JudgedBy, default=JudgedBy.COLDEST, help_text="Of each survey."
    )
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
            models.CheckConstraint(
                condition=Q(least_irradiance_mw_cm2__gt=0), name="lamp_least_irradiance_is_positive"
            ),
            models.CheckConstraint(
                condition=Q(least_irradiance_at__in=["coldest", "mean"]), name="lamp_judged_by_is_known"
            ),
            models.CheckConstraint(condition=Q(retired_on__gte=F("in_service_on")), name="lamp_retired_after_service"),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def fades(self) -> bool:
        """Whether its output falls steadily with hours run; a tube holds and then fails, the sun keeps no hours."""
        return self.emitter_kind in {self.Emitter.LED, self.Emitter.OTHER}


class HoursReading(models.Model):
    """What a lamp's hours counter showed."""

    lamp = models.ForeignKey(Lamp, on_delete=models.PROTECT, related_name="hours_readings")
    read_at = models.DateTimeField()
    hours_h = models.FloatField("hours run (h)")
    read_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="hours_readings")
    note = models.CharField(max_length=200, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-read_at"]
        constraints = [
            models.UniqueConstraint(fields=["lamp", "read_at"], name="hours_reading_once_a_moment"),
            models.CheckConstraint(condition=Q(hours_h__gte=0, hours_h__lte=1_000_000), name="hours_reading_in_range"),
        ]

    def __str__(self) -> str:
        return f"{self.lamp.code} at {self.hours_h:g} h"


class LampReplacement(models.Model):
    """A part of a lamp that gives the light, or drives it, was renewed: a new life of the lamp begins."""

    class Part(models.TextChoices):
        TUBE = "tube", "tube"
        EMITTERS = "emitters", "emitters"
        BATTERY = "battery", "battery"
        SUPPLY = "supply", "power supply"
        OTHER = "other", "other"

    lamp = models.ForeignKey(Lamp, on_delete=models.PROTECT, related_name="replacements")
    replaced_at = models.DateTimeField()
    part = models.CharField("what was renewed", max_length=10, choices=Part)
    hours_before_h = models.FloatField("counter before (h)")
    hours_after_h = models.FloatField("counter after (h)")
    replaced_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="lamp_replacements"
    )
    reason = models.CharField("why", max_length=200)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-replaced_at"]
        constraints = [
            models.UniqueConstraint(fields=["lamp", "replaced_at"], name="replacement_once_a_moment"),
            models.CheckConstraint(
                condition=Q(part__in=["tube", "emitters", "battery", "supply", "other"]),
                name="replacement_part_is_known",
            ),
            models.CheckConstraint(
                condition=Q(hours_before_h__gte=0, hours_after_h__gte=0), name="replacement_hours_not_negative"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_part_display()} of {self.lamp.code} renewed"

    @property
    def in_words(self) -> str:
        """As a clause: "tube was renewed", "emitters were renewed"."""
        what = "part" if self.part == self.Part.OTHER else self.get_part_display()
        return f"{what} {'were' if self.part == self.Part.EMITTERS else 'was'} renewed"
