"""Plans of the chambers as they were asked for and proposed, what would gain, and changes of bookings that can be taken back."""

from django.conf import settings
from django.db import models
from django.db.models import Q


class BookingChange(models.Model):
    """Bookings that were changed together: a plan accepted, or one booking moved by hand with what follows from it.

    `before` and `after` hold the bookings concerned, those made or taken out by the change on one side only.
    """

    words = models.CharField(max_length=300)
    reason = models.TextField(blank=True)
    before = models.JSONField(default=list)
    after = models.JSONField(default=list)
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    undone_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    undone_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-made_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(undone_at=None, undone_by=None) | Q(undone_at__isnull=False, undone_by__isnull=False),
                name="booking_change_undone_by_somebody",
            )
        ]

    def __str__(self) -> str:
        return self.words


class ChamberPlan(models.Model):
    """One plan of the chambers: what it was asked for, how far the search is, what it proposes, and whether it was accepted."""

    job = models.OneToOneField("jobs.Job", on_delete=models.CASCADE, related_name="chamber_plan")
    reason = models.TextField(blank=True)
    # Numbers of the loads to plan; null: every load that has not been through its rounds.
    loads = models.JSONField(null=True, blank=True)
    seconds = models.PositiveIntegerField(default=10)
    is_kept_stable = models.BooleanField("few bookings move", default=True)
    requested_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    requested_at = models.DateTimeField()
    is_stop_requested = models.BooleanField(default=False)
    # Where the search stands: the best plan so far and the proved bound.
    standing = models.JSONField(default=dict)
    inputs = models.JSONField(null=True, blank=True)
    result = models.JSONField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    change = models.OneToOneField(BookingChange, on_delete=models.PROTECT, null=True, blank=True, related_name="plan")

    class Meta:
        ordering = ["-requested_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(result__isnull=True, finished_at__isnull=True)
                | Q(result__isnull=False, finished_at__isnull=False),
                name="chamber_plan_finished_with_a_result",
            ),
            models.CheckConstraint(
                condition=Q(change=None) | Q(finished_at__isnull=False), name="chamber_plan_accepted_after_its_end"
            ),
        ]

    def __str__(self) -> str:
        return f"Chamber plan {self.pk}"


class PlanAlternatives(models.Model):
    """What longer days, one more chamber or a further day would gain over a plan."""

    plan = models.ForeignKey(ChamberPlan, on_delete=models.CASCADE, related_name="alternatives")
    job = models.OneToOneField("jobs.Job", on_delete=models.CASCADE, related_name="plan_alternatives")
    requested_at = models.DateTimeField()
    result = models.JSONField(null=True, blank=True)

    class Meta:
        ordering = ["-requested_at", "-pk"]

    def __str__(self) -> str:
        return f"What would gain over chamber plan {self.plan_id}"
