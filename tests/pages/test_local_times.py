"""The hour that the lab's clock shows twice, in forms that show a stored time."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from django import forms
from django.utils import timezone

from labbench.pages.bench.fields import MomentField
from labbench.pages.chambers.forms import ZonedField
from labbench.pages.today.forms import LocalTimeField

# Berlin: on 25 October 2026 the hour from 02:00 came twice, on 29 March 2026 it did not come (IANA time zone database).
FIRST, SECOND = datetime(2026, 10, 25, 0, 30, 20, tzinfo=UTC), datetime(2026, 10, 25, 1, 30, 20, tzinfo=UTC)


@pytest.fixture(params=[MomentField, ZonedField])
def of(request, monkeypatch):
    """A form with one field."""
    monkeypatch.setattr("labbench.pages.bench.fields.timezone.now", lambda: datetime(2026, 11, 1, tzinfo=UTC))
    kind = type("Asked", (forms.Form,), {"at": request.param(required=True)})
    with timezone.override(ZoneInfo("Europe/Berlin")):
        yield lambda typed, stored=None: kind({"at": typed}, initial={"at": stored})


@pytest.mark.parametrize("stored", [FIRST, SECOND])
def test_a_stored_time_of_that_hour_comes_back_as_it_was(of, stored):
    form = of("2026-10-25T02:30", stored)
    assert form.is_valid(), form.errors
    assert form.cleaned_data["at"] == stored


def test_a_new_time_of_that_hour_is_refused_with_both_ways_to_write_it(of):
    form = of("2026-10-25T02:40", FIRST)
    assert not form.is_valid()
    (words,) = form.errors["at"]
    assert "write 2026-10-25T02:40+02:00 for the first time, 2026-10-25T02:40+01:00 for the second" in words
    assert 'type="text"' in str(form["at"])
    assert 'type="datetime-local"' in str(of("2026-10-25T03:40")["at"])
    written = of("2026-10-25T02:40+01:00", FIRST)
    assert written.is_valid()
    assert written.cleaned_data["at"] == datetime(2026, 10, 25, 1, 40, tzinfo=UTC)


def test_a_time_that_never_came_is_refused_in_words(of):
    form = of("2026-03-29T02:30")
    assert form.errors["at"] == [
        "02:30 did not exist that night: the clock went forward over it. Look at the time again."
    ]


@pytest.mark.parametrize("typed", ["9999-12-31T23:59-23:59", "9999-12-31T23:59"])
@pytest.mark.parametrize("field", [LocalTimeField, MomentField])
def test_the_end_of_all_years_is_refused(field, typed):
    with timezone.override(ZoneInfo("Europe/Berlin")), pytest.raises(forms.ValidationError, match="still to come"):
        field().clean(typed)
