"""A lamp survey in numbers."""

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labbench.formats.survey_points import read_survey_points
from labbench.science.irradiance import dose_of, summarise_survey, survey_document

DATA = Path(__file__).resolve().parent.parent / "published" / "data"


def test_five_readings_by_definition():
    # Ratios as EN 12464-1 (minimum over mean) and IEC 60904-9 (non-uniformity) define them; s with n - 1.
    survey = summarise_survey([(x, 0.0, value) for x, value in enumerate((9.0, 10.0, 11.0, 10.0, 10.0))])
    assert survey.mean_mw_cm2 == 10
    assert survey.min_over_mean == pytest.approx(0.9)
    assert survey.min_over_max == pytest.approx(9 / 11)
    assert survey.non_uniformity == pytest.approx(0.1)
    assert survey.cv == pytest.approx(math.sqrt(0.5) / 10)
    assert survey.spacing_mm == 1


@pytest.mark.parametrize(
    ("non_uniformity", "min_over_max"), [(0.01, 0.980198), (0.02, 0.960784), (0.05, 0.904762), (0.10, 0.818182)]
)
def test_the_two_ratios_of_extremes_are_one(non_uniformity, min_over_max):
    # N = (1 - r) / (1 + r): the class limits of IEC 60904-9 in terms of minimum over maximum.
    survey = summarise_survey([(0, 0, 1.0), (1, 0, min_over_max)])
    assert survey.non_uniformity == pytest.approx(non_uniformity, abs=1e-6)


def test_repeats_are_one_place_and_their_spread_is_kept():
    survey = summarise_survey([(0, 0, 13.6), (0, 0, 13.5), (0, 0, 13.9), (30, 0, 10.0)])
    assert (survey.points, survey.readings) == (2, 4)
    assert survey.hottest.value == pytest.approx(np.mean([13.6, 13.5, 13.9]))
    assert survey.repeatability_cv == pytest.approx(np.std([13.6, 13.5, 13.9], ddof=1) / np.mean([13.6, 13.5, 13.9]))


def test_places_that_differ_by_rounding_alone_are_one():
    # 0.1 + 0.2 of a grid's program is not 0.3.
    survey = summarise_survey([(0.1 + 0.2, 0.0, 3.0), (0.3, 0.0, 5.0), (30.0, 0.0, 4.0)])
    assert (survey.points, survey.coldest.value, survey.spacing_mm) == (2, 4.0, 29.7)
    assert survey.repeatability_cv == pytest.approx(2**0.5 / 4)


def test_a_dose_is_irradiance_times_time():
    # 12 mW/cm2 for 60 s are 720 mJ/cm2 (definition of radiant exposure, ISO 80000-7).
    assert dose_of(summarise_survey([(0, 0, 12.0)]), 60).mean == 720


def test_one_place_says_what_it_can_not():
    answer = survey_document(summarise_survey([(0, 0, 12.0)]))
    assert (answer["cv"], answer["spacing_mm"], answer["repeatability_cv"], answer["dose_mj_cm2"]) == (None,) * 4
    assert answer["min_over_max"] == 1
    for word in ("evenness", "spacing", "twice", "cure time"):
        assert word in answer["reason"]


def test_a_dark_lamp_has_no_evenness():
    answer = survey_document(summarise_survey([(0, 0, 0.0), (10, 0, 0.0), (0, 0, 0.0)]), cure_s=60)
    assert [answer[key] for key in ("min_over_mean", "min_over_max", "non_uniformity", "cv", "repeatability_cv")] == [
        None
    ] * 5
    assert answer["dose_mj_cm2"] == {"mean": 0, "min": 0, "max": 0}
    assert "light" in answer["reason"]


@given(st.lists(st.tuples(st.integers(-5, 5), st.integers(-5, 5), st.floats(0.01, 500)), min_size=2, max_size=40))
def test_against_numpy(readings):
    survey = summarise_survey([(float(x), float(y), value) for x, y, value in readings])
    places = {place: [v for x, y, v in readings if (x, y) == place] for place in {(x, y) for x, y, _ in readings}}
    means = np.array([np.mean(values) for values in places.values()])
    assert survey.points == len(places)
    assert survey.mean_mw_cm2 == pytest.approx(means.mean())
    assert survey.non_uniformity == pytest.approx(np.ptp(means) / (means.max() + means.min()), abs=1e-12)
    if len(means) > 1:
        assert survey.cv == pytest.approx(means.std(ddof=1) / means.mean(), abs=1e-12)
        spots = np.array(list(places), dtype=float)
        distances = np.hypot(*(spots[:, None] - spots[None]).transpose(2, 0, 1))
        np.fill_diagonal(distances, np.inf)
        assert survey.spacing_mm == pytest.approx(np.median(distances.min(axis=1)))


@given(st.permutations(range(6)), st.floats(0.1, 10))
def test_order_is_irrelevant_and_ratios_have_no_unit(order, scale):
    readings = [
        (x, y, v) for x, y, v in zip([0, 10, 20, 0, 10, 0], [0, 0, 0, 10, 10, 0], [5, 7, 6, 4, 9, 5.5], strict=True)
    ]
    one = summarise_survey(readings)
    other = summarise_survey([(readings[i][0], readings[i][1], readings[i][2] * scale) for i in order])
    assert other.cv == pytest.approx(one.cv)
    assert other.repeatability_cv == pytest.approx(one.repeatability_cv)
    assert (other.coldest.x_mm, other.coldest.y_mm) == (one.coldest.x_mm, one.coldest.y_mm)


def test_the_figures_of_a_whole_grid():
    # tests/published/data/survey_grid.csv: invented readings, figures computed independently (NumPy 2.4); the mean is over the places
    # after averaging repeats. Definitions: EN 12464-1 (minimum over mean), IEC 60904-9 (non-uniformity), s with n - 1.
    found = read_survey_points((DATA / "survey_grid.csv").read_bytes())
    survey = summarise_survey(found.readings)
    assert (survey.points, survey.readings) == (25, 27)
    assert survey.mean_mw_cm2 == pytest.approx(10.8426667, abs=1e-6)
    assert (survey.min_mw_cm2, survey.max_mw_cm2) == (6.4, 15.0)
    assert (survey.coldest.x_mm, survey.coldest.y_mm) == (60, 60)
    assert (survey.hottest.x_mm, survey.hottest.y_mm) == (-30, 30)
    assert survey.min_over_mean == pytest.approx(0.5902607, abs=1e-6)
    assert survey.min_over_max == pytest.approx(0.4266667, abs=1e-6)
    assert survey.non_uniformity == pytest.approx(0.4018692, abs=1e-6)
    assert survey.cv == pytest.approx(0.2423313, abs=1e-6)
    assert survey.repeatability_cv == pytest.approx(0.0152317, abs=1e-6)
    dose = dose_of(survey, 60)
    assert (dose.mean, dose.min, dose.max) == pytest.approx((650.56, 384, 900), abs=1e-2)
