"""Fading of a lamp: the model of IES TM-21, its numbers recomputed, its limits against another library and by walking."""

from math import exp, log

import numpy as np
import pytest

from labbench.science.depreciation import fit_depreciation, hours_to, points_used, time_factor


def fading(alpha, hours, start=1.0):
    return [start * exp(-alpha * at) for at in hours]


@pytest.mark.parametrize(("level", "hours"), [(0.7, 178_337.47), (0.8, 111_571.78), (0.5, 346_573.59)])
def test_hours_to_a_level_of_a_known_curve(level, hours):
    # L_p = ln(B / p) / alpha with alpha 2e-6 and B 1 (TM-21); recomputed.
    fit = fit_depreciation([0, 1000, 2000], fading(2e-6, [0, 1000, 2000]))
    assert hours_to(fit, level).hours == pytest.approx(hours, abs=0.5)


def test_time_for_equal_dose_grows_as_output_falls():
    # alpha 1e-4 after 3000 h: output x 0.7408182, time x 1.3498588 (arithmetic).
    fit = fit_depreciation([0, 1000, 2000], fading(1e-4, [0, 1000, 2000]))
    assert fit.output_at(3000) == pytest.approx(0.7408182, abs=1e-6)
    assert time_factor(fit.alpha_per_h, 3000) == pytest.approx(1.3498588, abs=1e-6)


def test_which_points_count():
    assert points_used([0, 100, 5999]) == [0, 1, 2]
    assert points_used([0, 500, 1000, 3000, 6000]) == [2, 3, 4]
    assert points_used([0, 4999, 5000, 10_000]) == [2, 3]
    assert points_used([0, 5000, 6000, 12_000]) == [2, 3]


HOURS = [2010, 2290, 2560, 2870]
OUTPUT = [3.9, 3.45, 3.02, 2.55]


def test_limits_of_the_rate_and_of_the_curve_agree_with_statsmodels():
    import statsmodels.api as sm

    fit = fit_depreciation(HOURS, OUTPUT)
    other = sm.OLS(np.log(OUTPUT), sm.add_constant(HOURS)).fit()
    low, high = other.conf_int()[1]
    assert (fit.alpha_limits.low, fit.alpha_limits.high) == pytest.approx((-high, -low), rel=1e-9)
    band = other.get_prediction([[1, 3000]]).conf_int()[0]
    limits = fit.output_limits(3000)
    assert (limits.low, limits.high) == pytest.approx(tuple(np.exp(band)), rel=1e-9)


def test_limits_of_the_hours_are_where_the_curve_may_reach_the_level():
    # Slow and obvious: walk along the hours and note where the level leaves the curve's own limits.
    fit = fit_depreciation(HOURS, OUTPUT)
    found = hours_to(fit, 2.0)
    held = [at for at in np.arange(2500, 6000, 0.5) if (at_h := fit.output_limits(at)).low <= 2.0 <= at_h.high]
    assert (held[0], held[-1]) == pytest.approx((found.limits.low, found.limits.high), abs=0.5)
    assert found.limits.low < found.hours < found.limits.high


def test_nothing_is_promised_beyond_a_multiple_of_the_hours_watched():
    fit = fit_depreciation(HOURS, OUTPUT)
    far = hours_to(fit, 0.01)
    assert far.is_beyond
    assert far.reported_h == 2010 + 6 * (2870 - 2010)
    near = hours_to(fit, 2.4)
    assert (near.is_beyond, near.reported_h) == (False, near.hours)
    assert hours_to(fit, 2.4, multiple=0.9).is_beyond


def test_a_lamp_that_does_not_fade_has_no_life_to_compute():
    for output in ([3.0, 3.0, 3.0], [3.0, 3.1, 3.2]):
        found = hours_to(fit_depreciation([0, 100, 200], output), 2.0)
        assert (found.hours, found.reported_h, found.limits) == (None, None, None)
        assert found.reason == "the surveys show no fading, so no life can be computed"


def test_fading_that_may_be_chance_has_no_upper_limit():
    fit = fit_depreciation([0, 100, 200, 300], [3.0, 3.2, 2.9, 3.0])
    assert fit.alpha_limits.low < 0 < fit.alpha_per_h
    found = hours_to(fit, 2.0)
    assert found.limits.high is None
    assert found.limits.low > 300


def test_two_surveys_give_a_line_without_limits():
    fit = fit_depreciation([0, 100], [3.0, 2.9])
    assert (fit.alpha_limits, fit.output_limits(50), hours_to(fit, 2.0).limits) == (None, None, None)
    assert fit.alpha_per_h == pytest.approx(log(3.0 / 2.9) / 100)


def test_a_level_already_passed_lies_in_the_past():
    assert hours_to(fit_depreciation(HOURS, OUTPUT), 3.2).hours < 2870


def test_units_do_not_change_the_rate():
    tenfold = fit_depreciation(HOURS, [10 * value for value in OUTPUT])
    assert tenfold.alpha_per_h == pytest.approx(fit_depreciation(HOURS, OUTPUT).alpha_per_h, rel=1e-12)


@pytest.mark.parametrize(
    ("hours", "output", "words"),
    [
        ([0, 100], [1.0], "do not belong together"),
        ([0, 100], [1.0, 0.0], "above 0"),
        ([100, 100], [1.0, 0.9], "two different"),
        ([], [], "above 0"),
    ],
)
def test_what_can_not_be_fitted_is_refused(hours, output, words):
    with pytest.raises(ValueError, match=words):
        fit_depreciation(hours, output)


def test_impossible_levels_are_refused():
    with pytest.raises(ValueError, match="above 0"):
        hours_to(fit_depreciation(HOURS, OUTPUT), 0)
