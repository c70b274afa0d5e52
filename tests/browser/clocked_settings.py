"""The settings of an installation whose clock a test sets: it goes on from the time in a file beside the database."""

import time
from datetime import UTC, datetime, timedelta

from django.utils import timezone

from labbench.config.settings import *  # noqa: F403
from labbench.config.settings import DATA_DIR

# Days pass in seconds; nobody is signed out meanwhile.
SESSION_COOKIE_AGE = 365 * 24 * 3600


def now() -> datetime:
    at, set_at = (DATA_DIR / "clock.txt").read_text().split()
    return datetime.fromisoformat(at).astimezone(UTC) + timedelta(seconds=time.time() - float(set_at))


timezone.now = now
