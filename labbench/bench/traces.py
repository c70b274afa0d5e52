"""What a logger file shows of the soaks: its columns confirmed, evaluated in the queue, the result frozen with all it came from."""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone

from labbench.bench.models import Booking, Load, LoggerColumns, TraceEvaluation, TraceFile
from labbench.bench.trace_files import path_of, stored_head
from labbench.bench.trace_findings import verdict_word
from labbench.code_version import code_version
from labbench.formats.logger_columns import ColumnMapping
from labbench.formats.logger_file import LoggerReading, read_logger_file
from labbench.formats.logger_head import LoggerHead, channel_name, mapping_document, mapping_faults, mapping_from
from labbench.formats.number_texts import number_text
from labbench.formats.thermal_profile import ProfileReading, read_thermal_profile
from labbench.formats.trace_columns import write_trace_columns
from labbench.jobs.models import Job
from labbench.jobs.services import JobRefused, Running, enqueue, retry
from labbench.lab.models import Chamber, ProfileStep
from labbench.lab.models import ThermalProfile as StoredProfile
from labbench.lab.records import keep
from labbench.science.soaks.document import trace_document
from labbench.science.soaks.evaluation import TraceEvaluation as Evaluation
from labbench.science.soaks.evaluation import evaluate_trace
from labbench.science.soaks.profile import ThermalProfile
from labbench.science.soaks.stays import Stay, StayEvaluation, evaluate_stays, stays_document
from labbench.science.soaks.traces import AIR, ReadyTrace, TemperatureTrace, make_ready

TASK = "labbench.evaluate_trace"
# A clock that was never set shows the first day that its maker thought of.
MOST_CLOCK_MINUTES = 40 * 366 * 24 * 60.0
# One that is off by more than this was not set at all: that the file is this load's then rests on the reason given.
UNSET_CLOCK_MINUTES = 48 * 60.0
CLOCK_CORRECTED = "clock corrected: "
FAULTS_KEPT = 200


# --- columns --------------------------------------------------------------------------------------------------------


def offered_columns(trace: TraceFile, head: LoggerHead) -> tuple[ColumnMapping, bool]:
    """How the columns may be read: as confirmed for this file, else as remembered for its kind, else as its header suggests.

    The second value says whether a person has confirmed them before, for this file or another of its kind.
    """
    header = head.layout.header
    if trace.mapping is not None:
        return mapping_from(trace.mapping, header), True
    known = LoggerColumns.objects.filter(layout_sha256=trace.layout_sha256).first()
    if known is not None:
        return mapping_from(known.mapping, header), True
    assert head.proposal is not None  # a file without one is not kept
    return named_by_coupons(head.proposal, trace.load), False


def named_by_coupons(mapping: ColumnMapping, load: Load) -> ColumnMapping:
    """The proposal with the codes of the load's coupons, where a header names just one of them as a word of its own."""
    if mapping.is_agreed:
        return mapping
    codes = list(load.places.values_list("coupon__code", flat=True))
    channels, taken = [], set()
    for channel in mapping.channels:
        words = channel.header.casefold()
        named = [code for code in codes if re.search(rf"(?<!\w){re.escape(code.casefold())}(?!\w)", words)]
        name = channel_name(named[0]) if len(named) == 1 and channel.channel != AIR else channel.channel
        channels.append(channel if name in taken else replace(channel, channel=name))
        taken.add(channels[-1].channel)
    return replace(mapping, channels=tuple(channels))


