"""Somebody signed in, and a lab with loads."""

from __future__ import annotations

import pytest

from tests.bench import soaks
from tests.pages.bench.conftest import sign_in  # noqa: F401


@pytest.fixture
def rooms(db):
    return soaks.chambers()


@pytest.fixture
def tray(rooms):
    return soaks.load(rooms=rooms)
