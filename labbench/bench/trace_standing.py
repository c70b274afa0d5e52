"""How the soaks of a load stand by its traces: proved or not, and where the record of moves says otherwise."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median
from typing import Any

from labbench.bench.models import Booking, Load, TraceEvaluation, TraceFile
from labbench.bench.traces import stays_whole
from labbench.science.soaks.steps import ROOM_C, ROOM_REACH_K
from labbench.science.soaks.traces import AIR

# A move written down this far from what the trace shows is pointed out (common practice, no source).
DIFFERS_MINUTES = 5.0
# Differences that agree this well come from the clock, not from the moves.
CLOCK_SPREAD_MINUTES = 5.0
CLOCK_LEAST_MINUTES = 2.0
CLOCK_LEAST_MOVES = 3
# Of two files that look at the same soak, the worse counts.
WORST_FIRST = ("not reached", "short", "long", "met", "missing")


# --- proved or not --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SoakProof:
    """Soaks of a load, of which `met` are met by the traces; `by_air` of those only by the air's channel."""

    soaks: int
    met: int
    short: int
    by_air: int
    files: int

    @property
    def not_seen(self) -> int:
        """Soaks that no file shows."""
        return self.soaks - self.met - self.short

    @property
    def words(self) -> str:
        """E.g. "8 of 9 met"."""
        return f"{self.met} of {self.soaks} met"

    @property
    def is_whole(self) -> bool:
        return self.met == self.soaks


def soak_proofs(loads: Iterable[int]) -> dict[int, SoakProof]:
    """Per load (its key) how its soaks stand; loads without an evaluated file are left out. One query."""
    rows = (
        TraceEvaluation.objects.filter(trace__load__in=list(loads), finished_at__isnull=False)
        .order_by("-requested_at", "-pk")
        .values_list("trace__load_id", "trace_id", "result__proof")
    )
    newest: dict[int, dict[int, dict[str, Any]]] = {}
    for load, trace, proof in rows:
        newest.setdefault(load, {}).setdefault(trace, proof)
    return {load: combined(list(proofs.values())) for load, proofs in newest.items()}


def combined(proofs: Sequence[dict[str, Any]]) -> SoakProof:
    """The proofs of several files of a load together: a coupon's channel counts before the air, the worse before the better."""
    seen: dict[tuple[int, int], list[tuple[bool, str]]] = {}
    for proof in proofs:
        for round_number, number, verdict in proof["verdicts"]:
            if verdict != "missing":
                seen.setdefault((round_number, number), []).append((proof["by_air"], verdict))
    decided = {key: _decided(answers) for key, answers in seen.items()}
    met = [by_air for by_air, verdict in decided.values() if verdict == "met"]
    return SoakProof(
        soaks=max((proof["soaks"] for proof in proofs), default=0),
        met=len(met),
        short=len(decided) - len(met),
        by_air=sum(met),
        files=len(proofs),
    )


def _decided(answers: list[tuple[bool, str]]) -> tuple[bool, str]:
    by_air = all(is_air for is_air, _ in answers)
    own = [verdict for is_air, verdict in answers if is_air == by_air]
    return by_air, min(own, key=WORST_FIRST.index)


def proof_of(load: Load) -> SoakProof | None:
    """How the soaks of one load stand; None while no file is evaluated."""
    return soak_proofs([load.pk]).get(load.pk)


# --- beside the record of moves -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Move:
    """One step by the plan, by the record and by the trace; differences are trace minus record, in minutes.

    `is_seen` is False where the step's air is that of the room: then the trace does not show when the load came or went.
    """

    round_number: int
    step: str
    chamber: str
    planned_start: datetime | None
    planned_end: datetime | None
    recorded_in: datetime | None
    recorded_out: datetime | None
    seen_from: datetime | None
    seen_to: datetime | None
    in_differs_minutes: float | None
    out_differs_minutes: float | None
    is_seen: bool
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Moves of a load beside the trace. `clock_minutes`: by how much the logger's clock seems to be behind, beyond what is corrected."""

    moves: tuple[Move, ...]
    clock_minutes: float | None
    remarks: tuple[str, ...]

    @property
    def clock_ahead(self) -> float | None:
        """The same, where the clock seems to be ahead."""
        return None if self.clock_minutes is None else -self.clock_minutes

    @property
    def disagreements(self) -> int:
        return sum(1 for move in self.moves if move.remarks)


def compare_moves(evaluation: TraceEvaluation) -> Comparison:
    """What the record of moves says beside what the trace shows. A logger that stayed in its chamber does not see moves."""
    trace, result = evaluation.trace, evaluation.result
    assert result is not None  # only finished evaluations are compared
    rows = list(
        Booking.objects.filter(load=trace.load_id).select_related("chamber", "step").order_by("planned_start", "part")
    )
    within = _outside_words(result, rows)
    if not stays_whole(trace):
        return Comparison((), None, within)
    moves = tuple(_moves(result, _by_step(rows), [_is_room(step) for step in evaluation.inputs["profile"]["steps"]]))
    clock = clock_error(
        [d for move in moves for d in (move.in_differs_minutes, move.out_differs_minutes) if d is not None]
    )
    return Comparison(moves, clock, within)