@transaction.atomic
def confirm_columns(
    *, trace: TraceFile, mapping: ColumnMapping, clock_behind_minutes: float, by: Any, reason: str = ""
) -> TraceFile:
    """Store how a file is read, and remember it for the next file of its kind. Files of the same upload without columns get the same.

    ValidationError if the mapping is not possible.
    """
    if faults := mapping_faults(mapping):
        raise ValidationError(faults)
    if abs(clock_behind_minutes) > MOST_CLOCK_MINUTES:
        raise ValidationError({"clock_behind_minutes": "A clock can be corrected by 40 years at most."})
    head = stored_head(trace)
    document = mapping_document(mapping)
    row = TraceFile.objects.select_for_update(of=("self",)).get(pk=trace.pk)
    others = TraceFile.objects.none()
    if row.chamber_id is not None:
        others = TraceFile.objects.filter(sha256=row.sha256, chamber=row.chamber_id, mapping__isnull=True).exclude(
            pk=row.pk
        )
    for each in (row, *others):
        each.mapping, each.clock_behind_minutes = document, clock_behind_minutes
        keep(each, by=by, reason=reason or "columns confirmed")
    _remember(trace.layout_sha256, head, document, by)
    return row


def correct_clock(*, trace: TraceFile, clock_behind_minutes: float, by: Any, reason: str) -> TraceFile:
    """State by how much the logger's clock was behind, and how that is known; everything else stays as it was confirmed."""
    if trace.mapping is None:
        raise ValidationError("Confirm first what the columns are.")
    if not reason.strip():
        raise ValidationError({"reason": "Say how it is known that the clock was off."})
    return confirm_columns(
        trace=trace,
        mapping=mapping_from(trace.mapping, ()),
        clock_behind_minutes=clock_behind_minutes,
        by=by,
        reason=f"{CLOCK_CORRECTED}{reason}",
    )


def clock_reason(trace: TraceFile) -> str:
    """How it is known that the logger's clock was off; "" where it is taken as right, or nobody said."""
    if not trace.clock_behind_minutes:
        return ""
    corrected = trace.history.filter(history_change_reason__startswith=CLOCK_CORRECTED).first()
    return "" if corrected is None else str(corrected.history_change_reason).removeprefix(CLOCK_CORRECTED)


def _remember(layout_sha256: str, head: LoggerHead, document: dict[str, Any], by: Any) -> None:
    known = LoggerColumns.objects.select_for_update().filter(layout_sha256=layout_sha256).first()
    if known is not None and known.mapping == document:
        return
    row = known or LoggerColumns(layout_sha256=layout_sha256, header=list(head.layout.header))
    row.mapping, row.confirmed_by, row.confirmed_at = document, by, timezone.now()
    try:
        keep(row, by=by)
    except ValidationError:
        # Somebody confirmed columns of the same kind at the same moment; theirs are remembered.
        if known is not None or not LoggerColumns.objects.filter(layout_sha256=layout_sha256).exists():
            raise


# --- what is asked --------------------------------------------------------------------------------------------------


def profile_of(load: Load) -> StoredProfile | None:
    """The profile a load goes through: its own, else the study's."""
    return load.profile or load.study.profile


def profile_document(load: Load) -> dict[str, Any]:
    """The load's profile as PROFILE.json, with the rounds that its study plans. ValidationError if it can't be judged by."""
    stored = profile_of(load)
    if stored is None:
        raise ValidationError(f"{load.name} has no thermal profile, and its study has none: choose one first.")
    steps = list(ProfileStep.objects.filter(profile=stored))
    if lacking := [step.name for step in steps if step.target_c is None or step.tolerance_k is None]:
        raise ValidationError(
            f"{stored} says no coupon target and tolerance for {', '.join(lacking)}; a soak can't be judged without."
        )
    document = {
        "name": str(stored),
        "rounds": load.study.rounds_planned or stored.rounds,
        "max_transfer_minutes": stored.max_transfer_minutes,
        "steps": [
            {
                "name": step.name,
                "kind": step.kind,
                "target_c": step.target_c,
                "tolerance_k": step.tolerance_k,
                "min_minutes": step.min_minutes,
                "max_minutes": step.max_minutes,
            }
            for step in steps
        ],
    }
    reading = read_document(document)
    if reading.profile is None:
        raise ValidationError([f"{stored} can't be judged by: {line}" for line in reading.fault_lines])
    return document


def read_document(document: dict[str, Any]) -> ProfileReading:
    return read_thermal_profile(json.dumps(document).encode())


