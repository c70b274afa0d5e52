"""What a repair really got: the dose worked out from the survey of its lamp."""

from django.db import models
from django.db.models import F, Q
from simple_history.models import HistoricalRecords

from labbench.bench.models.repairs import Repair


class ReceivedDose(models.Model):
    """The dose of one repair over the cure area, kept with what it was computed from.

    It stays as computed when its survey is corrected later; `bench.doses` says then that it is of an earlier state.
    """

    repair = models.OneToOneField(Repair, on_delete=models.CASCADE, related_name="received_dose")
    survey = models.ForeignKey("lab.LampSurvey", on_delete=models.PROTECT, related_name="doses")
    survey_points = models.PositiveIntegerField("places of the survey")
    irradiance_min_mw_cm2 = models.FloatField("irradiance at the coldest place (mW/cm²)")
    irradiance_mean_mw_cm2 = models.FloatField("mean irradiance (mW/cm²)")
    irradiance_max_mw_cm2 = models.FloatField("irradiance at the hottest place (mW/cm²)")
    irradiance_break_mw_cm2 = models.FloatField("irradiance at the break (mW/cm²)", null=True, blank=True)
    min_over_mean = models.FloatField("coldest over mean", null=True, blank=True)
    cv = models.FloatField("coefficient of variation over the places", null=True, blank=True)
    lamp_hours_h = models.FloatField("lamp hours at the survey (h)", null=True, blank=True)
    calibration_factor = models.FloatField("factor of the meter in the survey")
    is_meter_overdue = models.BooleanField("meter overdue at the survey", default=False)
    cure_time_s = models.FloatField("cure time (s)")
    dose_min_mj_cm2 = models.FloatField("dose at the coldest place (mJ/cm²)")
    dose_mean_mj_cm2 = models.FloatField("mean dose (mJ/cm²)")
    dose_max_mj_cm2 = models.FloatField("dose at the hottest place (mJ/cm²)")
    dose_break_mj_cm2 = models.FloatField("dose at the break (mJ/cm²)", null=True, blank=True)
    rule_version = models.PositiveSmallIntegerField("version of the rule")
    computed_at = models.DateTimeField()
    history = HistoricalRecords()

    class Meta:
        ordering = ["repair"]
        constraints = [
            models.CheckConstraint(
                condition=Q(
                    dose_min_mj_cm2__gte=0,
                    dose_mean_mj_cm2__gte=F("dose_min_mj_cm2") * 0.999999,
                    dose_max_mj_cm2__gte=F("dose_mean_mj_cm2") * 0.999999,
                ),
                name="dose_coldest_to_hottest",
            ),
        ]

    def __str__(self) -> str:
        return f"dose of {self.repair_id}"
