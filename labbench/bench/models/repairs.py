"""Repairs and cures."""

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from labbench.studies.models import Coupon

UNDER_THE_LAMP = (MinValueValidator(-2000), MaxValueValidator(2000))


class Repair(models.Model):
    """The repair and cure of one coupon; a coupon is repaired once."""

    coupon = models.OneToOneField(Coupon, on_delete=models.PROTECT, related_name="repair")
    repaired_at = models.DateTimeField()
    technician = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="repairs")
    procedure_version = models.ForeignKey(
        "lab.ProcedureVersion", on_delete=models.PROTECT, null=True, blank=True, related_name="repairs"
    )
    resin_lot = models.ForeignKey("lab.ResinLot", on_delete=models.PROTECT, related_name="repairs")
    pit_resin_lot = models.ForeignKey(
        "lab.ResinLot", on_delete=models.PROTECT, null=True, blank=True, related_name="pit_repairs"
    )
    lamp = models.ForeignKey("lab.Lamp", on_delete=models.PROTECT, related_name="repairs")
    is_cover_on = models.BooleanField("cover on", default=False)
    distance_mm = models.FloatField("distance lamp to glass (mm)", null=True, blank=True)
    cure_time_s = models.FloatField("cure time (s)")
    vacuum_minutes = models.FloatField("vacuum (min)", null=True, blank=True)
    pressure_minutes = models.FloatField("pressure (min)", null=True, blank=True)
    # Where the break lay under the lamp, in the coordinates of its surveys. Checked by the validators, not by the database.
    break_x_mm = models.FloatField(
        "break from the middle, across (mm)", null=True, blank=True, validators=UNDER_THE_LAMP
    )
    break_y_mm = models.FloatField(
        "break from the middle, along (mm)", null=True, blank=True, validators=UNDER_THE_LAMP
    )
    glass_c = models.FloatField("glass temperature (°C)", null=True, blank=True)
    room_c = models.FloatField("room temperature (°C)", null=True, blank=True)
    radiometer = models.ForeignKey(
        "lab.Radiometer", on_delete=models.PROTECT, null=True, blank=True, related_name="repairs"
    )
    irradiance_mw_cm2 = models.FloatField(
        "irradiance at the glass (mW/cm²)",
        null=True,
        blank=True,
        help_text="As measured that day. Leave empty if it was not measured.",
    )
    survey = models.ForeignKey(
        "lab.LampSurvey", on_delete=models.PROTECT, null=True, blank=True, related_name="repairs"
    )
    # What the day's own reading says; the dose over the cure area is a ReceivedDose.
    dose_mj_cm2 = models.FloatField("radiant exposure (mJ/cm²)", null=True, blank=True, editable=False)
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-repaired_at"]
        constraints = [
            models.CheckConstraint(
                condition=Q(cure_time_s__gt=0, cure_time_s__lte=86_400), name="repair_cure_time_0_to_1_day"
            ),
            models.CheckConstraint(
                condition=Q(distance_mm__gte=0, distance_mm__lte=2000), name="repair_distance_0_to_2000_mm"
            ),
            models.CheckConstraint(
                condition=Q(irradiance_mw_cm2__gte=0, irradiance_mw_cm2__lte=10_000), name="repair_irradiance_in_range"
            ),
            models.CheckConstraint(condition=Q(dose_mj_cm2__gte=0), name="repair_dose_not_negative"),
            models.CheckConstraint(condition=Q(glass_c__range=(-60, 120)), name="repair_glass_temperature_in_range"),
            models.CheckConstraint(condition=Q(room_c__range=(-40, 70)), name="repair_room_temperature_in_range"),
            models.CheckConstraint(
                condition=Q(vacuum_minutes__gte=0, vacuum_minutes__lte=1440), name="repair_vacuum_0_to_1440_min"
            ),
            models.CheckConstraint(
                condition=Q(pressure_minutes__gte=0, pressure_minutes__lte=1440), name="repair_pressure_0_to_1440_min"
            ),
        ]

    def __str__(self) -> str:
        return f"repair of {self.coupon_id}"