def inputs_of(trace: TraceFile) -> dict[str, Any]:
    """Everything an evaluation hangs on, as things stand. ValidationError if something is missing."""
    if trace.mapping is None:
        raise ValidationError("Confirm first what the columns are.")
    load = Load.objects.select_related("study__profile", "profile").get(pk=trace.load_id)
    return {
        "file_sha256": trace.sha256,
        "mapping": trace.mapping,
        "clock_behind_minutes": trace.clock_behind_minutes,
        "time_zone": settings.TIME_ZONE,
        "profile": profile_document(load),
        "step_numbers": _step_numbers(load),
        "stays": None if stays_whole(trace) else stays_of(trace),
    }


def stays_whole(trace: TraceFile) -> bool:
    """Whether the file shows whole rounds: the logger travelled with the load, or stayed in a programmable chamber."""
    return trace.chamber_id is None or trace.chamber is None or trace.chamber.kind == Chamber.Kind.CYCLER


def stays_of(trace: TraceFile) -> list[dict[str, Any]]:
    """When the load was in the logger's chamber: as recorded, as planned where nothing is recorded."""
    steps = {step: place for place, step in enumerate(_step_numbers(trace.load))}
    rows = Booking.objects.filter(load=trace.load_id, chamber=trace.chamber_id, step__isnull=False).select_related(
        "step"
    )
    stays = []
    for row in rows.order_by("round_number", "planned_start"):
        assert row.step is not None  # by the filter
        if row.step.number not in steps:
            continue
        start, end = row.started_at or row.planned_start, row.ended_at or row.planned_end
        if end <= start:
            continue
        stays.append(
            {
                "round": row.round_number,
                "step": steps[row.step.number],
                "from": start.astimezone(UTC).isoformat(),
                "to": end.astimezone(UTC).isoformat(),
                "is_recorded": row.started_at is not None,
            }
        )
    return stays


def _step_numbers(load: Load) -> list[int]:
    stored = profile_of(load)
    return list(ProfileStep.objects.filter(profile=stored).values_list("number", flat=True)) if stored else []


def canonical(document: Any) -> str:
    return json.dumps(document, sort_keys=True, ensure_ascii=False, separators=(",", ":"))


def request_evaluation(*, trace: TraceFile, by: Any) -> TraceEvaluation:
    """The evaluation of a file as things stand: the stored one where all it hangs on is the same, else a new one in the queue.

    One that failed or was cancelled is queued again. ValidationError if something is missing.
    """
    inputs = inputs_of(trace)
    sha256 = hashlib.sha256(canonical(inputs).encode()).hexdigest()
    key = {"trace": trace, "inputs_sha256": sha256, "code_version": code_version()}
    known = TraceEvaluation.objects.filter(**key).select_related("job").first()
    if known is None:
        load = Load.objects.select_related("study__profile", "profile").get(pk=trace.load_id)
        profile = profile_of(load)
        assert profile is not None  # the inputs hold it
        try:
            with transaction.atomic():
                job = enqueue(
                    task=TASK,
                    title=f"Evaluate {trace.filename[:80]} for {load.name}",
                    arguments={"study": load.study_id, "trace": trace.pk},
                    requested_by=by,
                )
                return TraceEvaluation.objects.create(
                    **key,
                    inputs=inputs,
                    profile=profile,
                    job=job,
                    requested_by=by,
                    requested_at=timezone.now(),
                )
        except IntegrityError:
            # Somebody asked for the same at the same moment.
            known = TraceEvaluation.objects.select_related("job").get(**key)
    if known.job.state in {Job.State.FAILED, Job.State.CANCELLED}:
        TraceEvaluation.objects.filter(pk=known.pk).update(faults=[])
        retry(job=known.job)
    # What was asked for last is shown, also where it is an older answer.
    TraceEvaluation.objects.filter(pk=known.pk).update(requested_at=timezone.now())
    known.refresh_from_db()
    return known


