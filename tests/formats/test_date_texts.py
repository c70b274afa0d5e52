"""Times as people read them, also where the clock goes back."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from labbench.formats.date_texts import clock_text, moment_text

# Offsets and days of change: IANA time zone database.
PARIS, KOLKATA, LORD_HOWE = ZoneInfo("Europe/Paris"), ZoneInfo("Asia/Kolkata"), ZoneInfo("Australia/Lord_Howe")


@pytest.mark.parametrize(
    ("utc", "zone", "shown"),
    [
        (datetime(2026, 10, 25, 0, 30, tzinfo=UTC), PARIS, "02:30 (UTC+2)"),
        (datetime(2026, 10, 25, 1, 30, tzinfo=UTC), PARIS, "02:30 (UTC+1)"),
        (datetime(2026, 10, 25, 2, 0, tzinfo=UTC), PARIS, "03:00"),
        (datetime(2026, 3, 29, 1, 30, tzinfo=UTC), PARIS, "03:30"),
        (datetime(2026, 3, 29, 1, 30, tzinfo=UTC), KOLKATA, "07:00"),
        # Half an hour only.
        (datetime(2026, 4, 4, 15, 15, tzinfo=UTC), LORD_HOWE, "01:45 (UTC+10:30)"),
        (datetime(2026, 4, 4, 14, 45, tzinfo=UTC), LORD_HOWE, "01:45 (UTC+11)"),
        (datetime(2026, 1, 1, 1, 30, tzinfo=UTC), UTC, "01:30"),
    ],
)
def test_the_two_readings_of_an_hour_that_comes_twice_are_told_apart(utc, zone, shown):
    assert clock_text(utc.astimezone(zone)) == shown


def test_a_moment_says_day_and_time():
    at = datetime(2026, 10, 25, 0, 30, tzinfo=UTC).astimezone(PARIS)
    assert moment_text(at) == "25 Oct 2026, 02:30 (UTC+2)"
    assert moment_text(datetime(2026, 10, 25, 0, 30)) == "25 Oct 2026, 00:30"
