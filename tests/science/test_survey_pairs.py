"""Two surveys against each other."""

from math import exp, log, sqrt

import pytest
from scipy import stats

from labbench.science.survey_pairs import compare_surveys, meter_agreement, paired, paired_ratio
from labbench.science.survey_uncertainty import MeterLimits

FIRST = [(0, 0, 10.0), (20, 0, 12.0), (0, 20, 11.0), (20, 20, 9.0)]
METER = MeterLimits(5, 3, 2, 0.01)


def halved(noise=(1, 1, 1, 1)):
    return [(x, y, value / 2 * share) for (x, y, value), share in zip(FIRST, noise, strict=True)]


def test_a_cover_that_halves_the_light_doubles_the_time():
    # Irradiance x 0.5 at equal dose: time x 2 (reciprocity assumed). That a cover does about halve it is common practice, no source.
    found = compare_surveys(FIRST, halved(), meters=(METER, METER), is_same_calibration=True)
    assert found.ratio.value == pytest.approx(0.5)
    assert (found.ratio.interval.low, found.ratio.interval.high) == pytest.approx((0.5, 0.5))
    assert not found.ratio.includes_meters
    assert found.mean.difference == pytest.approx(-5.25)
    assert found.mean.is_beyond_uncertainty


def test_the_interval_of_the_ratio_is_that_of_a_paired_t_test():
    # scipy.stats.ttest_rel (SciPy 1.17) of the logarithms.
    second = halved((1.02, 0.97, 1.0, 1.05))
    ratio, _ = paired_ratio(paired(FIRST, second))
    logs = [[log(value) for *_, value in rows] for rows in (second, FIRST)]
    limits = stats.ttest_rel(*logs).confidence_interval(0.95)
    assert (ratio.interval.low, ratio.interval.high) == pytest.approx((exp(limits.low), exp(limits.high)))


def test_turning_the_comparison_round_turns_the_ratio_over():
    second = halved((1.02, 0.97, 1.0, 1.05))
    there, _ = paired_ratio(paired(FIRST, second))
    back, _ = paired_ratio(paired(second, FIRST))
    assert there.value * back.value == pytest.approx(1)
    assert there.interval.low * back.interval.high == pytest.approx(1)


def test_other_meters_widen_the_interval_by_what_both_are_uncertain():
    found = compare_surveys(FIRST, halved(), meters=(METER, METER), is_same_calibration=False)
    of_meter = sqrt((0.05 / 2) ** 2 + (0.03**2 + 0.02**2) / 3)
    assert log(found.ratio.interval.high / 0.5) == pytest.approx(2 * sqrt(2) * of_meter)
    assert found.ratio.includes_meters


def test_a_difference_within_the_uncertainty_is_none():
    brighter = [(x, y, value * 1.03) for x, y, value in FIRST]
    apart = compare_surveys(FIRST, brighter, meters=(METER, METER), is_same_calibration=False)
    assert not apart.mean.is_beyond_uncertainty
    # With one meter under one calibration only its geometry and resolution are left: 2 x root(2) x 3 % / root(3) = 4.9 %.
    same = compare_surveys(FIRST, brighter, meters=(METER, METER), is_same_calibration=True)
    assert same.mean.expanded < apart.mean.expanded
    assert same.mean.expanded == pytest.approx(10.5 * 2 * sqrt(2) * 0.03 / sqrt(3), rel=0.03)


def test_places_are_paired_within_a_millimetre_and_else_interpolated():
    shifted = [(x + 0.4, y, value) for x, y, value in FIRST]
    assert [pair.is_interpolated for pair in paired(FIRST, shifted)] == [False] * 4
    coarse = [(-5, -5, 8.0), (45, -5, 8.0), (-5, 45, 8.0)]
    pairs = paired(FIRST, coarse)
    assert [pair.is_interpolated for pair in pairs] == [True] * 4
    assert [pair.second for pair in pairs] == pytest.approx([8] * 4)
    assert paired(FIRST, [(100, 100, 1.0), (101, 100, 1.0), (100, 101, 1.0)]) == []


def test_places_without_light_have_no_ratio_and_are_counted():
    dark = [(x, y, 0.0 if x == 0 else value) for x, y, value in FIRST]
    ratio, _ = paired_ratio(paired(FIRST, dark))
    assert (ratio.places, ratio.left_out) == (2, 2)
    none, reason = paired_ratio(paired(FIRST, [(x, y, 0.0) for x, y, _ in FIRST]))
    assert none is None
    assert "0 places were read with light in both surveys" in reason


@pytest.mark.parametrize(("factor", "e_n", "consistent"), [(1.0, 0.0, True), (1.05, 0.53, True), (1.2, 1.97, False)])
def test_two_meters_on_one_lamp(factor, e_n, consistent):
    # E_n = (x - X) / sqrt(U(x)² + U(X)²), consistent within ±1: ISO 13528 (from memory). U by hand: 2 x root(2.5² + (3² + 2²) / 3) %.
    other = [(x, y, value * factor) for x, y, value in FIRST]
    meters = MeterLimits(5, 3, 2, 1e-9), MeterLimits(5, 3, 2, 1e-9)
    relative = 2 * sqrt(0.025**2 + (0.03**2 + 0.02**2) / 3)
    found = meter_agreement(paired(FIRST, other), FIRST, other, meters=meters)
    assert found.e_n == pytest.approx((factor - 1) / (relative * sqrt(1 + factor**2)), abs=1e-3)
    assert found.e_n == pytest.approx(e_n, abs=0.02)
    assert found.are_consistent is consistent


def test_a_meter_without_a_stated_uncertainty_can_not_be_judged():
    found = meter_agreement(paired(FIRST, FIRST), FIRST, FIRST, meters=(METER, MeterLimits()))
    assert (found.e_n, found.are_consistent) == (None, None)
    assert "calibration of the second meter" in found.reason
