"""Surveys of lamps: irradiance read point by point, and the draft while it is being read."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils import timezone
from simple_history.models import HistoricalRecords

from labbench.formats.date_texts import day_text


class ReadingUnit(models.TextChoices):
    """What the meter shows; one reading in it is so many mW/cm² (UNIT_MW_CM2), before the calibration’s factor."""

    MW_CM2 = "mw_cm2", "mW/cm²"
    W_M2 = "w_m2", "W/m²"
    UW_CM2 = "uw_cm2", "µW/cm²"
    OWN = "own", "the meter’s own"


# 1 mW/cm² = 10 W/m² = 1000 µW/cm², exact. The factor of a meter with a unit of its own carries the unit.
UNIT_MW_CM2 = {ReadingUnit.MW_CM2: 1.0, ReadingUnit.W_M2: 0.1, ReadingUnit.UW_CM2: 0.001, ReadingUnit.OWN: 1.0}


class CureArea(models.TextChoices):
    RECTANGLE = "rectangle", "rectangle"
    CIRCLE = "circle", "circle"


class SurveyConditions(models.Model):
    """How a survey is made: what is the same for all its points."""

    lamp = models.ForeignKey("lab.Lamp", on_delete=models.PROTECT, related_name="%(class)ss")
    radiometer = models.ForeignKey("lab.Radiometer", on_delete=models.PROTECT, related_name="%(class)ss")
    # The calibration whose factor was applied; None where the readings came in already corrected.
    calibration = models.ForeignKey(
        "lab.Calibration", on_delete=models.PROTECT, null=True, blank=True, related_name="%(class)ss"
    )
    reading_unit = models.CharField("readings in", max_length=8, choices=ReadingUnit, default=ReadingUnit.MW_CM2)
    calibration_factor = models.FloatField(
        "factor applied",
        default=1,
        help_text="Irradiance in mW/cm² = reading × unit × this factor. 1 where the meter applies it itself.",
    )
    distance_mm = models.FloatField("distance lamp to glass (mm)")
    is_cover_on = models.BooleanField("cover on", default=False)
    lamp_hours_h = models.FloatField("lamp hours at the survey (h)", null=True, blank=True)
    area_shape = models.CharField("cure area", max_length=10, choices=CureArea, blank=True)
    area_width_mm = models.FloatField("width or diameter of the cure area (mm)", null=True, blank=True)
    area_height_mm = models.FloatField("height of the cure area (mm)", null=True, blank=True)
    layout = models.CharField("laid out as", max_length=120, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        abstract = True

    @property
    def mw_cm2_per_reading(self) -> float:
        """What one unit of the reading is worth, factor included."""
        return UNIT_MW_CM2[ReadingUnit(self.reading_unit)] * self.calibration_factor


class LampSurvey(SurveyConditions):
    """Irradiance read point by point over the cure area of a lamp, on one day with one meter.

    A stored survey is complete. Corrections change it in place, with a reason in its history, and set `changed_at`;
    whatever was computed from it before that moment is to be computed again. A withdrawn survey counts no more.
    """

    lamp = models.ForeignKey("lab.Lamp", on_delete=models.PROTECT, related_name="surveys")
    radiometer = models.ForeignKey("lab.Radiometer", on_delete=models.PROTECT, related_name="surveys")
    surveyed_at = models.DateTimeField()
    surveyed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="surveys")
    # What was known to be wrong when it was made: the meter's calibration, its band, the spacing, the readings.
    cautions = models.JSONField(default=list, blank=True)
    changed_at = models.DateTimeField(
        null=True, blank=True, help_text="When points or conditions were last corrected or withdrawn; empty: never."
    )
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-surveyed_at"]
        indexes = [models.Index(fields=["lamp", "surveyed_at"], name="survey_lamp_day")]
        constraints = [
            models.CheckConstraint(
                condition=Q(distance_mm__gte=0, distance_mm__lte=2000), name="survey_distance_0_to_2000_mm"
            ),
            models.CheckConstraint(condition=Q(lamp_hours_h__gte=0), name="survey_lamp_hours_not_negative"),
            models.CheckConstraint(condition=Q(calibration_factor__gt=0), name="survey_factor_is_positive"),
            models.CheckConstraint(
                condition=Q(reading_unit__in=["mw_cm2", "w_m2", "uw_cm2", "own"]), name="survey_unit_is_known"
            ),
            models.CheckConstraint(condition=Q(area_shape="") | Q(area_width_mm__gt=0), name="survey_area_has_a_size"),
            models.CheckConstraint(condition=Q(withdrawn_at__gte=F("surveyed_at")), name="survey_withdrawn_after_made"),
        ]

    def __str__(self) -> str:
        return f"{self.lamp.code} surveyed {day_text(timezone.localtime(self.surveyed_at))}"


class SurveyPoint(models.Model):
    """One reading of a survey; repeats at a point carry rising reading numbers."""

    survey = models.ForeignKey(LampSurvey, on_delete=models.CASCADE, related_name="points")
    x_mm = models.FloatField("x (mm)")
    y_mm = models.FloatField("y (mm)")
    reading = models.PositiveSmallIntegerField("reading number", default=1)
    raw_reading = models.FloatField(
        "as read", null=True, blank=True, help_text="In the unit of the survey, before the calibration’s factor."
    )
    irradiance_mw_cm2 = models.FloatField("irradiance (mW/cm²)", help_text="As read × unit × factor of the survey.")
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
            models.CheckConstraint(condition=Q(raw_reading__gte=0), name="survey_point_raw_not_negative"),
        ]

    def __str__(self) -> str:
        return f"({self.x_mm:g}, {self.y_mm:g}) mm"


class SurveyDraft(SurveyConditions):
    """A survey that is being read: each reading is stored as it is typed, nothing counts until the whole is stored."""

    started_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="surveydrafts")
    started_at = models.DateTimeField(default=timezone.now)
    # [[x_mm, y_mm], ...] in the order in which they are read; a place is its position in this list.
    places = models.JSONField(default=list)

    class Meta:
        ordering = ["-started_at"]

    def __str__(self) -> str:
        return f"{self.lamp.code}, begun {day_text(timezone.localtime(self.started_at))}"


class DraftReading(models.Model):
    """One reading of a draft, in the unit of the draft."""

    draft = models.ForeignKey(SurveyDraft, on_delete=models.CASCADE, related_name="readings")
    place = models.PositiveIntegerField()
    reading = models.PositiveSmallIntegerField(default=1)
    raw_reading = models.FloatField()
    stored_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["place", "reading"]
        constraints = [
            models.UniqueConstraint(fields=["draft", "place", "reading"], name="draft_reading_is_unique"),
            models.CheckConstraint(condition=Q(raw_reading__gte=0), name="draft_reading_not_negative"),
        ]

    def __str__(self) -> str:
        return f"place {self.place + 1}, reading {self.reading}"
