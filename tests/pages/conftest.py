"""People signed in."""

import pytest
from django.test import Client

from tests import factories


def signed_in(role: str) -> Client:
    client = Client()
    client.force_login(factories.person(role))
    return client


@pytest.fixture
def lead(db):
    return signed_in("lead")


@pytest.fixture
def technician(db):
    return signed_in("technician")


@pytest.fixture
def guest(db):
    return signed_in("guest")
