"""Cure arithmetic against worked numbers. "Recomputed": by independent arithmetic in double precision; no printed source unless named."""

from math import exp, log

import numpy as np
import pytest

from labbench.science.cure import (
    cure_depth_mm,
    cure_time,
    dose_mj_cm2,
    equal_effect_time,
    exposure_for_depth,
    fit_exponent,
    fit_working_curve,
    layers_transmittance,
    mean_share_over_depth,
    share_at_depth,
    transmittance_at,
)
from labbench.science.line_fit import crossing, fit_line, mean_limits


def test_dose_and_units():
    # 12 mW/cm² for 60 s: 720 mJ/cm² = 0.72 J/cm² (definition).
    assert dose_mj_cm2(12, 60) == 720


def test_a_cover_that_halves_doubles_the_time():
    # Common practice, no source: a clear cover about halves a small fluorescent lamp. That the time doubles is arithmetic.
    assert cure_time(720, 12).time_s == 60
    assert cure_time(720, 12, transmittance=0.5).time_s == 120


def test_the_hottest_point_gets_more():
    found = cure_time(384, 6.4, mean_mw_cm2=10.8426667, hottest_mw_cm2=15.0)
    # By hand from an invented survey of 25 points: 60 s, 900 mJ/cm² at the hottest, 650.56 in the mean.
    assert (found.time_s, found.hottest_mj_cm2) == pytest.approx((60, 900), abs=1e-9)
    assert found.mean_mj_cm2 == pytest.approx(650.56, abs=1e-4)
    assert found.hottest_over_coldest == pytest.approx(15 / 6.4)


@pytest.mark.parametrize(
    ("given", "words"),
    [((0, 5), "dose is above"), ((100, 0), "no light"), ((100, 5, 0.0), "pass"), ((100, 5, 1.2), "pass")],
)
def test_impossible_cures_are_refused(given, words):
    with pytest.raises(ValueError, match=words):
        cure_time(given[0], given[1], transmittance=given[2] if len(given) > 2 else 1.0)


@pytest.mark.parametrize(("p", "factor"), [(1.0, 2.0), (0.8, 1.7411011), (0.5, 1.4142136)])
def test_time_at_half_the_irradiance(p, factor):
    assert equal_effect_time(60, 12, 6, p=p) / 60 == pytest.approx(factor, abs=1e-6)


def test_time_and_dose_where_reciprocity_fails():
    time_s = equal_effect_time(60, 12, 6, p=0.8)
    assert time_s == pytest.approx(104.46607, abs=1e-5)
    assert dose_mj_cm2(6, time_s) == pytest.approx(626.797, abs=1e-3)


def test_the_exponent_of_two_exposures_has_no_limits():
    found = fit_exponent([20, 5], [30, 100])
    assert found.p == pytest.approx(log(100 / 30) / log(20 / 5), abs=1e-12)
    assert found.p == pytest.approx(0.8684828, abs=1e-6)
    assert found.limits is None


def test_the_exponent_of_many_exposures_agrees_with_statsmodels():
    import statsmodels.api as sm

    irradiance, time_s = [20, 10, 5, 2.5, 20], [30, 52, 101, 180, 33]
    fit = sm.OLS(np.log(time_s), sm.add_constant(np.log(irradiance))).fit()
    found = fit_exponent(irradiance, time_s)
    low, high = fit.conf_int()[1]
    assert (found.p, found.limits.low, found.limits.high) == pytest.approx((-fit.params[1], -high, -low), rel=1e-9)


@pytest.mark.parametrize(("e", "t"), [([5, 5], [30, 40]), ([5], [30]), ([5, 0], [30, 40]), ([], [])])
def test_an_exponent_that_can_not_be_had_is_refused(e, t):
    with pytest.raises(ValueError, match=r"above 0|two different"):
        fit_exponent(e, t)


