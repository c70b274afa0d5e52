"""What technicians record: repairs, loads and their moves, inspections, breaks, deviations, traces."""

from labbench.bench.models.bookings import Booking
from labbench.bench.models.calendars import CalendarAddress
from labbench.bench.models.chamber_failures import ChamberFailure
from labbench.bench.models.chamber_plans import BookingChange, ChamberPlan, PlanAlternatives
from labbench.bench.models.deviations import Deviation
from labbench.bench.models.doses import ReceivedDose
from labbench.bench.models.inspections import Inspection
from labbench.bench.models.loads import Load, LoadPlace
from labbench.bench.models.repairs import Repair
from labbench.bench.models.strength import StrengthTest
from labbench.bench.models.traces import LoggerColumns, TraceEvaluation, TraceFile, TraceFinding

__all__ = [
    "Booking",
    "BookingChange",
    "CalendarAddress",
    "ChamberFailure",
    "ChamberPlan",
    "Deviation",
    "Inspection",
    "Load",
    "LoadPlace",
    "LoggerColumns",
    "PlanAlternatives",
    "ReceivedDose",
    "Repair",
    "StrengthTest",
    "TraceEvaluation",
    "TraceFile",
    "TraceFinding",
]