def _outside_words(result: dict[str, Any], rows: list[Booking]) -> tuple[str, ...]:
    starts_at, ends_at = (datetime.fromisoformat(result[name]) for name in ("starts_at", "ends_at"))
    if not rows:
        return ("No chamber is booked for this load: the trace stands alone.",)
    if any(
        (row.started_at or row.planned_start) <= ends_at and (row.ended_at or row.planned_end) >= starts_at
        for row in rows
    ):
        return ()
    return ("No booking of this load lies within the times of the file: is it the right load, day and clock?",)


def _by_step(rows: list[Booking]) -> dict[tuple[int, int], list[Booking]]:
    found: dict[tuple[int, int], list[Booking]] = {}
    for row in rows:
        if row.step is not None and row.round_number is not None:
            found.setdefault((row.round_number, row.step.number), []).append(row)
    return found


def _is_room(step: dict[str, Any]) -> bool:
    return bool(abs(step["target_c"] - ROOM_C) <= ROOM_REACH_K + step["tolerance_k"])


def _moves(
    result: dict[str, Any], booked: dict[tuple[int, int], list[Booking]], is_room: Sequence[bool]
) -> Iterable[Move]:
    both = zip(result["document"]["steps"], result["moments"], strict=True)
    # The steps of all rounds follow each other as in the profile.
    for place, (step, moment) in enumerate(both):
        is_seen = not is_room[place % len(is_room)]
        rows = booked.get((step["round"], moment["step_number"]), [])
        seen_from, seen_to = (_time(moment[name]) for name in ("start", "end"))
        went_in = rows[0].started_at if rows else None
        came_out = rows[-1].ended_at if rows else None
        in_by = _minutes_between(went_in, seen_from) if is_seen else None
        out_by = _minutes_between(came_out, seen_to) if is_seen else None
        chambers = list(dict.fromkeys(str(row.chamber) for row in rows))
        yield Move(
            round_number=step["round"],
            step=step["step"],
            chamber=", ".join(chambers),
            planned_start=rows[0].planned_start if rows else None,
            planned_end=rows[-1].planned_end if rows else None,
            recorded_in=went_in,
            recorded_out=came_out,
            seen_from=seen_from,
            seen_to=seen_to,
            in_differs_minutes=in_by,
            out_differs_minutes=out_by,
            is_seen=is_seen,
            remarks=tuple(_remarks(rows, went_in, seen_from, in_by, out_by)),
        )


def _remarks(
    rows: list[Booking],
    went_in: datetime | None,
    seen_from: datetime | None,
    in_by: float | None,
    out_by: float | None,
) -> Iterable[str]:
    if rows and went_in is not None and seen_from is None:
        yield "recorded, but the trace does not show it"
    if rows and went_in is None and seen_from is not None:
        yield "the trace shows it, but no move is recorded"
    for word, by in (("into", in_by), ("out of", out_by)):
        if by is not None and abs(by) >= DIFFERS_MINUTES:
            later = "later" if by > 0 else "earlier"
            yield f"the air changes {abs(by):.0f} min {later} than the move {word} the chamber was recorded"


def clock_error(differences_minutes: Sequence[float]) -> float | None:
    """Minutes by which the logger's clock seems to be behind: the median difference, where all moves differ alike; else None."""
    if len(differences_minutes) < CLOCK_LEAST_MOVES:
        return None
    middle = median(differences_minutes)
    if abs(middle) < CLOCK_LEAST_MINUTES:
        return None
    if max(differences_minutes) - min(differences_minutes) > CLOCK_SPREAD_MINUTES:
        return None
    return -float(round(middle))


def _minutes_between(recorded: datetime | None, seen: datetime | None) -> float | None:
    return None if recorded is None or seen is None else (seen - recorded).total_seconds() / 60


def _time(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


# --- lists ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class FileStanding:
    """A file of a load with its newest evaluation, which may be under way, and its newest finished one."""

    trace: TraceFile
    newest: TraceEvaluation | None
    finished: TraceEvaluation | None

    @property
    def state(self) -> str:
        """columns: they have to be confirmed; else that of the job."""
        if self.newest is None:
            return "columns" if self.trace.mapping is None else "not evaluated"
        return str(self.newest.job.state)


def files_of(load: Load) -> list[FileStanding]:
    """The files of a load, newest first. Two queries."""
    traces = list(load.traces.select_related("uploaded_by", "chamber"))
    rows = (
        TraceEvaluation.objects.filter(trace__in=traces)
        .select_related("job")
        .defer("result", "inputs")
        .order_by("-requested_at", "-pk")
    )
    newest: dict[int, TraceEvaluation] = {}
    finished: dict[int, TraceEvaluation] = {}
    for row in rows:
        newest.setdefault(row.trace_id, row)
        if row.finished_at is not None:
            finished.setdefault(row.trace_id, row)
    return [FileStanding(trace, newest.get(trace.pk), finished.get(trace.pk)) for trace in traces]


def is_by_air(document: dict[str, Any]) -> bool:
    """Whether the soaks of a document are counted from the air, for want of a coupon's channel."""
    return bool(document["decided_by"] == [AIR])
