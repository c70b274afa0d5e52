"""A coupon found in another chamber than its load."""

import pytest
from django.core.exceptions import ValidationError

from labbench.bench import loads
from labbench.bench.loads import MadeAlready
from labbench.bench.models import Deviation, LoadPlace
from labbench.bench.split_loads import Mend, record_split
from tests import factories
from tests.bench import soaks
from tests.bench.soaks import HOUR, booked
from tests.factories import NOON

pytestmark = pytest.mark.django_db


@pytest.fixture
def trays(db):
    """Tray 1 in F-1, Tray 2 of the same study in F-2."""
    rooms = soaks.chambers()
    one = soaks.load(rooms=rooms)
    two = soaks.load("Tray 2", rooms=rooms, study=one.study, freezer="F-2")
    by = factories.person("technician")
    for load in (one, two):
        loads.move_in(booking=booked(load, 1, 1), by=by, at=NOON)
    return one, two, rooms, by


def found(trays, **details):
    one, _, rooms, by = trays
    coupon = details.pop("coupon", None) or one.places.first().coupon
    how = {"coupon": coupon, "chamber": rooms["F-2"], "by": by, "found_at": NOON + HOUR, "mend": Mend.BACK}
    return record_split(**how | details)


def test_it_goes_back_and_its_soak_is_a_deviation_of_the_coupon(trays):
    kept = found(trays, note="taken for Tray 2")
    one = trays[0]
    assert (kept.kind, kept.coupon, kept.load, kept.reason) == (
        "soak",
        one.places.first().coupon,
        None,
        "taken for Tray 2",
    )
    assert kept.description == (
        "Coupon 10 of Tray 1 was found in F-2 at 2 Nov 2026, 13:00; "
        "Tray 1 was in F-1 (round 1, freeze, since 2 Nov 2026, 12:00). It went back to its load."
    )
    with pytest.raises(MadeAlready):
        found(trays, note="taken for Tray 2")
    assert Deviation.objects.count() == 1


def test_it_goes_on_with_the_load_it_was_found_with(trays):
    one, two, _, _ = trays
    coupon = one.places.first().coupon
    kept = found(trays, coupon=coupon, mend=Mend.WITH, companion=two)
    assert kept.description.endswith("It goes on with Tray 2.")
    assert LoadPlace.objects.get(coupon=coupon).load == two
    assert one.places.count() == 2
    with pytest.raises(MadeAlready, match="travels in Tray 2 already"):
        found(trays, coupon=coupon, mend=Mend.WITH, companion=two)


def test_what_can_not_be_is_refused_in_words(trays):
    one, two, rooms, _ = trays
    with pytest.raises(ValidationError, match="Tray 1 was in F-1 itself at"):
        found(trays, chamber=rooms["F-1"])
    with pytest.raises(ValidationError, match="Tray 2 was not in O-1 at"):
        found(trays, chamber=rooms["O-1"], mend=Mend.WITH, companion=two)
    other = soaks.load("Tray 5", rooms=rooms)
    with pytest.raises(ValidationError, match="Choose a load of"):
        found(trays, mend=Mend.WITH, companion=other)
    loose = factories.coupon(one.study, code="L1")
    with pytest.raises(ValidationError, match="Coupon L1 does not travel in a load"):
        found(trays, coupon=loose)
    assert Deviation.objects.count() == 0
