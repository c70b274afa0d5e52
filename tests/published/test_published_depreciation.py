"""The projection method of IES TM-21; see physics.md for what was read and what was recomputed."""

import pytest

from labbench.science.depreciation import fit_depreciation, hours_to


def test_a_test_of_10_000_hours(table):
    data = table("led_maintenance")
    fit = fit_depreciation(list(data["hours"]), list(data["relative_output"]))
    assert fit.points == 6
    assert fit.alpha_per_h == pytest.approx(4.9905227e-6, rel=1e-7)
    assert fit.start == pytest.approx(1.00628267, rel=1e-7)
    life = hours_to(fit, 0.7)
    assert life.hours == pytest.approx(72_725.4, abs=0.1)
    assert (life.is_beyond, life.reported_h) == (True, 60_000)
    assert hours_to(fit, 0.9).hours == pytest.approx(22_367.1, abs=0.1)
    assert not hours_to(fit, 0.9).is_beyond


def test_the_same_test_ended_at_6_000_hours(table):
    data = table("led_maintenance")
    short = data["hours"] <= 6000
    fit = fit_depreciation(list(data["hours"][short]), list(data["relative_output"][short]))
    assert fit.alpha_per_h == pytest.approx(5.3424411e-6, rel=1e-7)
    assert fit.start == pytest.approx(1.00842290, rel=1e-7)
    life = hours_to(fit, 0.7)
    assert life.hours == pytest.approx(68_332.5, abs=0.1)
    assert (life.is_beyond, life.reported_h) == (True, 36_000)
