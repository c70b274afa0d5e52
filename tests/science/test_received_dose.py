"""Irradiance between the places of a survey: linear inside, nothing outside."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labbench.science.received_dose import AT_A_PLACE_MM, irradiance_at

GRID = [(x, y, 5 + 0.1 * x - 0.02 * y) for x in (-20.0, 0.0, 20.0) for y in (-20.0, 0.0, 20.0)]


def test_at_a_surveyed_place_it_is_the_mean_of_its_readings():
    assert irradiance_at([*GRID, (0.0, 0.0, 7.0)], 0.0, 0.0) == 6.0


@given(st.floats(-20, 20), st.floats(-20, 20))
def test_a_plane_is_met_everywhere_inside(x, y):
    # Linear interpolation over triangles reproduces every linear function (definition).
    # What is nearer to a surveyed place than AT_A_PLACE_MM is taken as that place.
    assert irradiance_at(GRID, x, y) == pytest.approx(5 + 0.1 * x - 0.02 * y, abs=1e-9 + 0.12 * AT_A_PLACE_MM)


@pytest.mark.parametrize(
    ("readings", "place"),
    [
        pytest.param(GRID, (20.1, 0.0), id="outside"),
        pytest.param(GRID[:2], (-20.0, -10.0), id="two places"),
        pytest.param([(0.0, 0.0, 1.0), (10.0, 0.0, 2.0), (20.0, 0.0, 3.0)], (5.0, 0.0), id="on one line"),
        pytest.param([], (0.0, 0.0), id="no reading"),
    ],
)
def test_nothing_is_extrapolated(readings, place):
    assert irradiance_at(readings, *place) is None
