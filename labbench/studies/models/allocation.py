"""Which coupon got which arm, load and place, and in which order they are repaired: drawn at random, then locked."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords

from labbench.studies.models.study import Coupon, Study


class Allocation(models.Model):
    """The coupons of one plan, allocated in one go. The seed repeats the draw."""

    class Plan(models.TextChoices):
        SWAPS = "swaps", "one-factor swaps"
        FACTORIAL = "factorial", "full factorial"
        FRACTION = "fraction", "fractional factorial"
        D_OPTIMAL = "d_optimal", "D-optimal subset"
        SEQUENTIAL = "sequential", "sequential plan"

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="allocations")
    plan = models.CharField(max_length=10, choices=Plan)
    title = models.CharField(max_length=160)
    seed = models.PositiveBigIntegerField(help_text="The same coupons, arms and seed give the same allocation.")
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="allocations")
    made_at = models.DateTimeField()
    locked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    locked_at = models.DateTimeField(null=True, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["-made_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(plan__in=["swaps", "factorial", "fraction", "d_optimal", "sequential"]),
                name="allocation_plan_is_known",
            ),
            models.CheckConstraint(
                condition=Q(locked_by=None, locked_at=None) | Q(locked_by__isnull=False, locked_at__isnull=False),
                name="allocation_locked_by_somebody",
            ),
        ]

    def __str__(self) -> str:
        return self.title

    @property
    def is_locked(self) -> bool:
        return self.locked_at is not None


class AllocatedCoupon(models.Model):
    """One coupon of an allocation; its levels, load and place are where they always are."""

    allocation = models.ForeignKey(Allocation, on_delete=models.CASCADE, related_name="rows")
    coupon = models.OneToOneField(Coupon, on_delete=models.CASCADE, related_name="allocated")
    repair_order = models.PositiveIntegerField(
        null=True, blank=True, help_text="1 is repaired first. Empty: a control that is not repaired."
    )
    technician = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        help_text="Who repairs it, where the technician is no factor.",
    )
    history = HistoricalRecords()

    class Meta:
        ordering = ["allocation", "repair_order"]
        constraints = [
            models.UniqueConstraint(fields=["allocation", "repair_order"], name="allocated_order_is_taken_once"),
            models.CheckConstraint(condition=Q(repair_order__gte=1), name="allocated_order_from_1"),
        ]

    def __str__(self) -> str:
        return f"{self.repair_order}: {self.coupon.code}"
