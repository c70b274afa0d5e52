"""Glass stock."""

from django.conf import settings
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
    low_pieces = models.PositiveIntegerField(
        "low stock below (pieces)", null=True, blank=True, help_text="Leave empty: no warning."
    )
    retired_on = models.DateField("no longer used since", null=True, blank=True)
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


class GlassCount(models.Model):
    """How many pieces were left when somebody counted: from then on coupons are counted from here."""

    glass = models.ForeignKey(GlassStock, on_delete=models.PROTECT, related_name="counts")
    counted_at = models.DateTimeField()
    pieces_left = models.PositiveIntegerField("pieces left")
    counted_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="glass_counts")
    reason = models.CharField("why counted", max_length=200, help_text="E.g. stock-taking, broken in storage.")
    history = HistoricalRecords()

    class Meta:
        ordering = ["-counted_at"]
        constraints = [models.UniqueConstraint(fields=["glass", "counted_at"], name="glass_count_once_a_moment")]

    def __str__(self) -> str:
        return f"{self.glass.code}: {self.pieces_left} pieces left"
