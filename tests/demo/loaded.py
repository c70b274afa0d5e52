"""The demo in the test's database, loaded once for many tests."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from django.db import transaction

from labbench.demo.loader import load_demo

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"


@contextmanager
def demo_loaded() -> Iterator[None]:
    """Load it, and take everything back at the end; tests in between run in savepoints of the same transaction."""
    with transaction.atomic():
        load_demo(FIXTURES)
        yield
        transaction.set_rollback(True)
