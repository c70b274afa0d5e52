"""Exposure limits: 1e4 J/m² unweighted UV-A (ICNIRP 2004, 2006/25/EC annex I row b, from memory) and 30 J/m² weighted (row a)."""

import pytest

from labbench.science.uv_exposure import is_uva, limit_in_mj_cm2, uva_exposure, weighted_exposure


@pytest.mark.parametrize(("irradiance", "seconds"), [(1.0, 1000.0), (12.0, 83.333), (30.0, 33.333)])
def test_time_to_the_limit(irradiance, seconds):
    # By arithmetic: 1 mW/cm² is 10 W/m², and 1e4 J/m² last 1000 s.
    assert uva_exposure(irradiance).seconds == pytest.approx(seconds, abs=1e-3)


@pytest.mark.parametrize(("watt_per_m2", "seconds"), [(10, 1000), (33, 300), (100, 100)])
def test_it_agrees_with_the_risk_groups_of_iec_62471(watt_per_m2, seconds):
    # From memory: exempt, risk group 1 and 2 end where so many W/m² last so many seconds (33 x 300 is rounded in the standard).
    assert uva_exposure(watt_per_m2 / 10).seconds == pytest.approx(seconds, rel=0.011)


def test_an_irradiance_that_eight_hours_do_not_use_up():
    # 1e4 J/m² / 28 800 s = 0.347222 W/m².
    assert uva_exposure(0.0347221).seconds is None
    assert uva_exposure(0.0347223).seconds == pytest.approx(28_800, rel=1e-4)
    assert uva_exposure(0.0).reason == "no light"


def test_the_unweighted_limit_binds_first_at_365_nm():
    # 30 / (0.00011 x 10 W/m²) = 27 272.7 s against 1000 s.
    assert weighted_exposure(1.0).seconds == pytest.approx(27_272.7, abs=0.1)
    assert weighted_exposure(1.0).seconds / uva_exposure(1.0).seconds == pytest.approx(27.27, abs=0.01)


def test_refusals_and_bands():
    with pytest.raises(ValueError, match="not negative"):
        uva_exposure(-1)
    assert [is_uva(nm) for nm in (314.0, 315.0, 365.0, 400.0, 405.0, None)] == [False, True, True, True, False, True]
    assert limit_in_mj_cm2() == 1000
