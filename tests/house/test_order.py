"""What stands in the database, and what no page may do."""

from __future__ import annotations

import re
import subprocess
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import call_command
from django.db import connection

from labbench.bench import triggers as bench_triggers
from labbench.lab import row_rules as lab_rules
from labbench.studies import triggers as study_triggers

ROOT = Path(__file__).resolve().parent.parent.parent


@pytest.mark.django_db
def test_every_model_change_has_its_migration():
    call_command("makemigrations", check=True, dry_run=True, stdout=StringIO())


@pytest.mark.django_db
def test_every_rule_over_rows_stands_in_the_database():
    # A later migration that remakes a table on SQLite drops its triggers: it must put them up again.
    query = (
        "SELECT tgname FROM pg_trigger"
        if connection.vendor == "postgresql"
        else "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    )
    with connection.cursor() as cursor:
        cursor.execute(query)
        present = {name for (name,) in cursor.fetchall()}
    for refusal in (*bench_triggers.ALL, *lab_rules.ALL, *study_triggers.ALL):
        names = (
            {refusal.name}
            if connection.vendor == "postgresql"
            else {f"{refusal.name}_insert", f"{refusal.name}_update"}
        )
        assert names <= present


TEXTS = {".py", ".html", ".css", ".js", ".md", ".toml", ".yml", ".json"}


def tracked_texts() -> list[Path]:
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True)
    if listed.returncode != 0:
        return [
            path for folder in ("templates", "static") for path in (ROOT / folder).rglob("*") if path.suffix in TEXTS
        ]
    return [ROOT / name for name in listed.stdout.split("\0") if "vendor" not in name and Path(name).suffix in TEXTS]


def test_no_page_asks_another_host():
    # Labs are offline: templates, styles and scripts of ours load nothing from elsewhere.
    pattern = re.compile(
        r"""(?:src|href|url\(|fetch\(|import)\s*[=(]?\s*["']?(?:https?:)?//(?!127\.0\.0\.1|localhost)[a-z]""", re.I
    )
    found = [
        f"{path.relative_to(ROOT)}: {match[0]}"
        for path in tracked_texts()
        if path.suffix in {".html", ".css", ".js"} and path.exists()
        for match in pattern.finditer(path.read_text(encoding="utf-8"))
    ]
    assert found == []
