"""Uncertainty budgets against the worked example of JCGM 100:2008 (GUM), annex H.1, and by their laws."""

from math import hypot, inf, sqrt

import pytest

from labbench.science.survey_uncertainty import MeterLimits, survey_uncertainty
from labbench.science.uncertainty import Component, budget, coverage_factor, of_resolution, rectangular


def test_the_end_gauge_of_gum_annex_h1():
    # GUM H.1.7 prints u_c 32 nm, effective degrees of freedom 16.7, t_99(16) 2.92 and U_99 93 nm for these standard uncertainties
    # (nm): 25 (18), 9.7 (25.6), 2.9 (50), 16.6 (2); the other components have a coefficient of zero at the estimate.
    of_comparison = sqrt(5.8**2 + 3.9**2 + 6.7**2)
    assert of_comparison == pytest.approx(9.7, abs=0.05)
    parts = [
        Component("standard", 25.0, 18, ""),
        Component("comparison", of_comparison, 25.6, ""),
        Component("expansion", 0.1 * 0 + 50.000623e6 * 0.1 * rectangular(1e-6), 50, ""),
        Component("temperatures", 50.000623e6 * 11.5e-6 * rectangular(0.05), 2, ""),
    ]
    assert [part.standard for part in parts[2:]] == pytest.approx([2.9, 16.6], abs=0.05)
    found = budget(50.000838e6, parts, coverage=0.99)
    assert found.combined == pytest.approx(32, abs=0.5)
    assert found.df == pytest.approx(16.7, abs=0.1)
    assert found.k == pytest.approx(2.92, abs=0.01)
    assert found.expanded == pytest.approx(93, abs=1)


@pytest.mark.parametrize(
    ("df", "k"), [(1, 13.97), (2, 4.53), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05), (100, 2.025), (inf, 2.0)]
)
def test_coverage_factors_of_gum_table_g2(df, k):
    # GUM table G.2, column 95.45 % (from memory).
    assert coverage_factor(df) == pytest.approx(k, abs=0.006)


def test_degrees_of_freedom_are_cut_not_rounded():
    # GUM G.4.1: interpolate, or truncate to the next lower integer.
    assert coverage_factor(16.75, coverage=0.99) == coverage_factor(16, coverage=0.99)
    assert coverage_factor(0.4) == coverage_factor(1)


def test_a_budget_of_one_spot_read_five_times():
    # Computed independently (NumPy 2.4, SciPy 1.17): calibration U = 6 % (k = 2), geometry 3 % and drift 2 % rectangular, steps of 0.1.
    readings = [(0.0, 0.0, value) for value in (12.1, 12.4, 11.9, 12.2, 12.3)]
    found = survey_uncertainty(readings, MeterLimits(6, 3, 2, 0.1)).mean
    assert found.value == pytest.approx(12.18)
    by_name = {part.name: part.standard for part in found.components}
    assert by_name["repeatability"] == pytest.approx(0.0860233, abs=1e-6)
    assert by_name["calibration"] == pytest.approx(0.3654, abs=1e-6)
    assert by_name["geometry"] == pytest.approx(0.2109638, abs=1e-6)
    assert by_name["drift"] == pytest.approx(0.1406426, abs=1e-6)
    assert by_name["resolution"] == pytest.approx(0.0288675, abs=1e-6)
    assert found.combined == pytest.approx(0.4539125, abs=1e-6)
    assert found.df == pytest.approx(3101, abs=1)
    assert 2 * found.combined == pytest.approx(0.9078250, abs=1e-6)
    assert found.k == pytest.approx(2, abs=0.001)
    assert found.missing == ()


def test_repeats_are_pooled_and_carried_to_the_mean_by_hand():
    readings = [(0, 0, 10.0), (0, 0, 10.2), (10, 0, 20.0), (20, 0, 30.0)]
    found = survey_uncertainty(readings, MeterLimits())
    spread = sqrt(0.02) / 10.1
    of_mean = {part.name: part for part in found.mean.components}["repeatability"]
    # u² of (m1 + m2 + m3) / 3, each place with the relative spread over the root of its readings.
    assert of_mean.standard == pytest.approx(hypot(spread * 10.1 / sqrt(2), spread * 20, spread * 30) / 3)
    assert of_mean.df == 1
    assert found.max.components[-1].standard == pytest.approx(spread * 30)
    assert found.min.components[-1].standard == pytest.approx(spread * 10.1 / sqrt(2))
    assert found.mean.missing == ("calibration", "geometry", "drift", "resolution")


def test_what_is_not_known_is_named_not_taken_as_zero():
    found = survey_uncertainty([(0, 0, 10.0), (10, 0, 12.0)], MeterLimits(calibration_percent=5))
    assert "repeatability (no place was read twice)" in found.mean.missing
    assert [part.name for part in found.mean.components] == ["calibration"]
    assert found.mean.expanded == pytest.approx(0.05 * 11, rel=1e-4)
    assert survey_uncertainty([], MeterLimits()) is None


def test_twice_the_light_has_twice_the_relative_parts():
    once = [(0, 0, 5.0), (0, 0, 5.1), (10, 0, 7.0)]
    twice = [(x, y, 2 * value) for x, y, value in once]
    meter = MeterLimits(6, 3, 2, None)
    assert survey_uncertainty(twice, meter).mean.expanded == pytest.approx(
        2 * survey_uncertainty(once, meter).mean.expanded
    )


def test_a_dark_lamp_is_not_uncertain_in_percent():
    found = survey_uncertainty([(0, 0, 0.0), (0, 0, 0.0)], MeterLimits(6, 3, 2, 0.1))
    assert found.mean.relative is None
    assert found.mean.combined == pytest.approx(of_resolution(0.1))


def test_impossible_components_are_refused():
    with pytest.raises(ValueError, match="at least 0"):
        budget(1, [Component("x", -1, 3, "")])
    with pytest.raises(ValueError, match="degrees of freedom"):
        budget(1, [Component("x", 1, 0, "")])
