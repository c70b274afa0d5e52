"""Survival against published examples; sources in statistics.md under the id given to `expected`."""

import numpy as np
import pytest

from labbench.science.survival import kaplan_meier, log_rank, log_rank_score, risk_table
from labbench.science.turnbull import turnbull


@pytest.fixture
def gehan(table):
    return table("gehan_leukaemia")


def test_kaplan_meier_six_mp(gehan, table):
    arm = gehan["treat"] == "six_mp"
    steps = {step.round: step for step in kaplan_meier(gehan["time"][arm], gehan["event"][arm] == 1)}
    known = table("gehan_six_mp_km_expected")
    assert len(known["time"]) == 7
    for row, time in enumerate(known["time"]):
        step = steps[time]
        assert (step.at_risk, step.failed) == (known["n_risk"][row], known["n_event"][row])
        assert step.survival == pytest.approx(known["survival"][row], rel=1e-9)
        assert step.standard_error == pytest.approx(known["greenwood_se"][row], rel=1e-9)
        assert step.low == pytest.approx(known["lower_loglog"][row], rel=1e-9)
        assert step.high == pytest.approx(known["upper_loglog"][row], rel=1e-9)


def test_log_rank(gehan, expected):
    codes = (gehan["treat"] == "six_mp").astype(int)
    found = log_rank(gehan["time"], gehan["event"] == 1, codes, 2)
    assert found.statistic == pytest.approx(expected("logrank_gehan", "log-rank chi-square"), rel=1e-9)
    assert found.p_value == pytest.approx(expected("logrank_gehan", "p"), rel=1e-9)
    score, covariance = log_rank_score(risk_table(gehan["time"], gehan["event"] == 1, codes, 2))
    assert 21 - score[0] == pytest.approx(expected("logrank_gehan", "expected, control"), rel=1e-9)
    assert covariance[0, 0] == pytest.approx(expected("logrank_gehan", "variance of O-E"), rel=1e-9)


def test_stratified_log_rank_of_pairs(gehan, expected):
    codes = (gehan["treat"] == "six_mp").astype(int)
    found = log_rank(gehan["time"], gehan["event"] == 1, codes, 2, strata=gehan["pair"].astype(int))
    assert found.statistic == pytest.approx(expected("strat_logrank_gehan", "stratified log-rank chi-square"), rel=1e-9)
    assert found.p_value == pytest.approx(expected("strat_logrank_gehan", "p"), rel=1e-9)


def test_log_rank_glioma(table, expected):
    t = table("glioma")
    third = t["grade"] == "grade3"
    codes = (t["group"][third] == "rit").astype(int)
    found = log_rank(t["time"][third], t["event"][third] == 1, codes, 2)
    assert found.statistic == pytest.approx(expected("exact_logrank_glioma", "survdiff chi-square"), rel=1e-9)


@pytest.mark.parametrize(("arm", "prefix"), [("rad", "Rad"), ("rad_chem", "RadChem")])
def test_turnbull_breast_cosmesis(arm, prefix, table, expected):
    t = table("breast_cosmesis")
    assert set(t["treatment"]) == {"rad", "rad_chem"}
    rows = t["treatment"] == arm
    right = np.where(np.isnan(t["right"][rows]), np.inf, t["right"][rows])
    found = turnbull(t["left"][rows], right)
    assert found.has_converged
    for part in found.masses:
        if np.isfinite(part.up_to):
            name = f"{prefix} mass on ({part.after:g},{part.up_to:g}]"
            assert part.mass == pytest.approx(expected("turnbull_bcos", name), abs=1e-9)
    assert sum(part.mass for part in found.masses) == pytest.approx(1, abs=1e-12)
