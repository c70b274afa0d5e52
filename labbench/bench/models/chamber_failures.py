"""Chambers that failed: a power cut, a door left open, a heater that gave out."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords


class ChamberFailure(models.Model):
    """A time in which a chamber did not do what its set-point says; without an end it has not been seen to work again."""

    chamber = models.ForeignKey("lab.Chamber", on_delete=models.PROTECT, related_name="failures")
    began_at = models.DateTimeField("failed from")
    ended_at = models.DateTimeField("works again from", null=True, blank=True)
    note = models.TextField("what was seen", blank=True)
    closure = models.OneToOneField(
        "lab.ChamberClosure", on_delete=models.SET_NULL, null=True, blank=True, editable=False, related_name="failure"
    )
    recorded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()
    history = HistoricalRecords()

    class Meta:
        ordering = ["-began_at"]
        constraints = [
            models.CheckConstraint(condition=Q(ended_at__gt=F("began_at")), name="chamber_failure_ends_after_start"),
            models.UniqueConstraint(
                fields=["chamber"],
                condition=Q(ended_at=None),
                name="chamber_fails_once_at_a_time",
                violation_error_message="This chamber is recorded as failed already.",
            ),
        ]

    def __str__(self) -> str:
        return f"failure of {self.chamber}"
