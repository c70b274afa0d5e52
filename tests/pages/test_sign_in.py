"""Signing in: wrong tries are slowed, for one account at one address."""

import time

import pytest
from django.core.cache import cache
from django.test import Client, RequestFactory

from labbench.lab import sign_in
from tests import factories

pytestmark = pytest.mark.django_db
RIGHT = "walnut otter 42"


@pytest.fixture(autouse=True)
def clock(monkeypatch, settings):
    """A clock that stands still unless it is set; a quick hash, as it is the counting that is tested."""
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    cache.clear()
    at = {"now": time.time()}
    monkeypatch.setattr(sign_in.time, "time", lambda: at["now"])
    return at


@pytest.fixture
def person():
    made = factories.person("technician", username="mia")
    made.set_password(RIGHT)
    made.save()
    return made


def try_it(password="wrong", username="mia", address="10.0.0.7"):
    client = Client(REMOTE_ADDR=address)
    answer = client.post("/sign-in/", {"username": username, "password": password})
    return answer.status_code == 302, answer.text if answer.status_code == 200 else ""


def at_the_bench():
    return RequestFactory(REMOTE_ADDR="10.0.0.7").get("/sign-in/")


def test_a_wrong_password_has_a_heading_of_its_own(person):
    is_in, html = try_it()
    assert not is_in
    assert "<h2>Not signed in</h2>" in html
    assert "Not stored yet" not in html


def test_after_five_wrong_tries_even_the_right_password_has_to_wait(person, clock):
    for _ in range(4):
        assert "Wait" not in try_it()[1]
    assert "Wait 10 seconds" in try_it()[1]
    is_in, html = try_it(RIGHT)
    assert not is_in
    assert "Too many wrong tries for this account from here. Wait 10 seconds" in html
    clock["now"] += 10
    assert try_it(RIGHT)[0]
    # Signed in, all is forgotten.
    assert "Wait" not in try_it()[1]


def test_the_wait_doubles_up_to_five_minutes_and_is_forgotten(person, clock):
    waits = []
    for _ in range(12):
        try_it()
        waits.append(sign_in.seconds_to_wait(at_the_bench(), "mia"))
        clock["now"] += waits[-1]
    assert waits == [0, 0, 0, 0, 10, 20, 40, 80, 160, 300, 300, 300]
    assert try_it(RIGHT)[0]


def test_waiting_is_for_that_account_at_that_address_only(person):
    other = factories.person("technician", username="ole")
    other.set_password(RIGHT)
    other.save()
    for _ in range(12):
        try_it()
    assert try_it(RIGHT, username="ole")[0]
    assert try_it(RIGHT, address="10.0.0.8")[0]


def test_the_administration_is_no_way_round(person):
    for _ in range(5):
        Client(REMOTE_ADDR="10.0.0.7").post("/admin/login/", {"username": "mia", "password": "wrong"})
    assert not try_it(RIGHT)[0]
