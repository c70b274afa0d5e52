"""The coupons that fill a confirmation load, and the failed repair with one variable changed."""

from __future__ import annotations

import numpy as np
import pytest

from labbench.science.candidates import impossible_codes
from labbench.science.clearing_coupons import clearing_coupons
from labbench.science.confirmation import confirmation_load
from labbench.science.evidence import posterior
from labbench.science.hypotheses import Suspect, hypotheses
from labbench.science.load_limits import LoadRoom, load_limits
from labbench.science.sheet import RunnableLevels
from tests.science.runs import ran

SUSPECTS = (
    Suspect("resin", "categorical", ("R1", "R2", "R3")),
    Suspect("lamp", "categorical", ("L1", "L2", "L3", "L4")),
    Suspect("cover", "categorical", ("on", "off")),
)
NOTHING = impossible_codes(SUSPECTS, ())
# Resin R1 fails whatever else is on the coupon; L4 ran with it only.
COUNTS = [((0, level, level % 2), 2, 2) for level in range(4)] + [
    ((1, 0, 0), 0, 3),
    ((2, 1, 1), 0, 3),
    ((1, 2, 0), 0, 1),
]


def found_and_row(counts=COUNTS):
    found = posterior(hypotheses(SUSPECTS), ran(counts))
    return found, [found.hypotheses.text(n) for n in range(len(found.hypotheses))].index("resin = R1")


def fill(count=12, *, impossible=(), limits=None, counts=COUNTS):
    found, row = found_and_row(counts)
    room = LoadRoom(load_limits(SUSPECTS, limits))
    return clearing_coupons(
        found,
        row,
        ran(counts).codes,
        impossible_codes(SUSPECTS, impossible),
        count=count,
        room=room,
        rng=np.random.default_rng(1),
    )


def test_each_level_gets_three_coupons_without_the_cause_and_no_more():
    chosen = fill()
    # L4 lacks three and L3 two; both covers and the other lamps have three. Nobody needs a coupon for the resin.
    assert (chosen[:, 0] != 0).all()
    assert np.bincount(chosen[:, 1], minlength=4).tolist() == [0, 0, 2, 3]
    assert len(fill(count=4)) == 4
    assert fill(count=0).shape == (0, 3)


def test_a_coupon_serves_several_factors_at_once():
    counts = [((0, 0, 0), 6, 6), ((1, 0, 0), 0, 3), ((1, 1, 0), 0, 3), ((1, 2, 0), 0, 3)]
    chosen = fill(counts=counts)
    # Three coupons with lamp L4 and the cover off settle both.
    assert chosen[:, 1:].tolist() == [[3, 1]] * 3


def test_what_is_impossible_or_used_up_is_kept_to():
    assert len(fill(impossible=({"lamp": "L4"},))) == 2
    used_up = RunnableLevels({}, (), left={"lamp": {"L4": 1, "L3": 0}})
    assert fill(limits=used_up)[:, 1].tolist() == [3]


def confirming(counts=COUNTS, *, baseline=(0, 3, 1), impossible=(), cause="resin = R1"):
    found = posterior(hypotheses(SUSPECTS), ran(counts))
    row = [found.hypotheses.text(n) for n in range(len(found.hypotheses))].index(cause)
    return confirmation_load(
        found,
        row,
        ran(counts).codes,
        impossible_codes(SUSPECTS, impossible),
        count=12,
        baseline=np.array(baseline),
        rng=np.random.default_rng(1),
    )


def test_the_failed_repair_with_the_accused_level_changed_is_the_other_arm():
    load = confirming()
    assert (load[:4, 0] == 0).all()
    assert (load[4:, 0] != 0).all()
    assert (load[4:, 1:] == (3, 1)).all()
    # Half of the accused arm is the failed repair itself, the other half has other levels.
    assert [(coupon[1:] == (3, 1)).all() for coupon in load[:4]] == [True, False, True, False]
    # A level that the study does not name is left open.
    assert (confirming(baseline=(0, 3, -1))[4:, 1] == 3).all()


def test_of_two_accused_levels_either_one_is_changed():
    load = confirming([((0, 3, c), 4, 4) for c in (0, 1)] + COUNTS, cause="resin = R1 and lamp = L4")
    without = load[4:]
    assert (
        sorted((coupon[0] != 0, coupon[1] != 3) for coupon in without.tolist())
        == [(False, True)] * 2 + [(True, False)] * 2
    )
    assert (without[:, 2] == 1).all()


def test_where_that_can_not_be_made_it_is_as_like_as_it_can_be():
    load = confirming(impossible=({"lamp": "L4", "cover": "off"},))
    alike = (load[4:, 1:] == (3, 1)).sum(axis=1)
    assert alike.tolist() == [1] * 4


@pytest.mark.parametrize("baseline", [None, np.array([-1, -1, -1])])
def test_without_a_named_repair_the_other_factors_stay_at_random(baseline):
    found, row = found_and_row()
    codes = ran(COUNTS).codes
    load = confirmation_load(found, row, codes, NOTHING, count=8, baseline=baseline, rng=np.random.default_rng(1))
    assert len({tuple(coupon) for coupon in load[4:, 1:].tolist()}) > 1


TIMED = (Suspect("cure_time_s", "numeric", (30.0, 60.0, 90.0, 120.0)), Suspect("lamp", "categorical", ("L1", "L2")))


@pytest.mark.parametrize(
    ("cause", "accused", "others"),
    [("cure_time_s <= 60", 0, 3), ("cure_time_s >= 90", 3, 0), ("cure_time_s", 1, 2)],
)
def test_the_arms_of_a_cause_by_degrees_lie_farthest_apart(cause, accused, others):
    # Failures of 8 coupons a level: 6, 8, 0 (of 10) and 1. Without order the worst is 60 s, the best 90 s.
    counts = [((0, 0), 6, 8), ((1, 1), 8, 8), ((2, 0), 0, 10), ((3, 1), 1, 8)]
    found = posterior(hypotheses(TIMED), ran(counts))
    row = [found.hypotheses.text(n) for n in range(len(found.hypotheses))].index(cause)
    nothing = impossible_codes(TIMED, ())
    load = confirmation_load(found, row, ran(counts).codes, nothing, count=8, rng=np.random.default_rng(1))
    assert load[:4, 0].tolist() == [accused] * 4
    assert load[4:, 0].tolist() == [others] * 4
