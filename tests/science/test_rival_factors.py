"""A name against what was measured of it: closed forms with Beta functions, another library, and laws."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special, stats

from labbench.science.rival_factors import Candidate, compare_rivals
from tests.science.sheets import sheet

EXPOSED, UNEXPOSED, ANY = (3.0, 1.0), (1.0, 9.0), (1.0, 1.0)


def evidence(counts, prior):
    """B(a + F, b + S) / B(a, b)."""
    failed, coupons = counts
    a, b = prior
    return special.beta(a + failed, b + coupons - failed) / special.beta(a, b)


def more(exposed, unexposed):
    """P(X > Y) for two Betas, by plain quadrature."""
    x, y = stats.beta(*exposed), stats.beta(*unexposed)
    return integrate.quad(lambda p: x.pdf(p) * y.cdf(p), 0, 1, epsabs=1e-13, limit=200)[0]


def single(inside, outside):
    """m(D | h) of a hypothesis with exposed and unexposed coupons, ordering factor included."""
    after = more(
        (3 + inside[0], 1 + inside[1] - inside[0]),
        (1 + outside[0], 9 + outside[1] - outside[0]),
    )
    return evidence(inside, EXPOSED) * evidence(outside, UNEXPOSED) * after / more(EXPOSED, UNEXPOSED)


def pooled(cells):
    return sum(failed for failed, _ in cells), sum(coupons for _, coupons in cells)


def of_levels(cells):
    """M(f) of two named levels: each level as the cause, no shape-free hypothesis."""
    return sum(single(cells[i], cells[1 - i]) for i in (0, 1)) / 2


def graded(cells):
    """M(f) of a numeric factor with three levels: two lower sets, two upper sets, the inner level; then a share for each level."""
    low, inner, high = cells
    sets = [((low,), (inner, high)), ((low, inner), (high,)), ((inner, high), (low,)), ((high,), (low, inner)),
            ((inner,), (low, high))]  # fmt: skip
    singles = sum(single(pooled(inside), pooled(outside)) for inside, outside in sets) / len(sets)
    shape_free = math.prod(evidence(cell, ANY) for cell in cells)
    # Classes "single" and "shape-free" have 0.50 and 0.05 of the prior; here they share all of it.
    return (0.50 * singles + 0.05 * shape_free) / 0.55


def two(named, measured, failed):
    table = sheet({"lamp": named, "dose_min_mj_cm2": measured}, failed)
    return table, *table.factors


# Lamp, dose, failed of coupons.
CELLS = [("L1", 100.0, 3, 4), ("L1", 200.0, 1, 3), ("L2", 100.0, 2, 2), ("L2", 200.0, 0, 3), ("L2", 400.0, 0, 4)]


def crossed(cells=CELLS):
    rows = [(lamp, dose, int(i < failed)) for lamp, dose, failed, coupons in cells for i in range(coupons)]
    return two([r[0] for r in rows], [r[1] for r in rows], [r[2] for r in rows])


def test_the_evidence_in_closed_form():
    found = compare_rivals(*crossed())
    lamp = of_levels([(4, 7), (2, 9)])
    dose = graded([(5, 6), (1, 6), (0, 4)])
    assert found.evidence[0].log_evidence == pytest.approx(math.log(lamp), rel=1e-9)
    assert found.evidence[1].log_evidence == pytest.approx(math.log(dose), rel=1e-9)
    assert found.log_bayes_factor == pytest.approx(math.log(lamp / dose), rel=1e-9)
    assert found.evidence[1].probability == pytest.approx(dose / (lamp + dose), rel=1e-9)
    # "Neither matters": low rate and any rate at 0.05 and 0.10 of the prior.
    none = (0.05 * evidence((6, 16), UNEXPOSED) + 0.10 * evidence((6, 16), ANY)) / 0.15
    assert found.log_none == pytest.approx(math.log(none), rel=1e-9)
    assert (found.coupons, found.failed, found.left_out, found.relation) == (16, 6, 0, "crossed")
    assert found.evidence[1].best == "dose_min_mj_cm2 <= 100"


def test_two_named_factors_as_in_the_worked_example():
    # Reference example: (R1, L1) 3 of 3 failed, (R2, L2) 0 of 3; evidence of "R1" 0.375, of "R2" 2.272727e-4, without ordering.
    assert evidence((3, 3), EXPOSED) * evidence((0, 3), UNEXPOSED) == pytest.approx(0.375, rel=1e-12)
    table = sheet({"resin": ["R1"] * 3 + ["R2"] * 3, "lamp": ["L1"] * 3 + ["L2"] * 3}, [1, 1, 1, 0, 0, 0])
    found = compare_rivals(table, *table.factors)
    assert found.state == "aliased"
    assert found.log_bayes_factor == pytest.approx(0, abs=1e-12)
    assert found.evidence[0].log_evidence == pytest.approx(math.log(of_levels([(3, 3), (0, 3)])), rel=1e-9)
    assert "cannot tell resin and lamp apart" in found.sentence


def test_the_plain_models_agree_with_another_library():
    table, lamp, dose = crossed()
    found = compare_rivals(table, lamp, dose)
    failed = table.is_failed.astype(float)
    doses = np.array([dose.levels[code] for code in dose.codes])
    slope = sm.Logit(failed, sm.add_constant(doses)).fit(disp=0, tol=1e-12)
    names = sm.Logit(failed, sm.add_constant((lamp.codes == 1).astype(float))).fit(disp=0, tol=1e-12)
    for one, fit in zip(found.evidence, (names, slope), strict=True):
        assert one.terms == 2
        assert one.log_likelihood == pytest.approx(fit.llf, rel=1e-7)
        # AICc by its definition, Hurvich and Tsai (1989): AIC + 2 k (k + 1) / (n - k - 1).
        assert one.aicc == pytest.approx(fit.aic + 2 * 2 * 3 / (16 - 3), rel=1e-7)


def test_the_dose_wins_where_it_parts_the_coupons_and_no_name_does():
    cells = [("L1", 100.0, 4, 4), ("L1", 400.0, 0, 4), ("L2", 50.0, 4, 4), ("L2", 400.0, 0, 4), ("L3", 400.0, 0, 4)]
    found = compare_rivals(*crossed(cells))
    assert found.state == "second"
    assert found.sentence.startswith(
        "dose_min_mj_cm2 explains the failures better than lamp, by dose_min_mj_cm2 <= 100 (more than 99.9 %"
    )
    assert found.evidence[0].beside_the_other.p_value > 0.3
    assert found.evidence[1].beside_the_other.p_value < 0.01
    assert found.breaking is None


def test_the_name_wins_where_the_dose_makes_no_difference():
    cells = [("L1", 100.0, 5, 5), ("L1", 400.0, 5, 5), ("L2", 100.0, 0, 5), ("L2", 400.0, 0, 5)]
    assert compare_rivals(*crossed(cells)).state == "first"


def test_a_simpler_description_is_not_taken_for_a_coupon_that_parts_them():
    # Lamps L1 and L2 gave the same dose: the dose is the coarser of the two.
    cells = [("L1", 100.0, 4, 4), ("L2", 100.0, 4, 4), ("L3", 400.0, 0, 4), ("L4", 800.0, 0, 4)]
    found = compare_rivals(*crossed(cells))
    assert found.relation == "first decides second"
    assert found.state.endswith("second")
    assert "no coupon parts them" in found.sentence


UGLY = {
    "no coupon known": ([None] * 4, [1.0, 2.0, 1.0, 2.0], [1, 0, 1, 0], "no coupon that ran has a known level of both"),
    "all equal": (["L1"] * 4, [1.0, 2.0, 1.0, 2.0], [1, 0, 1, 0], "all 4 coupons have the same level of lamp"),
    "equal twice": (["L1"] * 4, [2.0] * 4, [1, 0, 1, 0], "the same level of lamp and of dose_min_mj_cm2"),
    "none failed": (["L1", "L1", "L2", "L2"], [1.0, 2.0, 1.0, 2.0], [0] * 4, "none of the 4 coupons failed"),
    "all failed": (["L1", "L1", "L2", "L2"], [1.0, 2.0, 1.0, 2.0], [1] * 4, "every one of the 4 coupons failed"),
}


@pytest.mark.parametrize("case", UGLY)
def test_what_can_not_be_compared_says_why(case):
    named, measured, failed, reason = UGLY[case]
    found = compare_rivals(*two(named, measured, failed))
    assert (found.state, found.evidence, found.log_bayes_factor) == ("not compared", (), None)
    assert reason in found.reason
    assert reason in found.sentence


def test_a_coupon_known_in_one_only_is_left_out_of_the_whole_comparison():
    table, lamp, dose = crossed([*CELLS, (None, 100.0, 2, 2), ("L1", None, 3, 3)])
    found, without = compare_rivals(table, lamp, dose), compare_rivals(*crossed())
    assert found.left_out == 5
    assert found.log_bayes_factor == pytest.approx(without.log_bayes_factor, rel=1e-12)
    assert found.evidence[0].aicc == pytest.approx(without.evidence[0].aicc, rel=1e-9)


def test_nothing_is_said_for_either_where_neither_explains_anything():
    cells = [("L1", 100.0, 1, 6), ("L1", 400.0, 1, 6), ("L2", 100.0, 1, 6), ("L2", 400.0, 1, 6)]
    found = compare_rivals(*crossed(cells))
    assert found.state == "neither"
    assert "Neither lamp nor dose_min_mj_cm2" in found.sentence


ONE_TO_ONE = [("L1", 100.0, 5, 6), ("L2", 400.0, 0, 6)]


def test_the_coupon_that_parts_aliased_factors():
    candidates = [
        Candidate("L1", 400.0, {"lamp": "L1", "cure_time_s": 240.0}),
        Candidate("L1", 100.0, {"lamp": "L1", "cure_time_s": 60.0}),
        Candidate("L1", 250.0, {"lamp": "L1", "cure_time_s": 150.0}),
        Candidate("L3", 100.0, {"lamp": "L3", "cure_time_s": 60.0}),
    ]
    table, lamp, dose = crossed(ONE_TO_ONE)
    found = compare_rivals(table, lamp, dose, candidates=candidates)
    assert found.state == "aliased"
    # 250 lies between the levels and L3 never ran: of those nothing is known. The same combination again tells nothing.
    assert found.breaking.levels == {"lamp": "L1", "cure_time_s": 240.0}
    # Mutual information of one outcome and two explanations at even odds, in nats (definition).
    p, q = found.breaking.failing_if_first, found.breaking.failing_if_second
    assert p > 0.7 > 0.2 > q
    entropies = stats.entropy([(p + q) / 2, 1 - (p + q) / 2]), stats.entropy([p, 1 - p]), stats.entropy([q, 1 - q])
    assert found.breaking.gain_nats == pytest.approx(entropies[0] - (entropies[1] + entropies[2]) / 2, rel=1e-9)
    assert compare_rivals(table, lamp, dose, candidates=candidates[1:]).breaking is None


ROWS = st.lists(
    st.tuples(st.sampled_from(["L1", "L2", "L3"]), st.sampled_from([50.0, 100.0, 400.0]), st.booleans()),
    min_size=4,
    max_size=24,
)


def compared(rows, rename=None, order=None):
    rows = [rows[i] for i in order] if order else rows
    named = [(rename or {}).get(row[0], row[0]) for row in rows]
    return compare_rivals(*two(named, [row[1] for row in rows], [int(row[2]) for row in rows]))


@settings(max_examples=40, deadline=None)
@given(ROWS, st.randoms())
def test_order_and_names_are_irrelevant(rows, random):
    order = list(range(len(rows)))
    random.shuffle(order)
    found = compared(rows)
    other = compared(rows, {"L1": "Z", "L2": "B", "L3": "A"}, order)
    assert (found.state, found.relation) == (other.state, other.relation)
    if found.evidence:
        assert other.log_bayes_factor == pytest.approx(found.log_bayes_factor, rel=1e-9, abs=1e-9)
        assert [one.aicc for one in other.evidence] == pytest.approx([one.aicc for one in found.evidence], rel=1e-6)


@settings(max_examples=40, deadline=None)
@given(ROWS)
def test_exchanged_factors_exchange_the_answer(rows):
    table, lamp, dose = two([r[0] for r in rows], [r[1] for r in rows], [int(r[2]) for r in rows])
    there, back = compare_rivals(table, lamp, dose), compare_rivals(table, dose, lamp)
    if there.evidence:
        assert there.log_bayes_factor == pytest.approx(-back.log_bayes_factor, rel=1e-9, abs=1e-9)
        assert there.evidence[0].probability == pytest.approx(back.evidence[1].probability, rel=1e-9)
