"""Somebody signed in, and coupons as far along as a test needs them."""

from __future__ import annotations

import pytest
from django.core.cache import cache
from django.test import Client

from labbench.bench.services import record_inspection, record_repair
from tests import factories
from tests.factories import NOON


@pytest.fixture
def sign_in(db):
    def as_role(role="technician", person=None):
        client = Client()
        client.person = person or factories.person(role)
        client.force_login(client.person)
        return client

    return as_role


@pytest.fixture(autouse=True)
def nothing_kept():
    """Each test counts anew: its database begins with the same numbers as the one before."""
    cache.clear()


@pytest.fixture
def material(db):
    """A lot, a surveyed lamp and a calibrated meter, none of which gives rise to a deviation."""
    lamp = factories.lamp()
    factories.survey(lamp)
    return {"resin_lot": factories.resin_lot(), "lamp": lamp, "radiometer": factories.radiometer()}


@pytest.fixture
def repaired(material):
    def make(coupon=None, by=None, **details):
        coupon = coupon or factories.coupon()
        record_repair(
            coupon=coupon,
            by=by or factories.person("technician"),
            repaired_at=NOON,
            **{**material, "cure_time_s": 90.0, **details},
        )
        coupon.refresh_from_db()
        return coupon

    return make


@pytest.fixture
def looked(db):
    def make(coupon, round_number=1, outcome="intact", by=None, **details):
        return record_inspection(
            coupon=coupon,
            by=by or factories.person("technician"),
            seen_at=NOON,
            round_number=round_number,
            outcome=outcome,
            **details,
        ).record

    return make


def text_of(response):
    return response.content.decode()
