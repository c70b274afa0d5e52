"""What the software notices when a repair is recorded."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from django.conf import settings
from django.utils import timezone

from labbench.bench.models import Deviation, Inspection, Load, Repair
from labbench.formats.date_texts import day_text, moment_text
from labbench.formats.factor_names import factor_label
from labbench.lab.meters import band_caution
from labbench.lab.models import Calibration, LampReplacement, LampSurvey, Person
from labbench.studies.models import AllocatedCoupon, CouponLevel

# How the history of a load says that it set out.
STARTED = "started"


@dataclass(frozen=True, slots=True)
class Finding:
    """A rule that the repair does not keep."""

    kind: str
    text: str


def repair_findings(repair: Repair) -> tuple[Finding, ...]:
    """Every rule that this repair does not keep."""
    day = timezone.localtime(repair.repaired_at).date()
    findings = []
    for lot in filter(None, (repair.resin_lot, repair.pit_resin_lot)):
        if lot.received_on > day:
            findings.append(
                Finding(
                    Deviation.Kind.OTHER,
                    f"{lot} was received on {day_text(lot.received_on)}; the repair is of {day_text(day)}.",
                )
            )
        if lot.expires_on and lot.expires_on < day:
            findings.append(
                Finding(
                    Deviation.Kind.RESIN_EXPIRED,
                    f"{lot} expired on {day_text(lot.expires_on)}; the repair is of {day_text(day)}.",
                )
            )
    findings += meter_findings(repair)
    findings += survey_findings(repair)
    findings += allocation_findings(repair)
    findings += load_findings(repair)
    return tuple(findings)


def meter_findings(repair: Repair) -> list[Finding]:
    """Where the meter of the day's reading had no valid calibration, or does not see the lamp's peak.

    A meter that read nothing is no part of the repair.
    """
    findings: list[Finding] = []
    day = timezone.localtime(repair.repaired_at).date()
    if repair.radiometer_id and repair.irradiance_mw_cm2 is not None:
        calibration = Calibration.objects.filter(radiometer_id=repair.radiometer_id, calibrated_on__lte=day).first()
        if calibration is None:
            findings.append(
                Finding(
                    Deviation.Kind.CALIBRATION_OVERDUE,
                    f"Meter {repair.radiometer} has no calibration before {day_text(day)}.",
                )
            )
        elif calibration.due_on < day:
            findings.append(
                Finding(
                    Deviation.Kind.CALIBRATION_OVERDUE,
                    f"Calibration of meter {repair.radiometer} was due on {day_text(calibration.due_on)}.",
                )
            )
        if repair.radiometer and (words := band_caution(repair.radiometer, repair.lamp)):
            findings.append(Finding(Deviation.Kind.OTHER, words))
    return findings


def load_findings(repair: Repair) -> list[Finding]:
    """Where the repair was made after the coupon's load had set out."""
    load = Load.objects.filter(places__coupon=repair.coupon_id).exclude(state=Load.State.PLANNED).first()
    if load is None:
        return []
    # A load that came with a sheet never set out from here.
    starts = Load.history.filter(id=load.pk, history_change_reason__startswith=STARTED).order_by("-history_date")
    set_out_at = starts.values_list("history_date", flat=True).first()
    if set_out_at is None or repair.repaired_at < set_out_at:
        return []
    at = moment_text(timezone.localtime(set_out_at))
    return [Finding(Deviation.Kind.OTHER, f"Repaired after {load.name} had set out ({at}).")]


def last_survey(repair: Repair) -> LampSurvey | None:
    """The last survey of the repair's lamp before the repair, however old."""
    standing = LampSurvey.objects.filter(lamp_id=repair.lamp_id, withdrawn_at=None)
    return standing.filter(surveyed_at__lte=repair.repaired_at).first()


def is_too_old(survey: LampSurvey, repair: Repair) -> bool:
    return survey.surveyed_at < repair.repaired_at - timedelta(days=settings.SURVEY_VALID_DAYS)


def renewal_since(survey: LampSurvey, repair: Repair) -> LampReplacement | None:
    """A part of the lamp that was renewed between its survey and the repair: the survey is of another life."""
    renewals = LampReplacement.objects.filter(lamp_id=repair.lamp_id, replaced_at__gt=survey.surveyed_at)
    return renewals.filter(replaced_at__lte=repair.repaired_at).first()


