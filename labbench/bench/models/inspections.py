"""Inspections: one look at one coupon."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from labbench.studies.models import Coupon


class Inspection(models.Model):
    """One look at one coupon after a step (or after a whole round)."""

    class Outcome(models.TextChoices):
        INTACT = "intact", "intact"
        CRACK_GROWTH = "crack_growth", "crack growth"
        CRACKED_OUT = "cracked_out", "cracked out"
        DELAMINATION = "delamination", "delamination"
        VOID = "void", "void"
        DISCOLOURATION = "discolouration", "discolouration"
        PIT_LOSS = "pit_loss", "pit loss"

    coupon = models.ForeignKey(Coupon, on_delete=models.PROTECT, related_name="inspections")
    round_number = models.PositiveSmallIntegerField("round", help_text="0: before the first round.")
    step_number = models.PositiveSmallIntegerField(
        "after step", null=True, blank=True, help_text="Leave empty for the look at the end of the round."
    )
    # Where this look stands in time: the end of a round comes after all its steps. Kept so that the database can compare.
    position = models.PositiveIntegerField(editable=False)
    outcome = models.CharField(max_length=16, choices=Outcome)
    crack_growth_mm = models.FloatField("crack growth (mm)", null=True, blank=True)
    failure_mode = models.CharField(max_length=200, blank=True)
    photo = models.ImageField(upload_to="photos/%Y/%m/", blank=True)
    inspector = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="inspections")
    seen_at = models.DateTimeField()
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    END_OF_ROUND = 999

    class Meta:
        ordering = ["coupon", "position"]
        indexes = [
            # Failures across studies, newest first; the longer one finds them for their counts.
            models.Index(fields=["-seen_at"], condition=~Q(outcome="intact"), name="inspection_failures_seen"),
            models.Index(fields=["outcome", "seen_at", "coupon", "failure_mode"], name="inspection_outcome_seen"),
        ]
        constraints = [
            models.UniqueConstraint(fields=["coupon", "position"], name="inspection_once_per_step"),
            models.UniqueConstraint(
                fields=["coupon"], condition=Q(outcome="cracked_out"), name="inspection_one_crack_out_per_coupon"
            ),
            models.CheckConstraint(
                condition=Q(
                    outcome__in=[
                        "intact",
                        "crack_growth",
                        "cracked_out",
                        "delamination",
                        "void",
                        "discolouration",
                        "pit_loss",
                    ]
                ),
                name="inspection_outcome_is_known",
            ),
            models.CheckConstraint(condition=Q(round_number__lte=1000), name="inspection_round_at_most_1000"),
            models.CheckConstraint(
                condition=Q(round_number__gte=1) | ~Q(outcome="cracked_out"), name="inspection_crack_out_from_round_1"
            ),
            models.CheckConstraint(
                condition=Q(round_number__gte=1) | Q(step_number=None), name="inspection_step_from_round_1"
            ),
            models.CheckConstraint(condition=Q(step_number__range=(1, 998)), name="inspection_step_1_to_998"),
            models.CheckConstraint(
                condition=Q(step_number=None, position=F("round_number") * 1000 + 999)
                | Q(step_number__isnull=False, position=F("round_number") * 1000 + F("step_number")),
                name="inspection_position_is_round_and_step",
            ),
            models.CheckConstraint(
                condition=Q(crack_growth_mm__gte=0, crack_growth_mm__lte=5000), name="inspection_growth_0_to_5000_mm"
            ),
        ]

    def __str__(self) -> str:
        return f"round {self.round_number}: {self.get_outcome_display()}"

    def clean(self) -> None:
        self.position = (
            self.round_number * 1000 + (self.step_number or self.END_OF_ROUND) if self.round_number is not None else 0
        )