def is_current(evaluation: TraceEvaluation) -> bool:
    """Whether profile, columns, clock, moves and code are still those of the evaluation."""
    try:
        inputs = inputs_of(evaluation.trace)
    except ValidationError:
        return False
    sha256 = hashlib.sha256(canonical(inputs).encode()).hexdigest()
    return sha256 == evaluation.inputs_sha256 and evaluation.code_version == code_version()


def evaluation_document(evaluation: TraceEvaluation) -> dict[str, Any]:
    """The document of the command `trace` for a finished evaluation, with UTC times of its steps and all it was made from."""
    result, trace = evaluation.result, evaluation.trace
    assert result is not None  # only finished evaluations have one
    moments = [
        {"round": step["round"], "step": step["step"], **moment}
        for step, moment in zip(result["document"]["steps"], result["moments"], strict=True)
    ]
    return {
        **result["document"],
        "made_from": {
            "study": trace.load.study.code,
            "load": trace.load.name,
            "file": trace.filename,
            **evaluation.inputs,
            "code_version": evaluation.code_version,
            "inputs_sha256": evaluation.inputs_sha256,
            "result_sha256": evaluation.result_sha256,
            "requested_at": evaluation.requested_at.isoformat(),
        },
        "starts_at": result["starts_at"],
        "ends_at": result["ends_at"],
        "moments": moments,
    }


# --- the work -------------------------------------------------------------------------------------------------------


def run_evaluation(hold: Running) -> None:
    """Read, evaluate and store the columns of the job's file. Run twice, the second run finds the row filled and leaves it."""
    evaluation = TraceEvaluation.objects.select_related("trace").filter(job=hold.job).first()
    if evaluation is None:
        raise JobRefused("The file was taken out of its load.")
    if evaluation.result is not None:
        return
    inputs, trace = evaluation.inputs, evaluation.trace
    hold.progress(0, 4, "reading the file")
    reading = read_kept(trace, inputs["mapping"])
    if reading.trace is None:
        TraceEvaluation.objects.filter(pk=evaluation.pk, finished_at=None).update(
            faults=reading.fault_lines[:FAULTS_KEPT]
        )
        raise JobRefused(f"The file could not be read as its columns were confirmed: {reading.fault_lines[0]}")
    hold.progress(1, 4, f"finding the soaks in {number_text(reading.trace.rows)} rows")
    ready, result = evaluated(reading.trace, inputs, reading.notes)
    hold.progress(3, 4, "keeping the columns")
    columns = columns_name(inputs, evaluation.code_version)
    if not path_of(columns).exists():
        write_trace_columns(ready, path_of(columns))
    hold.progress(4, 4, "storing")
    steps = result["document"]["steps"]
    with transaction.atomic():
        stored = TraceEvaluation.objects.filter(pk=evaluation.pk, finished_at=None).update(
            result=result,
            result_sha256=hashlib.sha256(canonical(result).encode()).hexdigest(),
            columns=columns,
            faults=[],
            steps_met=sum(1 for step in steps if step["verdict"] == "met"),
            steps_in_all=len(steps),
            finished_at=timezone.now(),
        )
        if stored:
            starts_at, ends_at = (datetime.fromisoformat(result[name]) for name in ("starts_at", "ends_at"))
            TraceFile.objects.filter(pk=trace.pk).update(
                starts_at=starts_at, ends_at=ends_at if ends_at > starts_at else None
            )


def read_kept(trace: TraceFile, mapping: dict[str, Any]) -> LoggerReading:
    """The whole file under a mapping. JobRefused if its bytes are gone or are no longer those that came in."""
    try:
        with path_of(trace.file.name).open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
            if digest != trace.sha256:
                raise JobRefused("The file on the disk is not the one that was uploaded: its SHA-256 is another.")
            file.seek(0)
            return read_logger_file(file, mapping=mapping_from(mapping, ()))
    except FileNotFoundError as lost:
        raise JobRefused("The file is no longer on the disk.") from lost


def columns_name(inputs: dict[str, Any], code: str) -> str:
    """Name of the columns of a file: the same for every evaluation that reads it alike."""
    told = hashlib.sha256(canonical([inputs["file_sha256"], inputs["mapping"], code]).encode()).hexdigest()
    return f"traces/{inputs['file_sha256'][:2]}/{inputs['file_sha256'][:16]}-{told[:16]}.parquet"


