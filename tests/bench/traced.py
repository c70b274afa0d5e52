"""A load with bookings and an invented logger file of its rounds, whose truth is known."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from labbench.bench.models import Booking, TraceEvaluation
from labbench.bench.services import create_load
from labbench.bench.trace_files import stored_head, take_in
from labbench.bench.traces import confirm_columns, offered_columns, request_evaluation
from labbench.jobs.models import Job
from labbench.jobs.services import run_here
from labbench.lab.models import Chamber, ProfileStep, ThermalProfile
from tests import factories
from tests.science.trace_makers import csv_text, make, rounds_of

START = datetime(2026, 11, 2, 8, tzinfo=UTC)
# Name, air, minutes in the chamber; kind, target, tolerance, least and longest soak.
STEPS = (
    ("freeze", -22.0, 120.0, "freeze", -20.0, 4.0, 60, None),
    ("heat", 78.0, 60.0, "heat", 77.0, 4.0, 30, 50),
    ("cool", 22.0, 60.0, "cool", 25.0, 8.0, 20, None),
)
TAU_MINUTES = {"A": 5.0, "B": 6.0}


def profile(rounds: int = 2) -> ThermalProfile:
    made = ThermalProfile.objects.create(name=f"Cold and heat {next(factories.numbers)}", rounds=rounds)
    for number, (name, _, _, kind, target_c, tolerance_k, least, longest) in enumerate(STEPS, start=1):
        ProfileStep.objects.create(
            profile=made,
            number=number,
            name=name,
            kind=kind,
            target_c=target_c,
            tolerance_k=tolerance_k,
            min_minutes=least,
            max_minutes=longest,
        )
    return made


def load_of(study=None, *, rounds: int = 2, name: str = "Load 1", **details):
    """A load of a running study that plans as many rounds."""
    study = study or factories.study(rounds_planned=rounds, is_blind=False)
    return create_load(study=study, name=name, by=factories.person(), profile=profile(rounds), **details)


def made(rounds: int = 2, *, minutes: dict[str, float] | None = None, interval_s: float = 60.0, **options):
    """The trace of a whole run; `minutes` changes how long steps stay in their chamber."""
    steps = [(name, air_c, (minutes or {}).get(name, stay)) for name, air_c, stay, *_ in STEPS]
    return make(
        rounds_of(rounds, steps, transfer_minutes=2.0, idle_before=30.0),
        tau_minutes=TAU_MINUTES,
        interval_s=interval_s,
        **options,
    )


def text(trace, **options) -> bytes:
    return csv_text(trace, start=f"{START:%Y-%m-%dT%H:%M:%S}", **options).encode()


def booked(load, trace, *, recorded_late_minutes: float = 0.0) -> list[Booking]:
    """Bookings as the trace has them, recorded with a delay."""
    chambers = {
        name: Chamber.objects.create(code=f"{name}-{next(factories.numbers)}", kind=kind, capacity_coupons=24)
        for name, _, _, kind, *_ in STEPS
    }
    steps = {step.name: step for step in load.profile.steps.all()}
    rows = []
    for begin_s, end_s, stay in trace.stays:
        if stay.step is None:
            continue
        number, name = stay.step
        began = START + timedelta(seconds=begin_s)
        ended = START + timedelta(seconds=end_s)
        late = timedelta(minutes=recorded_late_minutes)
        rows.append(
            Booking.objects.create(
                load=load,
                chamber=chambers[name],
                step=steps[name],
                round_number=number,
                planned_start=began,
                planned_end=ended,
                started_at=began + late,
                ended_at=ended + late,
            )
        )
    return rows


def taken_in(load, data: bytes, *, by=None, filename: str = "logger.csv", **details):
    [trace] = take_in(loads=[load], pieces=[data], filename=filename, by=by or factories.person(), **details)
    return trace


def evaluated(load, data: bytes, *, by=None, clock_behind_minutes: float = 0.0, **details):
    """A file taken in, its columns confirmed as offered, and evaluated in this process."""
    by = by or factories.person()
    trace = taken_in(load, data, by=by, **details)
    mapping, _ = offered_columns(trace, stored_head(trace))
    trace = confirm_columns(trace=trace, mapping=mapping, clock_behind_minutes=clock_behind_minutes, by=by)
    return asked(trace, by)


def asked(trace, by=None):
    """The evaluation of a file as things stand, its job run here where nobody has."""
    evaluation = request_evaluation(trace=trace, by=by or factories.person())
    if evaluation.job.state == Job.State.QUEUED:
        run_here(evaluation.job)
    return TraceEvaluation.objects.select_related("trace", "job", "profile").get(pk=evaluation.pk)