def test_tinted_layers():
    # Beer-Lambert: 0.80 at 5 mm is 0.9146101 at 2 mm; layers multiply: 0.60 x 0.50 = 0.30, time x 3.3333333.
    assert transmittance_at(0.8, 5, 2) == pytest.approx(0.9146101, abs=1e-6)
    assert transmittance_at(0.8, 5, 2) == pytest.approx(exp(-0.0446287 * 2), abs=1e-6)
    assert layers_transmittance([0.6, 0.5]) == pytest.approx(0.30, abs=1e-12)
    assert cure_time(720, 12, transmittance=0.3).time_s / 60 == pytest.approx(3.3333333, abs=1e-6)


def test_depth_of_cure():
    # Published: 0.231 mm, example of a public tutorial on the working curve of P. F. Jacobs (1992), seen in a reproduction.
    assert cure_depth_mm(30, dp_mm=0.175, ec_mj_cm2=8) == pytest.approx(0.231, abs=5e-4)
    # Recomputed.
    assert cure_depth_mm(40, dp_mm=0.15, ec_mj_cm2=6) == pytest.approx(0.2845680, abs=1e-6)
    assert exposure_for_depth(2.1, dp_mm=0.5, ec_mj_cm2=12) == pytest.approx(800.23597, abs=1e-4)
    with pytest.raises(ValueError, match="more than 100 Dp gets no light"):
        exposure_for_depth(100, dp_mm=0.1, ec_mj_cm2=10)
    assert share_at_depth(1, dp_mm=0.5) == pytest.approx(0.1353353, abs=1e-6)
    assert mean_share_over_depth(1, dp_mm=0.5) == pytest.approx(0.4323324, abs=1e-6)


def test_twice_the_exposure_adds_dp_ln_2():
    deeper = cure_depth_mm(80, dp_mm=0.15, ec_mj_cm2=6) - cure_depth_mm(40, dp_mm=0.15, ec_mj_cm2=6)
    assert deeper == pytest.approx(0.15 * log(2))


def test_too_little_exposure_gels_nothing():
    assert cure_depth_mm(5, dp_mm=0.15, ec_mj_cm2=6) == 0
    assert cure_depth_mm(0, dp_mm=0.15, ec_mj_cm2=6) == 0


POINTS = ([10, 20, 40, 80, 160], [0.11, 0.215, 0.31, 0.425, 0.52])


def test_the_working_curve_of_points():
    found = fit_working_curve(*POINTS)
    # Recomputed.
    assert (found.dp_mm, found.ec_mj_cm2) == pytest.approx((0.1485976, 4.7699261), abs=1e-6)
    assert found.dp_limits.low < found.dp_mm < found.dp_limits.high
    assert found.ec_limits.low < found.ec_mj_cm2 < found.ec_limits.high


def test_limits_of_ec_are_where_the_line_may_reach_no_depth():
    # Slow and obvious: walk along ln E and note where 0 leaves the line's own confidence limits.
    found = fit_working_curve(*POINTS)
    line = fit_line([log(e) for e in POINTS[0]], POINTS[1])
    held = [x for x in np.linspace(0, 3, 30_001) if (at := mean_limits(line, x)).low <= 0 <= at.high]
    assert (exp(held[0]), exp(held[-1])) == pytest.approx((found.ec_limits.low, found.ec_limits.high), rel=2e-4)


def test_two_points_give_a_curve_without_limits():
    found = fit_working_curve([10, 40], [0.1, 0.3])
    assert (found.dp_limits, found.ec_limits) == (None, None)


def test_no_curve_where_depth_does_not_grow():
    with pytest.raises(ValueError, match="do not grow"):
        fit_working_curve([10, 40], [0.3, 0.1])
    with pytest.raises(ValueError, match="two different"):
        fit_working_curve([10, 10], [0.3, 0.1])


def test_a_line_that_is_hardly_sloped_crosses_with_an_open_end():
    line = fit_line([0, 1, 2, 3], [5.0, 4.7, 5.2, 4.6])
    found = crossing(line, 2.0)
    assert found.x > 3
    assert found.limits.high is None
    # Walking away from the points, the limits hold the level for the first time where the set begins.
    first = next(x for x in np.linspace(3, 60, 57_001) if mean_limits(line, x).low <= 2.0)
    assert found.limits.low == pytest.approx(first, abs=2e-3)
