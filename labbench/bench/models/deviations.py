"""Deviations: what did not go by the profile or the procedure."""

from django.conf import settings
from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from labbench.bench.models.loads import Load
from labbench.studies.models import Coupon, Study


class Deviation(models.Model):
    """Anything that did not go by the profile or the procedure."""

    class Kind(models.TextChoices):
        LATE_TRANSFER = "late_transfer", "late transfer"
        SOAK = "soak", "soak short or long"
        CHAMBER = "chamber", "chamber fault or power cut"
        RESIN_EXPIRED = "resin_expired", "resin lot expired"
        CALIBRATION_OVERDUE = "calibration_overdue", "meter calibration overdue"
        SURVEY_OLD = "survey_old", "lamp survey missing or too old"
        ALLOCATION = "allocation", "not as allocated"
        REALLOCATED = "reallocated", "allocation changed after the lock"
        HANDLING = "handling", "broken or damaged in handling"
        BLINDING = "blinding", "inspector knew the repair"
        INSPECTION = "inspection", "inspection forgotten"
        OTHER = "other", "other"

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="deviations")
    load = models.ForeignKey(Load, on_delete=models.PROTECT, null=True, blank=True, related_name="deviations")
    coupon = models.ForeignKey(Coupon, on_delete=models.PROTECT, null=True, blank=True, related_name="deviations")
    # The move or the failure that a rule found it at: it goes when that is taken back.
    booking = models.ForeignKey(
        "bench.Booking", on_delete=models.SET_NULL, null=True, blank=True, editable=False, related_name="deviations"
    )
    failure = models.ForeignKey(
        "bench.ChamberFailure",
        on_delete=models.SET_NULL,
        null=True,
        blank=True,
        editable=False,
        related_name="deviations",
    )
    kind = models.CharField(max_length=20, choices=Kind)
    happened_at = models.DateTimeField()
    description = models.TextField()
    reason = models.TextField("why it happened", blank=True)
    is_found_by_rule = models.BooleanField("found by a rule", default=False, editable=False)
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="deviations")
    recorded_at = models.DateTimeField()
    history = HistoricalRecords()

    class Meta:
        ordering = ["-happened_at"]
        indexes = [
            models.Index(fields=["study", "happened_at"], name="deviation_study_time"),
            models.Index(fields=["happened_at"], name="deviation_time"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(
                    kind__in=[
                        "late_transfer",
                        "soak",
                        "chamber",
                        "resin_expired",
                        "calibration_overdue",
                        "survey_old",
                        "allocation",
                        "reallocated",
                        "handling",
                        "blinding",
                        "inspection",
                        "other",
                    ]
                ),
                name="deviation_kind_is_known",
            )
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.description[:60]}"
