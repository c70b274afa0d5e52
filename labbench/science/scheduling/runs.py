"""One run of the constraint solver: its limits, its seed, how it is stopped, what it tells on the way."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from ortools.sat.python import cp_model

WORKERS = 2
LOOK_SECONDS = 0.1


@dataclass(frozen=True, slots=True)
class Limits:
    """How long a run may take: `work` in the solver's deterministic units, `until` on the monotonic clock."""

    work: float
    until: float


class _Watcher(cp_model.CpSolverSolutionCallback):
    def __init__(self, found: Callable[[cp_model.CpSolverSolutionCallback], None]) -> None:
        super().__init__()
        self._found = found

    def on_solution_callback(self) -> None:
        self._found(self)


# Too little to simplify a model in.
SHORT_SECONDS = 1.0
SHORT_WORK = 0.1


def run_solver(
    model: cp_model.CpModel,
    limits: Limits,
    *,
    seed: int,
    stop: Callable[[], bool],
    found: Callable[[cp_model.CpSolverSolutionCallback], None] | None = None,
    bound: Callable[[float], None] | None = None,
    has_hint: bool = False,
) -> tuple[cp_model.CpSolverStatus, cp_model.CpSolver]:
    """Solve with two interleaved workers: as long as `work` ends it and not the clock, the same answer every time."""
    solver = cp_model.CpSolver()
    parameters = solver.parameters
    parameters.num_workers = WORKERS
    parameters.interleave_search = True
    parameters.random_seed = seed % 2**31
    if has_hint:
        # Breaking the symmetry of loads that are alike makes a complete hint break rules of its own.
        parameters.symmetry_level = 0
    parameters.max_deterministic_time = max(limits.work, 1e-6)
    parameters.max_time_in_seconds = max(limits.until - time.monotonic(), 0.01)
    # Cut off while it still simplifies the model, OR-tools 9.15 aborts the whole process ("solution->size() ==
    # postsolve_mapping.size()"): with little time or work it does not simplify.
    if parameters.max_time_in_seconds < SHORT_SECONDS or parameters.max_deterministic_time < SHORT_WORK:
        parameters.cp_model_presolve = False
    if bound is not None:
        solver.best_bound_callback = bound
    ended = threading.Event()
    watch = threading.Thread(target=_stop_when_asked, args=(solver, stop, ended), daemon=True)
    watch.start()
    try:
        status = solver.solve(model, _Watcher(found) if found is not None else None)
    finally:
        ended.set()
        watch.join()
    if status == cp_model.MODEL_INVALID:
        raise AssertionError(model.validate())
    # Cut off early it may say that it has a solution and give none.
    has_none = status in (cp_model.OPTIMAL, cp_model.FEASIBLE) and not solver.response_proto.solution
    return cp_model.UNKNOWN if has_none else status, solver


def _stop_when_asked(solver: cp_model.CpSolver, stop: Callable[[], bool], ended: threading.Event) -> None:
    while not ended.wait(LOOK_SECONDS):
        if stop():
            solver.stop_search()