def valid_survey(repair: Repair) -> LampSurvey | None:
    """The survey that counts for the repair, None if the lamp had none, or one too old or of an earlier life."""
    survey = last_survey(repair)
    return None if survey is None or is_too_old(survey, repair) or renewal_since(survey, repair) else survey


def survey_findings(repair: Repair) -> list[Finding]:
    """Where the lamp had no survey when the repair was made, or an old one only."""
    survey = repair.survey or last_survey(repair)
    if survey is None:
        return [Finding(Deviation.Kind.SURVEY_OLD, f"Lamp {repair.lamp} had not been surveyed.")]
    if renewed := renewal_since(survey, repair):
        on = day_text(timezone.localtime(renewed.replaced_at))
        words = f"Lamp {repair.lamp} was not surveyed since its {renewed.in_words} on {on}."
        return [Finding(Deviation.Kind.SURVEY_OLD, words)]
    if not is_too_old(survey, repair):
        return []
    return [
        Finding(
            Deviation.Kind.SURVEY_OLD,
            f"The last survey of lamp {repair.lamp} is of {day_text(timezone.localtime(survey.surveyed_at))}, "
            f"more than {settings.SURVEY_VALID_DAYS} days before the repair.",
        )
    ]


def allocation_findings(repair: Repair) -> list[Finding]:
    """Where the repair used something else than the coupon's levels say."""
    used = {
        "resin": (repair.resin_lot.resin_id, repair.resin_lot.resin),
        "resin_lot": (repair.resin_lot_id, repair.resin_lot),
        "lamp": (repair.lamp_id, repair.lamp),
        "technician": (repair.technician_id, repair.technician),
        "procedure_version": (repair.procedure_version_id, repair.procedure_version),
    }
    findings = []
    levels = CouponLevel.objects.filter(coupon_id=repair.coupon_id).select_related(
        "factor",
        "level__resin",
        "level__resin_lot__resin",
        "level__lamp",
        "level__technician",
        "level__procedure_version__procedure",
    )
    for row in levels:
        for name, (used_id, used_record) in used.items():
            planned_id = getattr(row.level, f"{name}_id")
            if planned_id is not None and planned_id != used_id:
                findings.append(
                    Finding(
                        Deviation.Kind.ALLOCATION,
                        f"{factor_label(row.factor.name)}: {used_record or 'nothing'} instead of {row.level.name}, "
                        "which the coupon was allocated.",
                    )
                )
        if row.factor.name == "cure_time_s" and row.level.number is not None and row.level.number != repair.cure_time_s:
            findings.append(
                Finding(
                    Deviation.Kind.ALLOCATION,
                    f"Cured {repair.cure_time_s:g} s, the coupon was allocated {row.level.number:g} s.",
                )
            )
    drawn = drawn_technician(repair.coupon_id)
    is_factor = any(row.level.technician_id is not None for row in levels)
    if drawn is not None and drawn.pk != repair.technician_id and not is_factor:
        words = f"Repaired by {repair.technician} instead of {drawn}, who was drawn for the coupon."
        findings.append(Finding(Deviation.Kind.ALLOCATION, words))
    return findings


def drawn_technician(coupon_pk: int) -> Person | None:
    """Who was drawn to repair a coupon beside its levels; None where nobody was, or the allocation is not locked."""
    rows = AllocatedCoupon.objects.filter(coupon=coupon_pk, allocation__locked_at__isnull=False)
    row = rows.select_related("technician").first()
    return None if row is None else row.technician


def blinding_findings(look: Inspection) -> tuple[Finding, ...]:
    """In a blind study nobody inspects a repair of their own."""
    if not look.coupon.study.is_blind:
        return ()
    if not Repair.objects.filter(coupon=look.coupon_id, technician=look.inspector_id).exists():
        return ()
    at = f"round {look.round_number}" + (f", step {look.step_number}" if look.step_number else "")
    return (Finding(Deviation.Kind.BLINDING, f"Inspected in {at} by {look.inspector}, who had made the repair."),)
