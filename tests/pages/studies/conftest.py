"""A study with something in it."""

import pytest

from tests import factories


@pytest.fixture
def study(db):
    made = factories.study(code="COACH-1", is_blind=True, rounds_planned=3)
    factories.factor(made, "resin", ("A", "B"))
    factories.factor(made, "cure_time_s", (60, 120), source="number")
    return made
