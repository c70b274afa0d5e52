"""Rules over several rows, kept by the database itself on SQLite and on PostgreSQL.

A trigger refuses a row where a query finds one that contradicts it. The message starts with ``labbench: `` so that
`labbench.lab.records.broken_rule` can show it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db import migrations


@dataclass(frozen=True, slots=True)
class Refusal:
    """Refuse an inserted or updated row of `table` where `condition` (SQL over ``NEW``) holds."""

    name: str
    table: str
    condition: str
    message: str


def operation(refusal: Refusal) -> migrations.RunPython:
    """The migration step that puts the trigger up, and takes it down when reversed."""
    return migrations.RunPython(
        lambda apps, editor: put_up(editor, refusal), lambda apps, editor: take_down(editor, refusal)
    )


def without(refusal: Refusal) -> migrations.RunPython:
    """The migration step that takes the trigger down while SQLite remakes a table it names; put it up again after."""
    return migrations.RunPython(
        lambda apps, editor: take_down(editor, refusal), lambda apps, editor: put_up(editor, refusal)
    )


def put_up(editor: Any, refusal: Refusal) -> None:
    # One that stands already is renewed: a migration that remade a table on SQLite puts it up again, on PostgreSQL it is still there.
    text = refusal.message.replace("'", "''")
    if editor.connection.vendor == "postgresql":
        editor.execute(
            f"CREATE OR REPLACE FUNCTION {refusal.name}() RETURNS trigger LANGUAGE plpgsql AS $body$ BEGIN "
            f"IF {refusal.condition} THEN RAISE EXCEPTION 'labbench: {text}' USING ERRCODE = 'check_violation'; END IF; "
            "RETURN NEW; END $body$"
        )
        editor.execute(f"DROP TRIGGER IF EXISTS {refusal.name} ON {refusal.table}")
        editor.execute(
            f"CREATE TRIGGER {refusal.name} BEFORE INSERT OR UPDATE ON {refusal.table} "
            f"FOR EACH ROW EXECUTE FUNCTION {refusal.name}()"
        )
        return
    for verb in ("insert", "update"):
        editor.execute(f"DROP TRIGGER IF EXISTS {refusal.name}_{verb}")
        editor.execute(
            f"CREATE TRIGGER {refusal.name}_{verb} BEFORE {verb.upper()} ON {refusal.table} FOR EACH ROW "
            f"WHEN {refusal.condition} BEGIN SELECT RAISE(ABORT, 'labbench: {text}'); END"
        )


def take_down(editor: Any, refusal: Refusal) -> None:
    if editor.connection.vendor == "postgresql":
        editor.execute(f"DROP TRIGGER {refusal.name} ON {refusal.table}")
        editor.execute(f"DROP FUNCTION {refusal.name}()")
        return
    for verb in ("insert", "update"):
        editor.execute(f"DROP TRIGGER {refusal.name}_{verb}")
