"""Signing in: wrong tries are slowed, for one account at one address; what was typed before it is not lost."""

import re
import time
from html import unescape

import pytest
from django.core import signing
from django.core.cache import cache
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client, RequestFactory

from labbench.bench.models import Inspection
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


def signed_out():
    """A browser that has the token of its forms, but no session any more."""
    client = Client(enforce_csrf_checks=True)
    client.get("/sign-in/")
    return client, {"csrfmiddlewaretoken": client.cookies["csrftoken"].value}


def hidden_values(html):
    found = re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)">', html)
    return {unescape(name): unescape(value) for name, value in found}


def test_a_form_sent_after_the_session_ended_can_be_sent_again(person):
    coupon = factories.coupon()
    client, token = signed_out()
    address = f"/coupons/{coupon.pk}/inspection/"
    typed = {"outcome": "crack_growth", "crack_growth_mm": "2,5", "round_number": "1", "note": 'a "leg" & <b>',
             "inspector": str(person.pk)}  # fmt: skip
    referer = {"Referer": f"http://testserver{address}"}
    asked = client.post(address, typed | token, headers=referer)
    assert asked.status_code == 401
    assert "What you just sent is not stored yet" in asked.text
    # A mistyped password does not lose it either.
    again = client.post("/sign-in/", hidden_values(asked.text) | token | {"username": "mia", "password": "wrong"})
    assert "What you just sent is not stored yet" in again.text
    sent = client.post("/sign-in/", hidden_values(again.text) | token | {"username": "mia", "password": RIGHT})
    kept = hidden_values(sent.text)
    assert f'action="{address}"' in sent.text
    assert {name: kept[name] for name in typed} == typed
    assert not Inspection.objects.exists()
    stored = client.post(address, {"csrfmiddlewaretoken": client.cookies["csrftoken"].value} | kept)
    assert stored.status_code == 302
    look = Inspection.objects.get()
    assert (look.crack_growth_mm, look.note, look.inspector) == (2.5, 'a "leg" & <b>', person)


TOO_MUCH = "".join(str(number) for number in range(60_000))


@pytest.mark.parametrize(
    "typed", [{"password": "secret-word"}, {"note": TOO_MUCH}, {"photo": SimpleUploadedFile("a.jpg", b"x")}]
)
def test_what_is_not_kept_is_said_to_be_lost_before_and_after(person, typed):
    client, token = signed_out()
    asked = client.post("/studies/new/", typed | token, headers={"Referer": "http://testserver/bench/"})
    assert "What you just sent was not stored: sign in and enter it again." in asked.text
    assert "secret-word" not in asked.text
    assert "kept" not in hidden_values(asked.text)
    answer = client.post(
        "/sign-in/", hidden_values(asked.text) | token | {"username": "mia", "password": RIGHT}, follow=True
    )
    assert answer.redirect_chain[0][0] == "http://testserver/bench/"
    assert "What you had sent before was not stored; enter it again." in answer.text


FOREIGN = signing.dumps({"address": "/x/", "fields": []}, salt="other")


# Named: a signature is another in each process, and all have to find the same tests.
@pytest.mark.parametrize("kept", ["", "nonsense", FOREIGN], ids=["nothing", "nonsense", "foreign"])
def test_only_what_was_kept_here_is_sent_again(person, kept):
    answer = Client().post("/sign-in/", {"username": "mia", "password": RIGHT, "kept": kept})
    assert (answer.status_code, answer.url) == (302, "/studies/")


def test_a_form_without_any_cookie_has_a_way_back():
    client = Client(enforce_csrf_checks=True)
    answer = client.post("/coupons/1/repair/", {}, headers={"Referer": "http://testserver/coupons/1/repair/"})
    assert answer.status_code == 403
    assert 'href="http://testserver/coupons/1/repair/">Open the page again' in answer.text
    answer = client.post("/coupons/1/repair/", {}, headers={"Referer": "http://elsewhere.example/"})
    assert "elsewhere" not in answer.text
