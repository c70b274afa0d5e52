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


@pytest.fixture(autouse=True)
def long_session(settings):
    """A test that lets days pass does not sign its people out."""
    settings.SESSION_COOKIE_AGE = 365 * 24 * 3600
