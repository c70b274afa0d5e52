"""Strength tests: the break of a coupon."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from labbench.studies.models import Coupon


class StrengthTest(models.Model):
    """The break of one coupon; the stress from load and geometry, or as the test house reported it."""

    class Method(models.TextChoices):
        FOUR_POINT = "four_point", "four-point bending"
        THREE_POINT = "three_point", "three-point bending"
        RING_ON_RING = "ring_on_ring", "ring on ring"
        REPORTED = "reported", "stress as reported"

    class Origin(models.TextChoices):
        AT_REPAIR = "at_repair", "at the repair"
        ELSEWHERE = "elsewhere", "elsewhere"
        NOT_KNOWN = "not_known", "not known"

    coupon = models.OneToOneField(Coupon, on_delete=models.PROTECT, related_name="strength_test")
    method = models.CharField(max_length=14, choices=Method)
    force_n = models.FloatField("force at fracture (N)", null=True, blank=True)
    width_mm = models.FloatField("width (mm)", null=True, blank=True)
    thickness_mm = models.FloatField("thickness (mm)", null=True, blank=True)
    outer_span_mm = models.FloatField("support span or ring diameter (mm)", null=True, blank=True)
    inner_span_mm = models.FloatField("load span or ring diameter (mm)", null=True, blank=True)
    plate_mm = models.FloatField("plate diameter (mm)", null=True, blank=True)
    stress_mpa = models.FloatField("fracture stress (MPa)")
    origin = models.CharField("fracture origin", max_length=10, choices=Origin, default=Origin.NOT_KNOWN)
    is_machine_limit = models.BooleanField("machine limit reached, coupon did not break", default=False)
    tested_at = models.DateTimeField()
    tested_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="strength_tests")
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-tested_at"]
        constraints = [
            models.CheckConstraint(
                condition=Q(method__in=["four_point", "three_point", "ring_on_ring", "reported"]),
                name="strength_method_is_known",
            ),
            models.CheckConstraint(
                condition=Q(origin__in=["at_repair", "elsewhere", "not_known"]), name="strength_origin_is_known"
            ),
            models.CheckConstraint(
                condition=Q(stress_mpa__gt=0, stress_mpa__lte=5000), name="strength_stress_0_to_5000_mpa"
            ),
            models.CheckConstraint(condition=Q(force_n__gt=0), name="strength_force_is_positive"),
            models.CheckConstraint(condition=Q(width_mm__gt=0), name="strength_width_is_positive"),
            models.CheckConstraint(condition=Q(thickness_mm__gt=0), name="strength_thickness_is_positive"),
            models.CheckConstraint(condition=Q(outer_span_mm__gt=0), name="strength_outer_span_is_positive"),
            models.CheckConstraint(condition=Q(inner_span_mm__gt=0), name="strength_inner_span_is_positive"),
            models.CheckConstraint(
                condition=Q(outer_span_mm__gt=F("inner_span_mm")), name="strength_outer_span_above_inner"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.stress_mpa:g} MPa"
