"""A person's private calendar address."""

from django.conf import settings
from django.core.validators import MaxValueValidator
from django.db import models
from django.db.models import Q


class CalendarAddress(models.Model):
    """Whoever knows the token reads this person's moves, without signing in; a new token makes the old one worthless."""

    person = models.OneToOneField(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="calendar_address")
    token = models.CharField(max_length=64, unique=True, editable=False)
    is_of_all_studies = models.BooleanField("moves of all studies", default=True)
    alarm_minutes = models.PositiveSmallIntegerField(
        "alarm before a move (min)",
        default=10,
        validators=[MaxValueValidator(1440)],
        help_text="0: no alarm.",
    )
    made_at = models.DateTimeField()
    read_at = models.DateTimeField("last read", null=True, editable=False)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(alarm_minutes__range=(0, 1440)), name="calendar_alarm_within_a_day")
        ]

    def __str__(self) -> str:
        return f"calendar of {self.person}"
