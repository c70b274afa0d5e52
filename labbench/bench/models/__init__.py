"""What technicians record: repairs, loads and their moves, inspections, breaks, deviations, traces."""

from labbench.bench.models.bookings import Booking
from labbench.bench.models.deviations import Deviation
from labbench.bench.models.inspections import Inspection
from labbench.bench.models.loads import Load, LoadPlace
from labbench.bench.models.repairs import Repair
from labbench.bench.models.strength import StrengthTest
from labbench.bench.models.traces import TraceFile

__all__ = [
    "Booking",
    "Deviation",
    "Inspection",
    "Load",
    "LoadPlace",
    "Repair",
    "StrengthTest",
    "TraceFile",
]
