"""Logger files of loads: taken in, kept unchanged under the name of their hash, taken out again. Each function is one transaction."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from labbench.bench.models import Load, TraceEvaluation, TraceFile, TraceFinding
from labbench.bench.refusals import refuse_closed
from labbench.formats.date_texts import moment_text
from labbench.formats.faults import UnreadableFileError
from labbench.formats.logger_head import HEAD_BYTES, LoggerHead, layout_fingerprint, read_logger_head
from labbench.formats.number_texts import number_text
from labbench.jobs.services import cancel
from labbench.lab.models import Chamber
from labbench.lab.records import keep, remove

FOLDER = "traces"


class AlreadyKept(ValidationError):
    """The same bytes are with the load already: `trace`."""

    def __init__(self, trace: TraceFile) -> None:
        at = moment_text(timezone.localtime(trace.uploaded_at))
        super().__init__(
            f"This file is with {trace.load} already: {trace.filename}, uploaded {at} by {trace.uploaded_by}. "
            "Nothing is stored a second time."
        )
        self.trace = trace


@dataclass(frozen=True, slots=True)
class Received:
    """Bytes that came in and are not kept yet: where they lie, their hash and their beginning."""

    half_done: Path
    sha256: str
    size_bytes: int
    head: bytes

    @property
    def name(self) -> str:
        """Under which name they will be kept."""
        return f"{FOLDER}/{self.sha256[:2]}/{self.sha256}.log"


def path_of(name: str | None) -> Path:
    """Where a kept file is."""
    return Path(settings.MEDIA_ROOT) / (name or "")


@contextmanager
def received(pieces: Iterable[bytes]) -> Iterator[Received]:
    """The bytes, written to the disk piece by piece and hashed on the way; gone at the end unless they were kept.

    ValidationError if they are too many.
    """
    folder = path_of(FOLDER)
    folder.mkdir(parents=True, exist_ok=True)
    half_done = folder / f".{os.urandom(12).hex()}"
    digest, size, head = hashlib.sha256(), 0, b""
    try:
        with half_done.open("xb") as file:
            for piece in pieces:
                size += len(piece)
                if size > settings.MAX_TRACE_BYTES:
                    raise ValidationError(
                        f"The file has more than {settings.MAX_TRACE_BYTES // 2**20} MB: split it by load."
                    )
                if len(head) < HEAD_BYTES:
                    head += piece[: HEAD_BYTES - len(head)]
                digest.update(piece)
                file.write(piece)
        yield Received(half_done, digest.hexdigest(), size, head)
    finally:
        half_done.unlink(missing_ok=True)


def take_in(
    *, loads: Sequence[Load], pieces: Iterable[bytes], filename: str, by: Any, chamber: Chamber | None = None
) -> list[TraceFile]:
    """Keep a logger's file with one load, or with several that were in the same chamber; all or none.

    ValidationError if it is no logger file, is kept with a load already, or the study of a load is closed.
    """
    if not loads:
        raise ValidationError("Choose at least one load that the logger was with.")
    with received(pieces) as upload:
        head = head_of(upload.head)
        return _store(loads, upload, head, filename=filename, by=by, chamber=chamber)


def head_of(data: bytes) -> LoggerHead:
    """The beginning of a file as read. ValidationError if it is no logger file, or nothing in it can be read."""
    try:
        head = read_logger_head(data)
    except UnreadableFileError as refused:
        row = f"row {refused.row}: " if refused.row is not None else ""
        raise ValidationError(f"Nothing is kept: {row}{refused}.") from refused
    if head.trouble:
        raise ValidationError(f"Nothing is kept: row {head.layout.header_row}: {head.trouble}.")
    return head


@transaction.atomic
def _store(
    loads: Sequence[Load], upload: Received, head: LoggerHead, *, filename: str, by: Any, chamber: Chamber | None
) -> list[TraceFile]:
    # The loads' rows are held, in one order: of two people with the same file the later is told.
    rows = Load.objects.select_for_update(of=("self",), no_key=True).select_related("study")
    held = list(rows.filter(pk__in=[load.pk for load in loads]).order_by("pk"))
    for load in held:
        refuse_closed(load.study)
        known = TraceFile.objects.filter(load=load, sha256=upload.sha256).select_related("uploaded_by").first()
        if known is not None:
            raise AlreadyKept(known)
    kept = [
        keep(
            TraceFile(
                load=load,
                chamber=chamber,
                file=upload.name,
                filename=filename[-200:],
                sha256=upload.sha256,
                size_bytes=upload.size_bytes,
                layout_sha256=layout_fingerprint(head.layout),
                uploaded_at=timezone.now(),
                uploaded_by=by,
            ),
            by=by,
        )
        for load in held
    ]
    final = path_of(upload.name)
    final.parent.mkdir(exist_ok=True)
    # The same bytes under the same name: whoever comes second changes nothing.
    os.replace(upload.half_done, final)
    return kept


def stored_head(trace: TraceFile) -> LoggerHead:
    """The beginning of a kept file. ValidationError if its bytes are gone."""
    try:
        with path_of(trace.file.name).open("rb") as file:
            return head_of(file.read(HEAD_BYTES))
    except FileNotFoundError as lost:
        raise ValidationError(f"The bytes of {trace.filename} are no longer on the disk.") from lost


@transaction.atomic
def take_out_trace(*, trace: TraceFile, by: Any, reason: str) -> None:
    """Take a file out that was put with the wrong load; its bytes, its history and why it went are kept.

    Deviations found in it go with it. ValidationError while the study is closed or without a reason.
    """
    if not reason.strip():
        raise ValidationError({"reason": "Say why this file is taken out."})
    load = Load.objects.select_for_update(of=("self",), no_key=True).select_related("study").get(pk=trace.load_id)
    refuse_closed(load.study)
    for finding in TraceFinding.objects.filter(trace=trace).select_related("deviation"):
        remove(finding.deviation, by=by, reason=f"{trace.filename} was taken out: {reason}")
    for evaluation in TraceEvaluation.objects.filter(trace=trace).select_related("job"):
        cancel(job=evaluation.job)
        evaluation.delete()
    remove(trace, by=by, reason=reason)


def size_words(size_bytes: int | None) -> str:
    """The size of a file as people read it."""
    if size_bytes is None:
        return "size not known"
    return (
        f"{number_text(size_bytes / 2**20)} MB"
        if size_bytes >= 2**20
        else f"{number_text(max(1, size_bytes // 1024))} kB"
    )


def covers(trace: TraceFile, at: datetime) -> bool:
    """Whether a file holds readings of that time, as far as it was evaluated."""
    return trace.starts_at is not None and trace.ends_at is not None and trace.starts_at <= at <= trace.ends_at
