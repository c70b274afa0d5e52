"""Meters and their calibrations: what is in force on a day, what speaks against a meter, and keeping both."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from labbench.formats.date_texts import day_text
from labbench.formats.number_texts import number_text
from labbench.lab.models import Calibration, Lamp, LampSurvey, Radiometer, SurveyDraft
from labbench.lab.records import keep, remove
from labbench.science.survey_uncertainty import MeterLimits


def calibration_on(meter: Radiometer, day: date) -> Calibration | None:
    """The last calibration up to that day, due or not."""
    return Calibration.objects.filter(radiometer=meter, calibrated_on__lte=day).order_by("-calibrated_on").first()


def meter_cautions(meter: Radiometer, day: date, lamp: Lamp | None = None) -> list[str]:
    """What speaks against the readings of a meter on a day under a lamp, as sentences."""
    calibration = calibration_on(meter, day)
    found = []
    if calibration is None:
        found.append(f"Meter {meter} has no calibration before {day_text(day)}.")
    elif calibration.due_on < day:
        found.append(f"Calibration of meter {meter} was due on {day_text(calibration.due_on)}.")
    if words := band_caution(meter, lamp):
        found.append(words)
    return found


def band_caution(meter: Radiometer, lamp: Lamp | None) -> str:
    """Where the meter's band does not hold the lamp's peak; "" where it does, or where one of them is not known."""
    peak = lamp.peak_wavelength_nm if lamp else None
    low, high = meter.band_low_nm, meter.band_high_nm
    if peak is None or low is None or high is None or low <= peak <= high:
        return ""
    return (
        f"Meter {meter} reads {number_text(low)} to {number_text(high)} nm; "
        f"the peak of lamp {lamp}, {number_text(peak)} nm, lies outside."
    )


def meter_limits(meter: Radiometer, calibration: Calibration | None) -> MeterLimits:
    """What is known of a meter, for an uncertainty."""
    return MeterLimits(
        calibration_percent=calibration.expanded_uncertainty_percent if calibration else None,
        geometry_percent=meter.geometry_percent,
        drift_percent=meter.drift_percent,
        resolution_mw_cm2=meter.resolution_mw_cm2,
        range_max_mw_cm2=meter.range_max_mw_cm2,
    )


def add_meter(*, by: Any, **details: Any) -> Radiometer:
    return keep(Radiometer(**details), by=by)


def change_meter(*, meter: Radiometer, by: Any, reason: str, **details: Any) -> Radiometer:
    """Change a meter, with a reason. What was recorded with it stays as it was."""
    need(reason)
    for name, value in details.items():
        setattr(meter, name, value)
    return keep(meter, by=by, reason=reason)


def add_calibration(*, meter: Radiometer, by: Any, **details: Any) -> Calibration:
    """Keep a calibration. A meter that shows a unit of its own has no factor of 1: it has to be stated."""
    if meter.own_unit and details.get("factor") is None:
        raise ValidationError({"factor": f"State how many mW/cm² one {meter.own_unit} is."})
    return keep(Calibration(radiometer=meter, **details), by=by)


@transaction.atomic
def change_calibration(*, calibration: Calibration, by: Any, reason: str, **details: Any) -> Calibration:
    """Correct a calibration, with a reason. Surveys keep the factor that was applied to them; correct those yourself."""
    need(reason)
    for name, value in details.items():
        setattr(calibration, name, value)
    return keep(calibration, by=by, reason=reason)


def remove_calibration(*, calibration: Calibration, by: Any, reason: str) -> None:
    """Take out a calibration that was entered by mistake; refused where a survey was made or begun with it."""
    made = LampSurvey.objects.filter(calibration=calibration).count()
    if made:
        words = "a survey was" if made == 1 else f"{made} surveys were"
        raise ValidationError(f"{words.capitalize()} made under this calibration; correct it instead of taking it out.")
    begun = SurveyDraft.objects.filter(calibration=calibration).select_related("lamp").first()
    if begun is not None:
        raise ValidationError(
            f"A survey begun under this calibration is not stored yet ({begun}); store it or throw it away first."
        )
    remove(calibration, by=by, reason=reason)


def need(reason: str) -> None:
    if not reason.strip():
        raise ValidationError("Say why this record is changed.")
