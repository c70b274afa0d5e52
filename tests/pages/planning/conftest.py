"""A study to plan."""

import pytest

from tests import factories


@pytest.fixture
def study(db):
    made = factories.study(code="COACH-1", state="planned", is_blind=True)
    factories.factor(made, "resin", ("A", "B"))
    factories.factor(made, "lamp", ("L1", "L2", "L3"))
    return made
