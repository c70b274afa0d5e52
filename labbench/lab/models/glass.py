"""Glass stock."""

from django.db import models
from django.db.models import Q
from simple_history.models import HistoricalRecords


class GlassStock(models.Model):
    """Laminated glass of one construction and lot."""

    code = models.CharField(max_length=40, unique=True)
    construction = models.CharField(max_length=80, help_text="Outside to inside, e.g. float 3 / PVB 0.76 / float 3.")
    thickness_mm = models.FloatField("total thickness (mm)")
    lot = models.CharField(max_length=40, blank=True)
    received_on = models.DateField(null=True, blank=True)
    pieces = models.PositiveIntegerField("pieces received", null=True, blank=True)
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["code"]
        verbose_name_plural = "glass stock"
        constraints = [
            models.CheckConstraint(
                condition=Q(thickness_mm__gt=0, thickness_mm__lte=100), name="glass_thickness_0_to_100_mm"
            )
        ]

    def __str__(self) -> str:
        return f"{self.code} ({self.construction})"
