"""Issuing reports and signing them. Every function is one transaction; ValidationError says which rule is broken."""

from __future__ import annotations

import hashlib
import json
import re
from datetime import datetime
from pathlib import Path
from typing import Any
from unicodedata import combining

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from labbench.analysis.models import Analysis
from labbench.reports.content import content
from labbench.reports.models import Report, Signature
from labbench.reports.wording import listed
from labbench.studies.models import Study

TEMPLATE = Path(__file__).with_name("report.typ")
TRIES = 5
NO_GLYPH = re.compile(r'the text `"(.+?)"` could not be displayed')
UNICODE_ESCAPE = re.compile(r"\\u\{([0-9a-f]+)\}")
# So many characters are named in a refusal.
MOST_NAMED = 12


def issue_report(*, analysis: Analysis, title: str, by: Any, at: datetime | None = None) -> Report:
    """Freeze a report of a finished analysis, under the study's next number."""
    if analysis.result is None:
        raise ValidationError("This analysis has no result yet: a report needs one.")
    made_at = at or timezone.now()
    for _ in range(TRIES):
        number = next_number(analysis.study_id)
        # Set outside the transaction: it takes a moment, and the database must not wait for it.
        pdf = report_pdf(analysis, number=number, title=title, author=str(by), made_at=made_at)
        with transaction.atomic():
            Study.objects.select_for_update(no_key=True).get(pk=analysis.study_id)
            if next_number(analysis.study_id) != number:
                continue
            report = Report(
                analysis=analysis,
                number=number,
                title=title,
                pdf=pdf,
                sha256=hashlib.sha256(pdf).hexdigest(),
                created_by=by,
                created_at=made_at,
            )
            report.full_clean()
            report.save()
            return report
    raise ValidationError("Others are making reports of this study at the same moment; try again.")


def next_number(study_id: int) -> int:
    return (Report.objects.filter(analysis__study_id=study_id).aggregate(last=Max("number"))["last"] or 0) + 1


def report_pdf(analysis: Analysis, *, number: int, title: str, author: str, made_at: datetime) -> bytes:
    """The document; the same bytes for the same input, on every machine whose fonts are not needed (see below).

    ValidationError names the characters that no font can show.
    """
    # slow import: an 80 MB library that only reports need
    import typst

    data = content(analysis, number=number, title=title, author=author, made_at=made_at)
    inputs = {"data": json.dumps(data, ensure_ascii=False)}
    lacking: list[str] = []
    # The package's own fonts first, for the same bytes everywhere; what they lack a font of this machine may have.
    for without_system_fonts in (True, False):
        try:
            made: bytes = typst.compile(
                TEMPLATE.read_bytes(),
                sys_inputs=inputs,
                ignore_system_fonts=without_system_fonts,
                pdf_standards="ua-1",
                format="pdf",
            )
        except typst.TypstError as failure:
            lacking = undisplayable(failure.diagnostic)
            if not lacking:
                raise
        else:
            return made
    raise ValidationError(
        f"No font on this server can show {listed(lacking[:MOST_NAMED])}"
        f"{' and more' if len(lacking) > MOST_NAMED else ''}, used in a name or text of this study. Install a font with these "
        "characters on the server, or rename what uses them, and make the report again."
    )


def undisplayable(diagnostic: str) -> list[str]:
    """The characters for which no font was found, as typst lists them, with their code points; [] for another failure."""
    found = [UNICODE_ESCAPE.sub(lambda code: chr(int(code[1], 16)), text) for text in NO_GLYPH.findall(diagnostic)]
    return [called(letter) for letter in dict.fromkeys("".join(found))]


def called(letter: str) -> str:
    """A character as a refusal shows it: itself where that can be seen, and its code point."""
    code = f"U+{ord(letter):04X}"
    return f"“{letter}” ({code})" if letter.isprintable() and not combining(letter) else code


@transaction.atomic
def sign(*, report: Report, person: Any, meaning: str, note: str = "", at: datetime | None = None) -> Signature:
    """Sign the bytes of a report as they are. The caller has made sure that it is this person, by their password."""
    locked = Report.objects.select_for_update().get(pk=report.pk)
    if not is_whole(locked):
        raise ValidationError("The stored document is no longer the one that was issued: it can't be signed.")
    if refusal := why_not(locked, person, meaning):
        raise ValidationError(refusal)
    signature = Signature(
        report=locked,
        person=person,
        meaning=meaning,
        report_sha256=locked.sha256,
        note=note.strip(),
        signed_at=at or timezone.now(),
    )
    signature.full_clean()
    signature.save()
    return signature


def why_not(report: Report, person: Any, meaning: str) -> str:
    """The rule that keeps a person from signing with a meaning, "" where none does."""
    for signature in report.signatures.all():
        if signature.person_id == person.pk:
            return f"You have already signed that you {signature.get_meaning_display()}; a person signs a report once."
    if report.created_by_id == person.pk and meaning != Signature.Meaning.AUTHOR:
        return "Who made a report can sign only as its author: somebody else has to review and approve it."
    return ""


def meanings_open_to(*, report: Report, person: Any) -> list[tuple[str, str]]:
    """What a person may still state on a report."""
    return [(value, label) for value, label in Signature.Meaning.choices if not why_not(report, person, value)]


def is_whole(report: Report) -> bool:
    """Whether the stored bytes are those the report was issued with."""
    return hashlib.sha256(bytes(report.pdf)).hexdigest() == report.sha256
