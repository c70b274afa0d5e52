"""The lab's own records, one module per noun."""

from labbench.lab.models.chambers import Chamber, ChamberClosure, ProfileStep, ThermalProfile
from labbench.lab.models.glass import GlassStock
from labbench.lab.models.lamps import Lamp, LampSurvey, SurveyPoint
from labbench.lab.models.meters import Calibration, Radiometer
from labbench.lab.models.people import Person
from labbench.lab.models.procedures import Procedure, ProcedureVersion
from labbench.lab.models.resins import Resin, ResinLot

__all__ = [
    "Calibration",
    "Chamber",
    "ChamberClosure",
    "GlassStock",
    "Lamp",
    "LampSurvey",
    "Person",
    "Procedure",
    "ProcedureVersion",
    "ProfileStep",
    "Radiometer",
    "Resin",
    "ResinLot",
    "SurveyPoint",
    "ThermalProfile",
]