def evaluated(
    trace: TemperatureTrace, inputs: dict[str, Any], notes: tuple[str, ...] = ()
) -> tuple[ReadyTrace, dict[str, Any]]:
    """The trace in order, and the result: the document of the command, and when each step was in the lab's time.

    `proof` is what lists of loads need: how many soaks the profile has, and how each that was looked at came out.
    `moments` holds for each step of the document its number in the profile, and UTC times of start, end, reached_at and soak_end.
    """
    profile = read_document(inputs["profile"]).profile
    assert profile is not None  # it was checked when it was asked for
    if inputs["stays"] is None:
        evaluation = evaluate_trace(trace, profile)
        ready = evaluation.ready
        starts_at = lab_start(ready, inputs)
        document: dict[str, Any] = trace_document(evaluation)
        times = _moments(evaluation, starts_at)
        numbers = inputs["step_numbers"] * profile.rounds
    else:
        ready = make_ready(trace)
        starts_at = lab_start(ready, inputs)
        stays = _judged_stays(ready, profile, inputs["stays"], starts_at)
        document = stays_document(ready, profile, stays)
        times = [moment for stay in stays for moment in _stay_moments(stay, starts_at)]
        numbers = [inputs["step_numbers"][stay.stay.step] for stay in stays]
    moments = [{"step_number": number, **each} for number, each in zip(numbers, times, strict=True)]
    document["warnings"] = [*notes, *document["warnings"]]
    ends_at = starts_at + timedelta(seconds=float(ready.elapsed_s[-1]))
    return ready, {
        "starts_at": starts_at.isoformat(),
        "ends_at": ends_at.isoformat(),
        "document": document,
        "moments": moments,
        "proof": {
            "soaks": profile.rounds * len(profile.steps),
            "by_air": document["decided_by"] == [AIR],
            "verdicts": [
                [step["round"], number, verdict_word(step)]
                for number, step in zip(numbers, document["steps"], strict=True)
            ],
        },
    }


def lab_start(ready: ReadyTrace, inputs: dict[str, Any]) -> datetime:
    """UTC time of the first reading, the logger's clock corrected. A time without zone is the lab's own."""
    first = datetime(1970, 1, 1) + timedelta(microseconds=int(ready.trace.time_us[0]))
    zone: tzinfo = UTC if ready.trace.utc_offset_minutes is not None else ZoneInfo(inputs["time_zone"])
    at = first.replace(tzinfo=zone).astimezone(UTC)
    return at + timedelta(minutes=inputs["clock_behind_minutes"])


def _judged_stays(
    ready: ReadyTrace, profile: ThermalProfile, stays: list[dict[str, Any]], starts_at: datetime
) -> tuple[StayEvaluation, ...]:
    def seconds(text: str) -> float:
        return (datetime.fromisoformat(text) - starts_at).total_seconds()

    asked = tuple(Stay(s["round"] - 1, s["step"], seconds(s["from"]), seconds(s["to"])) for s in stays)
    return evaluate_stays(ready, profile, tuple(stay for stay in asked if stay.step < len(profile.steps)))


def _moments(evaluation: Evaluation, starts_at: datetime) -> list[dict[str, str | None]]:
    elapsed_s = evaluation.ready.elapsed_s

    def at(row: int | None) -> str | None:
        return None if row is None else (starts_at + timedelta(seconds=float(elapsed_s[row]))).isoformat()

    return [
        {"start": at(step.first), "end": at(step.last), "reached_at": at(step.reached), "soak_end": at(step.ended)}
        for step in evaluation.steps
    ]


def _stay_moments(stay: StayEvaluation, starts_at: datetime) -> list[dict[str, str | None]]:
    if stay.evaluation is None:
        return [dict.fromkeys(("start", "end", "reached_at", "soak_end"))]
    return _moments(stay.evaluation, starts_at + timedelta(seconds=stay.from_s))
