"""A plan lets no load stand at the door while its chamber has room."""

from dataclasses import replace

import pytest

from labbench.bench.door_times import without_waiting_at_the_door
from labbench.science.scheduling.lab import Booking, Chamber, Closure, FirmBooking
from tests.science.labs import week_lab

LAB = replace(
    week_lab(loads=2),
    chambers=(Chamber("freezer 1", "freeze", 10), Chamber("oven 1", "heat", 16), Chamber("bench", "cool", 48)),
)


def way(load, start=480, frozen=480, gap=10):
    """Freeze and heat of a load, with minutes at the door between them."""
    end = start + frozen
    return (
        Booking(load, 1, "freeze", "freezer 1", start, end),
        Booking(load, 1, "heat", "oven 1", end + gap, end + gap + 120),
    )


def ends(bookings):
    return [one.end_minutes for one in bookings]


def test_a_soak_lasts_until_the_next_begins():
    freeze, heat = without_waiting_at_the_door(LAB, way("load 1"))
    assert (freeze.end_minutes, heat) == (heat.start_minutes, way("load 1")[1])


def test_not_beyond_its_longest_soak():
    assert without_waiting_at_the_door(LAB, way("load 1", frozen=955)) == way("load 1", frozen=955)
    assert ends(without_waiting_at_the_door(LAB, way("load 1", frozen=950))) == [1440, 1560]


@pytest.mark.parametrize(("begins", "is_drawn_out"), [(960, False), (965, False), (970, True)])
def test_not_where_another_load_needs_the_places(begins, is_drawn_out):
    both = (*way("load 1"), *way("load 2", start=begins))
    drawn = without_waiting_at_the_door(LAB, both)
    assert (drawn[0].end_minutes == 970) == is_drawn_out


def test_not_into_a_closure_and_not_what_is_over():
    closed = replace(LAB, closures=(Closure("freezer 1", 965, 2000),))
    assert without_waiting_at_the_door(closed, way("load 1")) == way("load 1")
    over = replace(LAB, firm=(FirmBooking("load 1", 1, "freeze", "freezer 1", 480, 960),))
    assert without_waiting_at_the_door(over, way("load 1")) == way("load 1")
    inside = replace(LAB, firm=(FirmBooking("load 1", 1, "freeze", "freezer 1", 480, None),))
    assert ends(without_waiting_at_the_door(inside, way("load 1"))) == [970, 1090]
