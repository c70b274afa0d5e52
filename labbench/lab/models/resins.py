"""Resins and their lots."""

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords


class Resin(models.Model):
    """A repair resin as a product, whatever its lot."""

    class Purpose(models.TextChoices):
        BREAK = "break", "break resin"
        PIT = "pit", "pit resin"

    name = models.CharField(max_length=80, unique=True)
    supplier = models.CharField(max_length=80, blank=True)
    purpose = models.CharField(max_length=8, choices=Purpose, default=Purpose.BREAK)
    tint = models.CharField(max_length=40, blank=True)
    viscosity_mpa_s = models.FloatField("viscosity (mPa·s)", null=True, blank=True)
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(condition=Q(purpose__in=["break", "pit"]), name="resin_purpose_is_known"),
            models.CheckConstraint(condition=Q(viscosity_mpa_s__gt=0), name="resin_viscosity_is_positive"),
        ]

    def __str__(self) -> str:
        return self.name


class ResinLot(models.Model):
    """One delivered lot of a resin."""

    resin = models.ForeignKey(Resin, on_delete=models.PROTECT, related_name="lots")
    code = models.CharField("lot", max_length=40)
    received_on = models.DateField()
    opened_on = models.DateField(null=True, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    stored_at = models.CharField(max_length=80, blank=True, help_text="Where and how, e.g. dark cabinet, 5 °C.")
    quantity_ml = models.FloatField("quantity received (ml)", null=True, blank=True)
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["resin__name", "code"]
        constraints = [
            models.UniqueConstraint(fields=["resin", "code"], name="lot_code_is_unique_per_resin"),
            models.CheckConstraint(condition=Q(opened_on__gte=F("received_on")), name="lot_opened_after_received"),
            models.CheckConstraint(condition=Q(expires_on__gt=F("received_on")), name="lot_expires_after_received"),
            models.CheckConstraint(condition=Q(quantity_ml__gt=0), name="lot_quantity_is_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.resin.name} lot {self.code}"
