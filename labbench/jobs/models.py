"""A job is a row: the queue only carries its number, so no broker can lose the work."""

from uuid import uuid4

from django.conf import settings
from django.db import models
from django.db.models import F, Q


class Job(models.Model):
    """One piece of work for the queue: what to run, how far it is, who is on it, how it ended."""

    class State(models.TextChoices):
        QUEUED = "queued", "waiting"
        RUNNING = "running", "running"
        DONE = "done", "done"
        FAILED = "failed", "failed"
        CANCELLED = "cancelled", "cancelled"

    id = models.UUIDField(primary_key=True, default=uuid4, editable=False)
    task = models.CharField("queue task", max_length=100)
    title = models.CharField(max_length=200)
    arguments = models.JSONField(default=dict)
    state = models.CharField(max_length=10, choices=State, default=State.QUEUED)
    done = models.PositiveIntegerField("steps done", default=0)
    total = models.PositiveIntegerField("steps in all", default=0)
    message = models.CharField("what it is doing", max_length=200, blank=True)
    reason = models.TextField("why it ended without a result", blank=True)
    runs = models.PositiveSmallIntegerField("times started", default=0)
    run_token = models.UUIDField(null=True, editable=False)
    is_cancel_requested = models.BooleanField(default=False)
    requested_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="jobs")
    created_at = models.DateTimeField()
    queued_at = models.DateTimeField()
    started_at = models.DateTimeField(null=True)
    heartbeat_at = models.DateTimeField(null=True)
    finished_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["-created_at"]
        indexes = [models.Index(fields=["state", "heartbeat_at"], name="job_state_heartbeat")]
        constraints = [
            models.CheckConstraint(
                condition=Q(state__in=["queued", "running", "done", "failed", "cancelled"]), name="job_state_is_known"
            ),
            models.CheckConstraint(condition=Q(done__lte=F("total")) | Q(total=0), name="job_done_not_above_total"),
            models.CheckConstraint(
                condition=Q(state__in=["queued", "running"], finished_at=None)
                | Q(state__in=["done", "failed", "cancelled"], finished_at__isnull=False),
                name="job_finished_when_ended",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.title} ({self.get_state_display()})"

    @property
    def is_open(self) -> bool:
        return self.state in {self.State.QUEUED, self.State.RUNNING}
