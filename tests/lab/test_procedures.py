"""Procedures: drafts, approval, versions that stay."""

from datetime import date

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from labbench.lab import procedures
from labbench.lab.models import Procedure, ProcedureVersion
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def lead():
    return factories.person("lead")


@pytest.fixture
def procedure(lead):
    made = Procedure.objects.create(code="REP-9", title="Repair")
    first = procedures.write_draft(procedure=made, by=lead, text="1. Clean.\n2. Cure.", effective_on=date(2026, 1, 1))
    procedures.approve(version=first, by=lead)
    return made


def test_a_draft_is_one_at_a_time_and_counts_up(procedure, lead):
    details = {"effective_on": date(2026, 2, 1), "change_note": "longer"}
    draft = procedures.write_draft(procedure=procedure, by=lead, text="1. Clean.\n2. Cure long.", **details)
    again = procedures.write_draft(procedure=procedure, by=lead, text="1. Clean.\n2. Cure longer.", **details)
    assert (draft.pk, draft.number, again.is_draft) == (again.pk, 2, True)
    assert procedure.versions.count() == 2


@pytest.mark.parametrize(
    ("text", "day", "note", "field", "words"),
    [
        ("1. Clean.\r\n2. Cure.\n", date(2026, 2, 1), "x", "text", "nothing has changed"),
        ("other", date(2025, 12, 31), "x", "effective_on", "can’t be before"),
        ("other", date(2026, 2, 1), " ", "change_note", "what changed"),
    ],
)
def test_a_draft_that_makes_no_sense_is_refused(procedure, lead, text, day, note, field, words):
    with pytest.raises(ValidationError) as refused:
        procedures.write_draft(procedure=procedure, by=lead, text=text, effective_on=day, change_note=note)
    assert words in " ".join(refused.value.message_dict[field])


def test_an_approved_version_can_not_be_changed_even_in_the_database(procedure):
    version = procedure.versions.get()
    assert version.approved_by is not None
    for change in ({"text": "other"}, {"is_draft": True}, {"effective_on": date(2027, 1, 1)}):
        with pytest.raises(IntegrityError, match="stays as it is"), transaction.atomic():
            ProcedureVersion.objects.filter(pk=version.pk).update(**change)


def test_approving_twice_and_discarding_what_is_approved_are_refused(procedure, lead):
    version = procedure.versions.get()
    with pytest.raises(ValidationError, match="approved already"):
        procedures.approve(version=version, by=lead)
    with pytest.raises(ValidationError, match="stays as it is"):
        procedures.discard_draft(version=version, by=lead, reason="x")


def test_a_draft_approved_meanwhile_is_not_discarded(procedure, lead):
    draft = procedures.write_draft(
        procedure=procedure, by=lead, text="other", effective_on=date(2026, 2, 1), change_note="x"
    )
    early = ProcedureVersion.objects.get(pk=draft.pk)
    procedures.approve(version=draft, by=lead)
    with pytest.raises(ValidationError, match="stays as it is"):
        procedures.discard_draft(version=early, by=lead, reason="not wanted")
    assert procedure.versions.count() == 2


def test_a_discarded_draft_stays_in_the_history(procedure, lead):
    draft = procedures.write_draft(
        procedure=procedure, by=lead, text="other", effective_on=date(2026, 2, 1), change_note="x"
    )
    procedures.discard_draft(version=draft, by=lead, reason="not wanted")
    assert procedure.versions.count() == 1
    assert ProcedureVersion.history.filter(history_type="-").get().history_change_reason == "not wanted"


def test_what_differs_is_shown_with_lines_around_it():
    before = "\n".join(f"line {n}" for n in range(1, 10))
    after = before.replace("line 5", "line five").replace("\n", "\r\n")
    found = procedures.compared(before, after)
    assert [(line.kind, line.text) for line in found] == [
        ("gap", "2 lines unchanged"),
        ("kept", "line 3"),
        ("kept", "line 4"),
        ("out", "line 5"),
        ("in", "line five"),
        ("kept", "line 6"),
        ("kept", "line 7"),
        ("gap", "2 lines unchanged"),
    ]
    assert procedures.compared(before, before) == []
