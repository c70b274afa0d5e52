"""The pages of the chambers: shown, filled in, refused."""

import pytest
from django.urls import reverse

from labbench.bench.bookings import book_load
from labbench.bench.models import Booking
from tests import factories
from tests.bench import chamber_lab as lab

pytestmark = pytest.mark.django_db


@pytest.fixture
def booked():
    """One load booked by hand from a Monday on."""
    lab.chambers()
    lab.staffed()
    study = factories.study(profile=lab.profile(), rounds_planned=2)
    load = lab.load(study)
    book_load(load=load, by=factories.person(), start=lab.monday(15, 30))
    return load


def test_every_page_is_shown(lead, booked):
    for name in ("chambers", "chamber-bookings", "chamber-loads", "staffed-hours", "chamber-plans"):
        answer = lead.get(reverse(name))
        assert answer.status_code == 200, name
    assert lead.get(reverse("chamber-load", args=[booked.pk])).status_code == 200
    assert "F-1" in lead.get(reverse("chambers") + "?zoom=all").content.decode()
    first = Booking.objects.first()
    answer = lead.get(reverse("chambers") + f"?zoom=all&booking={first.pk}")
    assert "Move this booking" in answer.content.decode()
