"""Loggers' temperature files, how their columns are read, and what was found in them."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from labbench.bench.models.deviations import Deviation
from labbench.bench.models.loads import Load
from labbench.jobs.models import Job


class TraceFile(models.Model):
    """A logger's temperature file for one load, kept unchanged, with its hash. Loads of one chamber share the bytes."""

    load = models.ForeignKey(Load, on_delete=models.PROTECT, related_name="traces")
    chamber = models.ForeignKey(
        "lab.Chamber",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="traces",
        verbose_name="chamber in which the logger stayed",
    )
    file = models.FileField(upload_to="traces/%Y/%m/")
    filename = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    size_bytes = models.PositiveBigIntegerField(null=True, blank=True)
    layout_sha256 = models.CharField("fingerprint of the header", max_length=64, blank=True)
    mapping = models.JSONField("what the columns are", null=True, blank=True)
    clock_behind_minutes = models.FloatField("minutes the logger's clock was behind the lab's", default=0.0)
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


class LoggerColumns(models.Model):
    """How the columns of one kind of logger file were read last: offered for the next file with the same header."""

    layout_sha256 = models.CharField("fingerprint of the header", max_length=64, unique=True)
    header = models.JSONField()
    mapping = models.JSONField("what the columns are")
    confirmed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    confirmed_at = models.DateTimeField()
    history = HistoricalRecords()

    class Meta:
        ordering = ["-confirmed_at"]
        verbose_name_plural = "logger columns"

    def __str__(self) -> str:
        return ", ".join(str(name) for name in self.header)[:120]


class TraceEvaluation(models.Model):
    """What one file shows of the soaks: frozen inputs, the code that computed, the document. Computed once, never changed."""

    trace = models.ForeignKey(TraceFile, on_delete=models.PROTECT, related_name="evaluations")
    profile = models.ForeignKey("lab.ThermalProfile", on_delete=models.PROTECT, related_name="trace_evaluations")
    inputs = models.JSONField("hash of the file, columns, clock, profile, stays in the chamber")
    inputs_sha256 = models.CharField(max_length=64)
    code_version = models.CharField(max_length=40)
    result = models.JSONField(null=True, blank=True)
    result_sha256 = models.CharField(max_length=64, blank=True)
    columns = models.CharField("Parquet file of the columns as read", max_length=200, blank=True)
    faults = models.JSONField("what is wrong in the file", default=list, blank=True)
    steps_met = models.PositiveIntegerField(null=True, blank=True)
    steps_in_all = models.PositiveIntegerField(null=True, blank=True)
    job = models.OneToOneField(Job, on_delete=models.PROTECT, related_name="trace_evaluation")
    requested_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    requested_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-requested_at", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["trace", "inputs_sha256", "code_version"], name="trace_is_evaluated_once_per_inputs"
            ),
            models.CheckConstraint(
                condition=Q(result=None, finished_at=None) | Q(result__isnull=False, finished_at__isnull=False),
                name="trace_evaluation_finished_with_result",
            ),
        ]

    def __str__(self) -> str:
        return f"evaluation {self.pk} of {self.trace}"


class TraceFinding(models.Model):
    """The deviation that a step of a trace gave rise to: one per step of a file."""

    trace = models.ForeignKey(TraceFile, on_delete=models.PROTECT, related_name="findings")
    round_number = models.PositiveSmallIntegerField("round")
    step_number = models.PositiveSmallIntegerField("step")
    deviation = models.OneToOneField(Deviation, on_delete=models.CASCADE, related_name="trace_finding")

    class Meta:
        ordering = ["trace", "round_number", "step_number"]
        constraints = [
            models.UniqueConstraint(
                fields=["trace", "round_number", "step_number"], name="trace_finding_once_per_step"
            ),
        ]

    def __str__(self) -> str:
        return f"round {self.round_number}, step {self.step_number} of {self.trace}"
