"""The lab's own records, one module per noun."""

from labbench.lab.models.chambers import Chamber, ChamberClosure, ProfileStep, ThermalProfile
from labbench.lab.models.glass import GlassStock
from labbench.lab.models.hours import ExtraHours, Holiday, StaffedWindow
from labbench.lab.models.lamps import Lamp
from labbench.lab.models.meters import Calibration, Radiometer
from labbench.lab.models.people import Person
from labbench.lab.models.procedures import Procedure, ProcedureVersion
from labbench.lab.models.resins import Resin, ResinLot
from labbench.lab.models.surveys import DraftReading, LampSurvey, SurveyDraft, SurveyPoint

__all__ = [
    "Calibration",
    "Chamber",
    "ChamberClosure",
    "DraftReading",
    "ExtraHours",
    "GlassStock",
    "Holiday",
    "Lamp",
    "LampSurvey",
    "Person",
    "Procedure",
    "ProcedureVersion",
    "ProfileStep",
    "Radiometer",
    "Resin",
    "ResinLot",
    "StaffedWindow",
    "SurveyDraft",
    "SurveyPoint",
    "ThermalProfile",
]
