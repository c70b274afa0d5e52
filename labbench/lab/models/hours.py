"""When people are there to move loads: hours of each weekday, days without staff, and extra hours."""

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from labbench.formats.date_texts import day_text

DAY_MINUTES = 24 * 60


def clock_text(minutes: int) -> str:
    """Minutes after midnight as 07:30; the end of a day is 24:00."""
    return f"{minutes // 60:02}:{minutes % 60:02}"


class StaffedWindow(models.Model):
    """Hours of a weekday with people there, by the lab's own clock."""

    class Weekday(models.IntegerChoices):
        MONDAY = 0, "Monday"
        TUESDAY = 1, "Tuesday"
        WEDNESDAY = 2, "Wednesday"
        THURSDAY = 3, "Thursday"
        FRIDAY = 4, "Friday"
        SATURDAY = 5, "Saturday"
        SUNDAY = 6, "Sunday"

    weekday = models.PositiveSmallIntegerField(choices=Weekday)
    from_minutes = models.PositiveSmallIntegerField("from (minutes after midnight)")
    to_minutes = models.PositiveSmallIntegerField("to (minutes after midnight)")
    history = HistoricalRecords()

    class Meta:
        ordering = ["weekday", "from_minutes"]
        constraints = [
            models.UniqueConstraint(fields=["weekday", "from_minutes"], name="staffed_window_starts_once"),
            models.CheckConstraint(condition=Q(weekday__range=(0, 6)), name="staffed_window_weekday_is_known"),
            models.CheckConstraint(
                condition=Q(to_minutes__gt=F("from_minutes"), to_minutes__lte=DAY_MINUTES),
                name="staffed_window_within_a_day",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_weekday_display()} {clock_text(self.from_minutes)} to {clock_text(self.to_minutes)}"


class Holiday(models.Model):
    """Days without staff, whatever the weekday says; first and last day included."""

    first_on = models.DateField("first day")
    last_on = models.DateField("last day")
    name = models.CharField(max_length=80)
    history = HistoricalRecords()

    class Meta:
        ordering = ["first_on"]
        constraints = [
            models.CheckConstraint(condition=Q(last_on__gte=F("first_on")), name="holiday_last_day_not_before_first")
        ]

    def __str__(self) -> str:
        return f"{self.name} {day_text(self.first_on)}"


class ExtraHours(models.Model):
    """Hours of one day with people there beside those of its weekday, such as a Saturday shift; they count on holidays too."""

    day = models.DateField()
    from_minutes = models.PositiveSmallIntegerField("from (minutes after midnight)")
    to_minutes = models.PositiveSmallIntegerField("to (minutes after midnight)")
    note = models.CharField(max_length=80, blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["day", "from_minutes"]
        verbose_name_plural = "extra hours"
        constraints = [
            models.UniqueConstraint(fields=["day", "from_minutes"], name="extra_hours_start_once"),
            models.CheckConstraint(
                condition=Q(to_minutes__gt=F("from_minutes"), to_minutes__lte=DAY_MINUTES),
                name="extra_hours_within_a_day",
            ),
        ]

    def __str__(self) -> str:
        return f"{day_text(self.day)} {clock_text(self.from_minutes)} to {clock_text(self.to_minutes)}"
