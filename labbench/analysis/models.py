"""Analyses: frozen inputs, parameters, the code that computed, the result."""

from django.conf import settings
from django.db import models
from django.db.models import Q

from labbench.jobs.models import Job
from labbench.studies.models import Study


class Analysis(models.Model):
    """One evaluation of a study as it stood. Same inputs, parameters and code give the same stored result; nothing is ever changed."""

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="analyses")
    sheet_csv = models.TextField("coupon sheet as analysed")
    inputs_sha256 = models.CharField(max_length=64)
    parameters = models.JSONField()
    # What was chosen to be looked at: measured values, factors or coupons left out. Empty: the study's factors, every coupon.
    choice = models.JSONField(default=dict, blank=True)
    # The analysis of all coupons that one which leaves some out is shown beside.
    beside = models.ForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="left_out")
    code_version = models.CharField(max_length=40)
    result = models.JSONField(null=True, blank=True)
    result_sha256 = models.CharField(max_length=64, blank=True)
    coupons = models.PositiveIntegerField()
    job = models.OneToOneField(Job, on_delete=models.PROTECT, related_name="analysis")
    requested_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="analyses")
    requested_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-requested_at", "-id"]
        verbose_name_plural = "analyses"
        constraints = [
            models.UniqueConstraint(
                fields=["study", "inputs_sha256", "code_version"], name="analysis_is_made_once_per_inputs"
            ),
            models.CheckConstraint(
                condition=Q(result=None, finished_at=None) | Q(result__isnull=False, finished_at__isnull=False),
                name="analysis_finished_with_result",
            ),
        ]

    def __str__(self) -> str:
        return f"analysis {self.pk} of {self.study.code}"


class PlanComparison(models.Model):
    """Plans for a study side by side, computed once from what they had to keep to. `requested_at`: when they were asked for last."""

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="plan_comparisons")
    inputs = models.JSONField()
    inputs_sha256 = models.CharField(max_length=64)
    code_version = models.CharField(max_length=40)
    result = models.JSONField(null=True, blank=True)
    job = models.OneToOneField(Job, on_delete=models.PROTECT, related_name="plan_comparison")
    requested_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    requested_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-requested_at", "-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["study", "inputs_sha256", "code_version"], name="plan_comparison_is_made_once_per_inputs"
            ),
            models.CheckConstraint(
                condition=Q(result=None, finished_at=None) | Q(result__isnull=False, finished_at__isnull=False),
                name="plan_comparison_finished_with_result",
            ),
        ]

    def __str__(self) -> str:
        return f"plans compared for {self.study.code}"
