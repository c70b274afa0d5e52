"""Resins and their lots."""

from django.conf import settings
from django.core.exceptions import ValidationError
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
    use_per_repair_ml = models.FloatField(
        "use per repair (ml)",
        null=True,
        blank=True,
        help_text="About how much a repair takes, wiped-off resin included.",
    )
    low_stock_ml = models.FloatField(
        "low stock below (ml)", null=True, blank=True, help_text="Of a lot. Leave empty: no warning."
    )
    needed_dose_mj_cm2 = models.FloatField(
        "dose it needs (mJ/cm²)", null=True, blank=True, help_text="From its data sheet, or the lab’s own trials."
    )
    penetration_depth_mm = models.FloatField(
        "Dp, depth of penetration (mm)", null=True, blank=True, help_text="Working curve: depth = Dp ln(exposure / Ec)."
    )
    gel_exposure_mj_cm2 = models.FloatField(
        "Ec, exposure at which it gels (mJ/cm²)", null=True, blank=True, help_text="Where a gel begins; not full cure."
    )
    reciprocity_exponent = models.FloatField(
        "exponent p of equal effect",
        null=True,
        blank=True,
        help_text="irradiance^p × time has equal effect; 1 is reciprocity.",
    )
    constants_source = models.CharField(
        "where dose and constants come from",
        max_length=200,
        blank=True,
        help_text="Trial, data sheet or paper, and day.",
    )
    retired_on = models.DateField("no longer used since", null=True, blank=True)
    note = models.TextField(blank=True)
    history = HistoricalRecords()

    class Meta:
        ordering = ["name"]
        constraints = [
            models.CheckConstraint(condition=Q(purpose__in=["break", "pit"]), name="resin_purpose_is_known"),
            models.CheckConstraint(condition=Q(viscosity_mpa_s__gt=0), name="resin_viscosity_is_positive"),
            models.CheckConstraint(condition=Q(use_per_repair_ml__gt=0), name="resin_use_per_repair_is_positive"),
            models.CheckConstraint(condition=Q(low_stock_ml__gte=0), name="resin_low_stock_not_negative"),
            models.CheckConstraint(condition=Q(needed_dose_mj_cm2__gt=0), name="resin_dose_is_positive"),
            models.CheckConstraint(condition=Q(penetration_depth_mm__gt=0), name="resin_penetration_is_positive"),
            models.CheckConstraint(condition=Q(gel_exposure_mj_cm2__gt=0), name="resin_gel_exposure_is_positive"),
            models.CheckConstraint(
                condition=Q(reciprocity_exponent__gt=0, reciprocity_exponent__lte=2), name="resin_exponent_0_to_2"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        constants = (
            self.needed_dose_mj_cm2,
            self.penetration_depth_mm,
            self.gel_exposure_mj_cm2,
            self.reciprocity_exponent,
        )
        if any(value is not None for value in constants) and not self.constants_source.strip():
            raise ValidationError({"constants_source": "Say where the dose or the constants come from."})
        if (self.penetration_depth_mm is None) != (self.gel_exposure_mj_cm2 is None):
            missing = "gel_exposure_mj_cm2" if self.gel_exposure_mj_cm2 is None else "penetration_depth_mm"
            raise ValidationError({missing: "Dp and Ec belong together: give both or neither."})


class ResinLot(models.Model):
    """One delivered lot of a resin."""

    resin = models.ForeignKey(Resin, on_delete=models.PROTECT, related_name="lots")
    code = models.CharField("lot", max_length=40)
    received_on = models.DateField()
    opened_on = models.DateField(null=True, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    stored_at = models.CharField(max_length=80, blank=True, help_text="Where and how, e.g. dark cabinet, 5 °C.")
    quantity_ml = models.FloatField("quantity received (ml)", null=True, blank=True)
    retired_on = models.DateField("used up or thrown away on", null=True, blank=True)
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

    def clean(self) -> None:
        refused = {}
        if self.received_on and self.opened_on and self.opened_on < self.received_on:
            refused["opened_on"] = "It can’t have been opened before it was received."
        if self.received_on and self.expires_on and self.expires_on <= self.received_on:
            refused["expires_on"] = "It can’t have expired before it was received."
        if self.received_on and self.retired_on and self.retired_on < self.received_on:
            refused["retired_on"] = "It can’t be used up before it was received."
        if refused:
            raise ValidationError(refused)


class LotCount(models.Model):
    """What was left of a lot when somebody looked: from then on use is counted from here."""

    lot = models.ForeignKey(ResinLot, on_delete=models.PROTECT, related_name="counts")
    counted_at = models.DateTimeField()
    left_ml = models.FloatField("left (ml)")
    counted_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="lot_counts")
    reason = models.CharField("why counted", max_length=200, help_text="E.g. stock-taking, spilt, thrown away.")
    history = HistoricalRecords()

    class Meta:
        ordering = ["-counted_at"]
        constraints = [
            models.UniqueConstraint(fields=["lot", "counted_at"], name="lot_count_once_a_moment"),
            models.CheckConstraint(condition=Q(left_ml__gte=0), name="lot_count_not_negative"),
        ]

    def __str__(self) -> str:
        return f"{self.lot}: {self.left_ml:g} ml left"
