"""Reports as they were issued, and the signatures below them."""

from django.conf import settings
from django.db import models
from django.db.models import Q

from labbench.analysis.models import Analysis


class Report(models.Model):
    """A frozen document of one analysis."""

    analysis = models.ForeignKey(Analysis, on_delete=models.PROTECT, related_name="reports")
    number = models.PositiveSmallIntegerField("report number of the study")
    title = models.CharField(max_length=200)
    pdf = models.BinaryField()
    sha256 = models.CharField(max_length=64)
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="reports")
    created_at = models.DateTimeField()

    class Meta:
        ordering = ["-created_at"]
        constraints = [models.UniqueConstraint(fields=["analysis", "number"], name="report_number_is_unique")]

    def __str__(self) -> str:
        return self.title


class Signature(models.Model):
    """A person's statement on a report, bound to its bytes."""

    class Meaning(models.TextChoices):
        AUTHOR = "author", "wrote it"
        REVIEWED = "reviewed", "reviewed it"
        APPROVED = "approved", "approved it"

    report = models.ForeignKey(Report, on_delete=models.PROTECT, related_name="signatures")
    person = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="signatures")
    meaning = models.CharField(max_length=10, choices=Meaning)
    report_sha256 = models.CharField(max_length=64)
    note = models.TextField(blank=True)
    signed_at = models.DateTimeField()

    class Meta:
        ordering = ["signed_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["report", "person", "meaning"], name="signature_once_per_person_and_meaning"
            ),
            models.CheckConstraint(
                condition=Q(meaning__in=["author", "reviewed", "approved"]), name="signature_meaning_is_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person} {self.get_meaning_display()}"
