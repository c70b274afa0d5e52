"""The map between the points of a survey: exact where the light is a plane, nothing outside of the points."""

import itertools
from math import cos, hypot, pi, sin

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.interpolate import LinearNDInterpolator

from labbench.science.irradiance import point_means
from labbench.science.survey_layout import grid_places, ring_places
from labbench.science.survey_map import irradiance_at, scale_levels, survey_map


def area(polygon):
    pairs = zip(polygon, [*polygon[1:], polygon[0]], strict=True)
    return abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in pairs)) / 2


def region_areas(found):
    return [sum(area(polygon) for polygon in region.polygons) for region in found.regions]


def plane(x, y):
    return 20 + 0.1 * x


GRID = grid_places(5, 5, pitch_x_mm=20, pitch_y_mm=20)


def test_a_plane_of_light_has_straight_contours_where_they_belong():
    found = survey_map([(x, y, plane(x, y)) for x, y in GRID])
    assert found.reason is None
    assert found.area_mm2 == pytest.approx(80 * 80)
    for region in found.regions[1:]:
        at = (region.level - 20) / 0.1
        assert all(x == pytest.approx(at) for line in region.line for x, _ in line)
        # The part above the level: a strip from the contour to the right edge.
        assert sum(area(polygon) for polygon in region.polygons) == pytest.approx((40 - at) * 80)


def test_the_lowest_region_is_the_whole_surveyed_area_and_the_others_lie_inside():
    found = survey_map([(x, y, 10 + 5 * cos(x / 20) * cos(y / 25)) for x, y in GRID])
    areas = region_areas(found)
    assert areas[0] == pytest.approx(found.area_mm2)
    assert areas == sorted(areas, reverse=True)


@pytest.mark.parametrize(
    "places", [GRID, ring_places([(20, 8), (40, 12)], has_middle=True), [(0, 0), (50, 3), (9, 41), (-30, 12)]]
)
def test_values_between_the_points_are_those_of_scipy(places):
    # scipy.interpolate.LinearNDInterpolator (SciPy 1.17) on the same points. At equal distances the diagonal of a square is free:
    # a plane is the same for either.
    readings = [(x, y, 20 + 0.2 * x - 0.07 * y) for x, y in places]
    other = LinearNDInterpolator([(x, y) for x, y, _ in readings], [value for *_, value in readings])
    rng = np.random.default_rng(5)
    for x, y in rng.uniform(-45, 45, size=(60, 2)):
        ours, theirs = irradiance_at(readings, x, y), float(other(x, y))
        assert (ours is None) == np.isnan(theirs)
        if ours is not None:
            assert ours == pytest.approx(theirs)


def test_nothing_is_said_outside_of_the_points():
    ring = [(x, y, 10.0 + x / 100) for x, y in ring_places([(40, 12)], has_middle=False)]
    assert irradiance_at(ring, 0, 0) == pytest.approx(10)
    assert (
        irradiance_at(ring, 39.9 * cos(pi / 12), 39.9 * sin(pi / 12)) is None
    )  # between two points, beyond their chord
    assert irradiance_at(ring, 41, 0) is None
    found = survey_map(ring)
    assert found.area_mm2 == pytest.approx(12 / 2 * 40**2 * sin(2 * pi / 12))
    assert all(hypot(x, y) <= 40 + 1e-9 for region in found.regions for polygon in region.polygons for x, y in polygon)


@pytest.mark.parametrize(
    ("places", "reason"),
    [
        ([(0, 0)], "fewer than three points"),
        ([(0, 0), (10, 0)], "fewer than three points"),
        ([(0, 0), (10, 10), (20, 20), (35, 35)], "on one line"),
        ([(0, 0), (10, 1e-9), (20, 0)], "on one line"),
    ],
)
def test_too_few_points_or_a_line_enclose_no_area(places, reason):
    found = survey_map([(x, y, 5.0 + x) for x, y in places])
    assert reason in found.reason
    assert (found.regions, found.hull, found.area_mm2) == ((), (), None)
    assert len(found.places) == len(places)
    assert irradiance_at([(x, y, 5.0) for x, y in places], *places[0]) == 5.0
    assert irradiance_at([(x, y, 5.0) for x, y in places], 3, 1) is None


def test_no_reading_has_no_map():
    assert survey_map([]) is None


def test_repeats_are_one_place_with_their_mean():
    found = survey_map([(0, 0, 10.0), (0, 0, 12.0), (10, 0, 10.0), (0, 10, 10.0)])
    assert found.places == ((0, 0, 11.0), (10, 0, 10.0), (0, 10, 10.0))


@pytest.mark.parametrize(
    ("values", "levels"),
    [
        ([6.4, 15.0], (6, 8, 10, 12, 14, 16)),
        ([10.0, 10.0], (10, 10.2)),
        ([0.0, 0.0], None),
        ([0.0, 3.0], (0, 0.5, 1, 1.5, 2, 2.5, 3)),
    ],
)
def test_the_scale_has_round_steps(values, levels):
    found = scale_levels(values)
    if levels:
        assert found == pytest.approx(levels)
    assert found[0] <= min(values)
    assert found[-1] >= max(values)


# Slow only on a machine that is busy with other things.
@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(st.integers(-40, 40), st.integers(-40, 40), st.floats(0, 100)), min_size=1, max_size=30))
def test_the_map_never_leaves_what_was_read(readings):
    found = survey_map(readings)
    means = [value for *_, value in point_means(readings)]
    assert found.levels[0] <= min(means) + 1e-9
    assert found.levels[-1] >= max(means) - 1e-9
    areas = region_areas(found)
    if found.reason is None:
        assert areas[0] == pytest.approx(found.area_mm2, rel=1e-6)
        assert all(later <= earlier + 1e-6 for earlier, later in itertools.pairwise(areas))
    else:
        assert areas == []


def test_a_grid_is_read_there_and_back_around_the_middle():
    assert grid_places(2, 3, pitch_x_mm=10, pitch_y_mm=20) == [
        (-10, -10),
        (0, -10),
        (10, -10),
        (10, 10),
        (0, 10),
        (-10, 10),
    ]
    assert all(hypot(b[0] - a[0], b[1] - a[1]) == pytest.approx(20) for a, b in itertools.pairwise(GRID))


def test_rings_have_their_radius_and_the_middle():
    places = ring_places([(20, 4), (40, 8)], has_middle=True)
    assert places[:3] == [(0, 0), (20, 0), (0, 20)]
    assert len(places) == len(set(places)) == 13
    assert all(hypot(x, y) == pytest.approx(40, abs=1e-3) for x, y in places[5:])


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: grid_places(0, 3, pitch_x_mm=1, pitch_y_mm=1), "1 to 500 points"),
        (lambda: grid_places(40, 40, pitch_x_mm=1, pitch_y_mm=1), "1 to 500 points"),
        (lambda: grid_places(2, 2, pitch_x_mm=0, pitch_y_mm=1), "pitch"),
        (lambda: ring_places([(0, 4)], has_middle=True), "radius above 0"),
        (lambda: ring_places([(10, 4), (10, 6)], has_middle=True), "same radius"),
        (lambda: ring_places([], has_middle=False), "1 to 500 points"),
    ],
)
def test_impossible_layouts_are_refused(make, words):
    with pytest.raises(ValueError, match=words):
        make()
