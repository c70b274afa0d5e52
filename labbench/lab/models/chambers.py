"""Thermal profiles, chambers and their closures."""

from django.db import models
from django.db.models import F, Q
from django.utils import timezone
from simple_history.models import HistoricalRecords

from labbench.formats.date_texts import moment_text


class StepKind(models.TextChoices):
    FREEZE = "freeze", "freeze soak"
    HEAT = "heat", "heat soak"
    COOL = "cool", "cool-down"
    HOLD = "hold", "hold"


class ThermalProfile(models.Model):
    """Steps that make a round, how many rounds, and how long a transfer may take. A changed profile is a new version."""

    name = models.CharField(max_length=80)
    version = models.PositiveSmallIntegerField(default=1)
    rounds = models.PositiveSmallIntegerField(default=3)
    max_transfer_minutes = models.PositiveIntegerField("longest transfer (min)", default=10)
    is_common_practice = models.BooleanField("common practice, no published source", default=False)
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["name", "-version"]
        constraints = [
            models.UniqueConstraint(fields=["name", "version"], name="profile_version_is_unique"),
            models.CheckConstraint(condition=Q(rounds__range=(1, 1000)), name="profile_rounds_1_to_1000"),
        ]

    def __str__(self) -> str:
        return f"{self.name} v{self.version}"


class ProfileStep(models.Model):
    """One soak of a round."""

    profile = models.ForeignKey(ThermalProfile, on_delete=models.CASCADE, related_name="steps")
    number = models.PositiveSmallIntegerField("step")
    name = models.CharField(max_length=60)
    kind = models.CharField(max_length=8, choices=StepKind)
    air_set_point_c = models.FloatField("air set-point (°C)", null=True, blank=True)
    target_c = models.FloatField("coupon target (°C)", null=True, blank=True)
    tolerance_k = models.FloatField("tolerance (K)", null=True, blank=True)
    min_minutes = models.PositiveIntegerField("least soak (min)")
    max_minutes = models.PositiveIntegerField("longest soak (min)", null=True, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["profile", "number"]
        constraints = [
            models.UniqueConstraint(fields=["profile", "number"], name="profile_step_number_is_unique"),
            models.CheckConstraint(condition=Q(kind__in=StepKind.values), name="profile_step_kind_is_known"),
            models.CheckConstraint(condition=Q(number__gte=1), name="profile_step_from_1"),
            models.CheckConstraint(
                condition=Q(max_minutes__gte=F("min_minutes")), name="profile_step_longest_not_below_least"
            ),
            models.CheckConstraint(condition=Q(tolerance_k__gt=0), name="profile_step_tolerance_is_positive"),
            models.CheckConstraint(
                condition=Q(air_set_point_c__isnull=True) | Q(air_set_point_c__range=(-100, 300)),
                name="profile_step_air_in_range",
            ),
            models.CheckConstraint(
                condition=Q(target_c__isnull=True) | Q(target_c__range=(-100, 300)), name="profile_step_target_in_range"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.number} {self.name}"


class Chamber(models.Model):
    """A freezer, an oven, a cool-down bench, or a programmable chamber that runs a whole profile."""

    class Kind(models.TextChoices):
        FREEZE = "freeze", "freezer"
        HEAT = "heat", "oven"
        COOL = "cool", "cool-down bench"
        CYCLER = "cycler", "programmable chamber"

    code = models.CharField(max_length=40, unique=True)
    kind = models.CharField(max_length=8, choices=Kind)
    capacity_coupons = models.PositiveIntegerField("capacity (coupon places)")
    lowest_c = models.FloatField("lowest air temperature (°C)", null=True, blank=True)
    highest_c = models.FloatField("highest air temperature (°C)", null=True, blank=True)
    calibration_due_on = models.DateField(null=True, blank=True)
    retired_on = models.DateField(null=True, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["code"]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind__in=["freeze", "heat", "cool", "cycler"]), name="chamber_kind_is_known"
            ),
            models.CheckConstraint(condition=Q(capacity_coupons__gte=1), name="chamber_has_places"),
            models.CheckConstraint(condition=Q(highest_c__gt=F("lowest_c")), name="chamber_highest_above_lowest"),
        ]

    def __str__(self) -> str:
        return self.code


class ChamberClosure(models.Model):
    """A time in which a chamber can't be used."""

    chamber = models.ForeignKey(Chamber, on_delete=models.CASCADE, related_name="closures")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    reason = models.CharField(max_length=120, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["starts_at"]
        constraints = [models.CheckConstraint(condition=Q(ends_at__gt=F("starts_at")), name="closure_ends_after_start")]

    def __str__(self) -> str:
        return f"{self.chamber.code} closed {moment_text(timezone.localtime(self.starts_at))}"
