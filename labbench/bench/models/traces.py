"""Loggers' temperature files."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from labbench.bench.models.loads import Load


class TraceFile(models.Model):
    """A logger's temperature file, kept unchanged, with its hash."""

    load = models.ForeignKey(Load, on_delete=models.PROTECT, related_name="traces")
    file = models.FileField(upload_to="traces/%Y/%m/")
    filename = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    starts_at = models.DateTimeField(null=True, blank=True)
    ends_at = models.DateTimeField(null=True, blank=True)
    uploaded_at = models.DateTimeField()
    uploaded_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    history = HistoricalRecords()

    class Meta:
        ordering = ["-uploaded_at"]
        constraints = [
            models.UniqueConstraint(fields=["load", "sha256"], name="trace_is_kept_once_per_load"),
            models.CheckConstraint(condition=Q(ends_at__gt=F("starts_at")), name="trace_ends_after_start"),
        ]

    def __str__(self) -> str:
        return self.filename
