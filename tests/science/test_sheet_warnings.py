"""What is said of the coupons behind the numbers, of one and of several."""

import pytest

from labbench.science.sheet_warnings import sheet_warnings
from tests.science.sheets import sheet

NAN = float("nan")


@pytest.mark.parametrize(
    ("times", "expected"),
    [
        (
            1,
            [
                "1 strength is not a usable number and counts as not given.",
                "Mean strength and percent of new glass cover the 1 coupon that was broken; 1 cracked out before and has no "
                "strength. The worst-rank test counts it.",
                "1 test coupon held so far but has not been through all planned rounds; failure shares count it as held.",
                "1 test coupon lacks a level of some factor: it is left out of that factor's tests and of the two models of "
                "all factors together.",
                "1 reference repair cracked out: check the load it was in.",
                "1 pristine control cracked out: the rounds themselves break glass.",
            ],
        ),
        (
            2,
            [
                "2 strengths are not usable numbers and count as not given.",
                "Mean strength and percent of new glass cover the 2 coupons that were broken; 2 cracked out before and have no "
                "strength. The worst-rank test counts them.",
                "2 test coupons held so far but have not been through all planned rounds; failure shares count them as held.",
                "2 test coupons lack a level of some factor: they are left out of that factor's tests and of the two models of "
                "all factors together.",
                "2 reference repairs cracked out: check the loads they were in.",
                "2 pristine controls cracked out: the rounds themselves break glass.",
            ],
        ),
    ],
)
def test_one_coupon_and_several_are_spoken_of_rightly(times, expected):
    found = sheet(
        {"resin": ["A", "B", None, None, "A", "A"] * times},
        [0, 2, 1, 1, 0, 0] * times,
        rounds_survived=[3, 1, 0, 0, 1, 3] * times,
        strength_mpa=[50.0, NAN, NAN, NAN, NAN, float("inf")] * times,
        roles=["test", "test", "reference", "pristine", "test", "unrepaired"] * times,
    )
    # One more test coupon each whose level nobody wrote down.
    unknown = sheet({"resin": [None] * times}, [0] * times)
    assert unknown.is_test.all()
    assert [*sheet_warnings(found)[:3], *sheet_warnings(unknown), *sheet_warnings(found)[3:]] == expected


def test_without_test_coupons_only_that_is_said():
    assert sheet_warnings(sheet({"resin": ["A"]}, [0], roles=["pristine"])) == ["The sheet has no test coupons."]


@pytest.mark.parametrize(
    ("times", "have", "its"), [(1, "coupon cracked out and has", "its"), (2, "coupons cracked out and have", "their")]
)
def test_strengths_of_cracked_out_coupons_are_told(times, have, its):
    warnings = sheet_warnings(
        sheet({"resin": ["A"] * (times + 1)}, [1] * times + [0], strength_mpa=[40.0] * (times + 1))
    )
    assert warnings == [
        f"{times} test {have} a strength all the same: means, Weibull fits and percent of new glass count {its} strength, "
        "the worst-rank test takes the crack-out."
    ]
