"""How the soaks of a load stand by its traces: proved or not, and where the record of moves says otherwise."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median
from typing import Any

from labbench.bench.models import Booking, Load, TraceEvaluation, TraceFile
from labbench.bench.trace_findings import NOT_KNOWN
from labbench.bench.trace_fit import misfits, spans_of, why_not
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
# A soak that begins or ends with the file may have been longer than the file shows.
CAN_BE_CUT = {"not reached", "short"}
CUT_WITHIN = timedelta(seconds=1)


# --- proved or not --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SoakProof:
    """Soaks of a load, of which `met` are met by the traces; `by_air` of those only by the air's channel.

    `files` count; `passed_over` do not, as their times do not fit the load. `not_known` are seen only by files in which a
    sensor was silent then.
    """

    soaks: int
    met: int
    short: int
    by_air: int
    files: int
    passed_over: int = 0
    not_known: int = 0

    @property
    def not_seen(self) -> int:
        """Soaks that no file shows."""
        return self.soaks - self.met - self.short - self.not_known

    @property
    def words(self) -> str:
        """E.g. "8 of 9 met"."""
        return f"{self.met} of {self.soaks} met"

    @property
    def is_whole(self) -> bool:
        return self.met == self.soaks


def soak_proofs(loads: Iterable[int]) -> dict[int, SoakProof]:
    """Per load (its key) how its soaks stand; loads without an evaluated file are left out. Two queries.

    A file whose times do not fit its load proves nothing of it.
    """
    rows = (
        TraceEvaluation.objects.filter(trace__load__in=list(loads), finished_at__isnull=False)
        .order_by("-requested_at", "-pk")
        .values_list(
            "trace__load_id",
            "trace_id",
            "trace__uploaded_at",
            "result__proof",
            "result__moments",
            "result__starts_at",
            "result__ends_at",
        )
    )
    newest: dict[int, dict[int, tuple[Any, ...]]] = {}
    for load, trace, *told in rows:
        newest.setdefault(load, {}).setdefault(trace, tuple(told))
    spans = spans_of(newest)
    found = {}
    for load, files in newest.items():
        counted: list[dict[str, Any]] = []
        others: list[dict[str, Any]] = []
        for uploaded_at, proof, moments, *ends in files.values():
            starts_at, ends_at = (datetime.fromisoformat(text) for text in ends)
            misfit = why_not(starts_at, ends_at, uploaded_at, spans.get(load, ()))
            proof["cut"] = [_is_cut(moment, starts_at, ends_at) for moment in moments]
            (others if misfit else counted).append(proof)
        found[load] = combined(counted, others)
    return found


def _is_cut(moment: dict[str, Any], starts_at: datetime, ends_at: datetime) -> bool:
    """Whether a step begins with the file or ends with it: then the file need not show the whole of it."""
    start, end = (_time(moment[name]) for name in ("start", "end"))
    return start is not None and end is not None and (start <= starts_at + CUT_WITHIN or end >= ends_at - CUT_WITHIN)


def combined(proofs: Sequence[dict[str, Any]], passed_over: Sequence[dict[str, Any]] = ()) -> SoakProof:
    """The proofs of several files of a load together: a coupon's channel counts before the air, the worse before the better.

    What a file shows of a step that it cuts off counts only where no other shows the step; `cut` holds a flag for each verdict.
    Files that are passed over only say how many soaks there are.
    """
    seen: dict[tuple[int, int], list[tuple[bool, str]]] = {}
    in_part: dict[tuple[int, int], list[tuple[bool, str]]] = {}
    silent: set[tuple[int, int]] = set()
    for proof in proofs:
        flags = proof.get("cut") or [False] * len(proof["verdicts"])
        for (round_number, number, verdict), is_cut in zip(proof["verdicts"], flags, strict=True):
            if verdict == NOT_KNOWN:
                silent.add((round_number, number))
            elif verdict != "missing":
                answers = in_part if is_cut and verdict in CAN_BE_CUT else seen
                answers.setdefault((round_number, number), []).append((proof["by_air"], verdict))
    seen = in_part | seen
    decided = {key: _decided(answers) for key, answers in seen.items()}
    met = [by_air for by_air, verdict in decided.values() if verdict == "met"]
    return SoakProof(
        soaks=max((proof["soaks"] for proof in (proofs or passed_over)), default=0),
        met=len(met),
        short=len(decided) - len(met),
        by_air=sum(met),
        files=len(proofs),
        passed_over=len(passed_over),
        not_known=len(silent - decided.keys()),
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
        return ("No chamber is booked for this load: nothing ties the file to the load, and the trace stands alone.",)
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
            yield f"the air changes {_length(by)} {later} than the move {word} the chamber was recorded"


def _length(minutes: float) -> str:
    """E.g. "32 min", "2 h 5 min", "3 d 4 h"; from a day on in whole hours."""
    whole = round(abs(minutes))
    if whole >= 24 * 60:
        whole = 60 * round(whole / 60)
    days, rest = divmod(whole, 24 * 60)
    hours, rest = divmod(rest, 60)
    return " ".join(f"{count} {unit}" for count, unit in ((days, "d"), (hours, "h"), (rest, "min")) if count) or "0 min"


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
    # Why the file does not count for the load; "" where it does.
    misfit: str = ""

    @property
    def state(self) -> str:
        """columns: they have to be confirmed; else that of the job."""
        if self.newest is None:
            return "columns" if self.trace.mapping is None else "not evaluated"
        return str(self.newest.job.state)


def files_of(load: Load) -> list[FileStanding]:
    """The files of a load, newest first. Four queries."""
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
    said = misfits(row.pk for row in finished.values())
    return [
        FileStanding(trace, newest.get(trace.pk), done, said.get(done.pk, "") if done else "")
        for trace in traces
        for done in [finished.get(trace.pk)]
    ]


def is_by_air(document: dict[str, Any]) -> bool:
    """Whether the soaks of a document are counted from the air, for want of a coupon's channel."""
    return bool(document["decided_by"] == [AIR])
