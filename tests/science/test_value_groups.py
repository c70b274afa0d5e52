"""Measured values as levels: the stated rule, and that outcomes can't matter (they are not asked for)."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labbench.science.value_groups import MOST_AS_THEY_ARE, value_groups


def spans(values):
    return [(group.low, group.high, group.coupons) for group in value_groups(values).groups]


def test_few_values_are_levels_as_they_are():
    found = value_groups([60.0, 90.0, None, 60.0, 120.0])
    assert found.how == "as they are"
    assert [(group.level, group.coupons) for group in found.groups] == [(60.0, 2), (90.0, 1), (120.0, 1)]
    assert found.codes.tolist() == [0, 1, -1, 0, 2]


def test_many_values_are_cut_at_their_wide_gaps():
    values = [36.0, 36.1, 144.0, 146.0, 171.0, 172.0, 700.0, 710.0]
    found = value_groups(values)
    # Over a factor of 4 the gaps are judged on the logarithmic scale: 146 to 171 is no gap there, 36 to 144 is one.
    assert found.how == "at gaps"
    assert spans(values) == [(36.0, 36.1, 2), (144.0, 172.0, 4), (700.0, 710.0, 2)]


def test_a_single_coupon_joins_the_nearer_group():
    assert spans([1.0, 1.1, 1.2, 5.0, 5.1, 5.2, 5.3, 8.0]) == [(1.0, 1.2, 3), (5.0, 8.0, 5)]


def test_without_gaps_groups_have_about_equal_numbers():
    found = value_groups([20 + number / 10 for number in range(20)])
    assert found.how == "by equal numbers"
    assert [group.coupons for group in found.groups] == [5, 5, 5, 5]


@pytest.mark.parametrize("values", [[], [None, None], [float("nan"), None, float("inf")]])
def test_nothing_known_gives_no_group(values):
    found = value_groups(values)
    assert found.groups == ()
    assert found.codes.tolist() == [-1] * len(values)


NUMBERS = st.one_of(st.none(), st.floats(-1e6, 1e6, allow_nan=False))


@given(st.lists(NUMBERS, max_size=60))
def test_groups_part_the_values_in_order(values):
    found = value_groups(values)
    known = [(value, code) for value, code in zip(values, found.codes, strict=True) if value is not None]
    assert all(code >= 0 for _, code in known)
    assert [code for _, code in sorted(known)] == sorted(code for _, code in known)
    assert sum(group.coupons for group in found.groups) == len(known)
    for group, after in zip(found.groups, found.groups[1:], strict=False):
        assert group.low <= group.level <= group.high < after.low
    assert len(found.groups) <= MOST_AS_THEY_ARE
    assert not any(math.isnan(group.level) for group in found.groups)


@given(st.lists(NUMBERS, max_size=30), st.randoms())
def test_the_order_of_coupons_is_irrelevant(values, random):
    mixed = values[:]
    random.shuffle(mixed)
    assert spans(mixed) == spans(values)
