"""Written procedures and their versions."""

from django.conf import settings
from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords


class Procedure(models.Model):
    """A written way of doing a repair, a survey or a test."""

    code = models.CharField(max_length=40, unique=True)
    title = models.CharField(max_length=120)
    retired_on = models.DateField("no longer used since", null=True, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return f"{self.code} {self.title}"


class ProcedureVersion(models.Model):
    """The text that is in force from a day on. A draft can still be written; once approved it is never changed."""

    procedure = models.ForeignKey(Procedure, on_delete=models.PROTECT, related_name="versions")
    number = models.PositiveSmallIntegerField("version")
    text = models.TextField()
    effective_on = models.DateField()
    change_note = models.CharField("what changed, and why", max_length=400, blank=True)
    is_draft = models.BooleanField("draft", default=False)
    written_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    approved_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    approved_at = models.DateTimeField(null=True, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["procedure__code", "-number"]
        constraints = [
            models.UniqueConstraint(fields=["procedure", "number"], name="procedure_version_is_unique"),
            models.CheckConstraint(condition=Q(number__gte=1), name="procedure_version_from_1"),
            models.UniqueConstraint(
                fields=["procedure"], condition=Q(is_draft=True), name="procedure_one_draft_at_a_time"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.procedure.code} version {self.number}"
