"""An uploaded coupon sheet between its preview and its confirmation."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.utils import timezone

from labbench.bench.intake import take_in
from labbench.formats.coupon_sheet import SheetReading, read_coupon_sheet
from labbench.jobs.models import Job
from labbench.jobs.services import JobRefused, JobStopped, Running, enqueue
from labbench.lab.models import Person
from labbench.studies.models import Study
from labbench.studies.services import save_study

KEPT_FOR = timedelta(days=1)
TASK = "labbench.take_in_sheet"


def staged_path(token: UUID) -> Path:
    return Path(settings.DATA_DIR) / "staged" / f"{token}.sheet"


def stage(upload: UploadedFile) -> UUID:
    """Keep the bytes of an upload for its confirmation; what was left lying for more than a day goes."""
    token = uuid4()
    path = staged_path(token)
    path.parent.mkdir(parents=True, exist_ok=True)
    oldest = (timezone.now() - KEPT_FOR).timestamp()
    for old in path.parent.glob("*.sheet"):
        if old.stat().st_mtime < oldest:
            old.unlink(missing_ok=True)
    with path.open("wb") as file:
        for chunk in upload.chunks():
            file.write(chunk)
    return token


def read_staged(token: UUID, filename: str) -> SheetReading | None:
    """Read a staged sheet; None where it is no longer there."""
    try:
        with staged_path(token).open("rb") as file:
            return read_coupon_sheet(file, filename=filename)
    except FileNotFoundError:
        return None


def discard(token: UUID) -> None:
    """Forget a staged sheet."""
    staged_path(token).unlink(missing_ok=True)


def job_of(token: UUID) -> Job | None:
    """The job that takes in, or took in, a staged sheet."""
    return Job.objects.filter(task=TASK, arguments__token=str(token)).order_by("created_at").first()


@transaction.atomic
def request_intake(
    *,
    token: UUID,
    filename: str,
    may_add_levels: bool,
    by: Any,
    study: Study | None = None,
    new_study: dict[str, Any] | None = None,
) -> Job:
    """Queue the taking in of a staged sheet; asked for twice, e.g. by two clicks, it is the same job.

    It goes into `study`, or into one that is made with it (`new_study`: code, title, question): if the job is cancelled or
    fails, no empty study is left behind.
    """
    # The row of who asks is held, so that of two requests at once the later sees the job of the first.
    Person.objects.select_for_update(no_key=True).get(pk=by.pk)
    if (known := job_of(token)) is not None:
        return known
    code = study.code if study is not None else (new_study or {})["code"]
    return enqueue(
        task=TASK,
        title=f"Take {re.sub(r'[^ -~]', '?', filename)[:80]} into {code}",
        arguments={
            "study": study.pk if study is not None else None,
            "new_study": new_study,
            "token": str(token),
            "filename": filename,
            "may_add_levels": may_add_levels,
            "by": by.pk,
        },
        requested_by=by,
    )


def made_for(job: Job, reading: SheetReading, by: Person) -> Study:
    """The study of its own that a sheet gets; from here on the job's row names it. ValidationError if its code is taken."""
    study = Study(
        **job.arguments["new_study"],
        lead=by,
        rounds_planned=(reading.sheet and reading.sheet.rounds) or 3,
        state=Study.State.RUNNING,
    )
    save_study(study=study, by=by, reason=f"made for {job.arguments['filename']}"[:300])
    # A worker that dies after the commit: the next one finds the sheet taken in.
    Job.objects.filter(pk=job.pk).update(arguments=job.arguments | {"study": study.pk})
    return study


def run_intake(hold: Running, *, now: datetime) -> None:
    """Take in the sheet of a job. Run twice, the second run finds the sheet taken in by the first."""
    arguments = hold.job.arguments
    study = Study.objects.get(pk=arguments["study"]) if arguments["study"] else None
    by = Person.objects.get(pk=arguments["by"])
    hold.progress(0, 2, "reading the sheet")
    reading = read_staged(UUID(arguments["token"]), arguments["filename"])
    if reading is None:
        raise JobRefused("The uploaded file is no longer here; please upload it again.")
    if study is not None and study.imported_sheets.filter(sha256=reading.sha256).exists() and hold.job.runs > 1:
        return
    hold.progress(1, 2, "storing coupons")

    def check() -> None:
        if Job.objects.filter(pk=hold.job.pk, is_cancel_requested=True).exists():
            raise JobStopped

    try:
        with transaction.atomic():
            take_in(
                study=study or made_for(hold.job, reading, by),
                reading=reading,
                filename=arguments["filename"],
                may_add_levels=arguments["may_add_levels"],
                by=by,
                now=now,
                check=check,
            )
    except ValidationError as refused:
        raise JobRefused("Nothing was stored. " + " ".join(refused.messages)) from refused
    discard(UUID(arguments["token"]))
