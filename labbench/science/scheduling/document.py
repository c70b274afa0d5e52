"""A plan as the JSON document of the headless command holds it: local times to the minute, no zone."""

from __future__ import annotations

from datetime import timedelta

from labbench.science.plain_values import Document
from labbench.science.scheduling.lab import Lab
from labbench.science.scheduling.solver import Plan


def plan_document(lab: Lab, plan: Plan) -> Document:
    """The document; what a plan that can't be made has no value for is null or empty, with the reason."""

    def time(minutes: int) -> str:
        return (lab.start + timedelta(minutes=minutes)).isoformat(timespec="minutes")

    return {
        "status": plan.status,
        "reason": plan.reason,
        "makespan_minutes": plan.score.makespan_minutes if plan.score else None,
        "bound_minutes": plan.bound_minutes,
        "late_minutes": sum(minutes for _, minutes in plan.late) if plan.score else None,
        "total_minutes": plan.score.total_minutes if plan.score else None,
        "proved": list(plan.proved),
        "repeatable": plan.is_repeatable,
        "bookings": [
            {
                "load": booking.load,
                "round": booking.round,
                "step": booking.step,
                "chamber": booking.chamber,
                "start": time(booking.start_minutes),
                "end": time(booking.end_minutes),
            }
            for booking in plan.bookings
        ],
        "late": [{"load": load, "minutes": minutes} for load, minutes in plan.late],
    }
