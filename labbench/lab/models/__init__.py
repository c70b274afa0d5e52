"""The lab's own records, one module per noun."""

from labbench.lab.models.chambers import Chamber, ChamberClosure, ProfileStep, ThermalProfile
from labbench.lab.models.glass import GlassCount, GlassStock
from labbench.lab.models.hours import ExtraHours, Holiday, StaffedWindow
from labbench.lab.models.lamps import HoursReading, Lamp, LampReplacement
from labbench.lab.models.meters import Calibration, Radiometer
from labbench.lab.models.people import Person
from labbench.lab.models.procedures import Procedure, ProcedureVersion
from labbench.lab.models.resins import LotCount, Resin, ResinLot
from labbench.lab.models.surveys import CureArea, DraftReading, LampSurvey, ReadingUnit, SurveyDraft, SurveyPoint

__all__ = [
    "Calibration",
    "Chamber",
    "ChamberClosure",
    "CureArea",
    "DraftReading",
    "ExtraHours",
    "GlassCount",
    "GlassStock",
    "Holiday",
    "HoursReading",
    "Lamp",
    "LampReplacement",
    "LampSurvey",
    "LotCount",
    "Person",
    "Procedure",
    "ProcedureVersion",
    "ProfileStep",
    "Radiometer",
    "ReadingUnit",
    "Resin",
    "ResinLot",
    "StaffedWindow",
    "SurveyDraft",
    "SurveyPoint",
    "ThermalProfile",
]
