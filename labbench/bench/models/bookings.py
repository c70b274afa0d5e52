"""Bookings of chambers, planned and as they were."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from labbench.bench.models.loads import Load


class Booking(models.Model):
    """A load in a chamber for one step of one round, planned and as it was; a programmable chamber is booked once for all rounds.

    A soak that was broken off (a chamber failed) has a further part: it goes on in another chamber (`soaked_before_minutes`
    of the parts before count), or is done again from its beginning.
    """

    load = models.ForeignKey(Load, on_delete=models.CASCADE, related_name="bookings")
    chamber = models.ForeignKey("lab.Chamber", on_delete=models.PROTECT, related_name="bookings")
    step = models.ForeignKey(
        "lab.ProfileStep", on_delete=models.PROTECT, null=True, blank=True, related_name="bookings"
    )
    round_number = models.PositiveSmallIntegerField("round", null=True, blank=True)
    # A step that a failure cut short goes on elsewhere, or is done again, as its next part.
    part = models.PositiveSmallIntegerField(default=1, editable=False)
    soaked_before_minutes = models.PositiveIntegerField(
        "soak of earlier parts that counts (min)", default=0, editable=False
    )
    planned_start = models.DateTimeField()
    planned_end = models.DateTimeField()
    started_at = models.DateTimeField(null=True, blank=True)
    ended_at = models.DateTimeField(null=True, blank=True)
    started_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    history = HistoricalRecords()

    class Meta:
        ordering = ["planned_start"]
        indexes = [models.Index(fields=["chamber", "planned_start"], name="booking_chamber_start")]
        constraints = [
            models.UniqueConstraint(
                fields=["load", "round_number", "step", "part"], name="booking_once_per_step_of_a_load"
            ),
            models.UniqueConstraint(
                fields=["load", "part"], condition=Q(step=None), name="booking_one_run_of_all_rounds"
            ),
            models.UniqueConstraint(
                fields=["load"],
                condition=Q(started_at__isnull=False, ended_at=None),
                name="booking_load_in_one_chamber",
                violation_error_message="A load is in one chamber at a time; it has not come out of the one before.",
            ),
            models.CheckConstraint(condition=Q(part__gte=1), name="booking_part_from_1"),
            models.CheckConstraint(condition=Q(planned_end__gt=F("planned_start")), name="booking_ends_after_start"),
            models.CheckConstraint(condition=Q(ended_at__gt=F("started_at")), name="booking_ended_after_started"),
            models.CheckConstraint(
                condition=Q(ended_at=None) | Q(started_at__isnull=False), name="booking_ended_only_if_started"
            ),
            models.CheckConstraint(
                condition=Q(step=None, round_number=None) | Q(step__isnull=False, round_number__gte=1),
                name="booking_step_with_round",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.load} in {self.chamber}"
