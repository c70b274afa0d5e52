"""What a plan has to keep to: places and loads, controls, combinations that can't be made."""

from __future__ import annotations

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from labbench.studies.models.study import Factor, Level, Study

MOST_PLACES = 1000
MOST_LOADS = 100


class PlanSettings(models.Model):
    """How many coupons a load takes, how many loads the lab is ready to run, which controls travel along, what is assumed."""

    study = models.OneToOneField(Study, on_delete=models.CASCADE, related_name="plan_settings")
    places_per_load = models.PositiveSmallIntegerField(
        "coupon places in a load",
        default=12,
        validators=[MinValueValidator(1), MaxValueValidator(MOST_PLACES)],
        help_text="Controls take places too.",
    )
    loads_ready = models.PositiveSmallIntegerField(
        "loads the lab is ready to run",
        default=3,
        validators=[MinValueValidator(1), MaxValueValidator(MOST_LOADS)],
    )
    reference_per_load = models.PositiveSmallIntegerField(
        "reference repairs in each load", default=1, help_text="A repair known to hold: it checks the load."
    )
    unrepaired_per_load = models.PositiveSmallIntegerField("unrepaired controls in each load", default=0)
    pristine_per_load = models.PositiveSmallIntegerField("pristine controls in each load", default=0)
    failing_share = models.FloatField(
        "share that fails with the cause", default=0.8, help_text="Assumed, as a fraction, e.g. 0.8."
    )
    holding_share = models.FloatField(
        "share that fails without it", default=0.05, help_text="Assumed, as a fraction, e.g. 0.05."
    )
    history = HistoricalRecords()

    class Meta:
        verbose_name_plural = "plan settings"
        constraints = [
            models.CheckConstraint(condition=Q(places_per_load__range=(1, MOST_PLACES)), name="plan_places_1_to_1000"),
            models.CheckConstraint(condition=Q(loads_ready__range=(1, MOST_LOADS)), name="plan_loads_1_to_100"),
            models.CheckConstraint(
                condition=Q(
                    places_per_load__gt=F("reference_per_load") + F("unrepaired_per_load") + F("pristine_per_load")
                ),
                name="plan_controls_leave_a_place",
                violation_error_message="The controls leave no place for a test coupon.",
            ),
            models.CheckConstraint(
                condition=Q(holding_share__gte=0, failing_share__lte=1, failing_share__gt=F("holding_share")),
                name="plan_cause_fails_more",
                violation_error_message="With the cause more coupons fail than without it; both shares lie between 0 and 1.",
            ),
        ]

    def __str__(self) -> str:
        return f"plan settings of {self.study.code}"

    @property
    def controls_per_load(self) -> int:
        return self.reference_per_load + self.unrepaired_per_load + self.pristine_per_load

    @property
    def test_places(self) -> int:
        """Places of a load that are left for test coupons."""
        return self.places_per_load - self.controls_per_load


class ImpossibleCombination(models.Model):
    """Levels of two or more factors that can't be made on one coupon."""

    study = models.ForeignKey(Study, on_delete=models.CASCADE, related_name="impossible_combinations")
    reason = models.CharField("why it can't be made", max_length=200, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return " with ".join(str(row) for row in self.levels.all())


class ImpossibleLevel(models.Model):
    """One level of an impossible combination."""

    combination = models.ForeignKey(ImpossibleCombination, on_delete=models.CASCADE, related_name="levels")
    factor = models.ForeignKey(Factor, on_delete=models.PROTECT, related_name="+")
    level = models.ForeignKey(Level, on_delete=models.PROTECT, related_name="impossible_in")
    history = HistoricalRecords()

    class Meta:
        ordering = ["combination", "factor__order", "id"]
        constraints = [
            models.UniqueConstraint(fields=["combination", "factor"], name="impossible_names_a_factor_once"),
        ]

    def __str__(self) -> str:
        return f"{self.factor.name} = {self.level.name}"
