"""What somebody sees when there is nothing to show: signed in or not, with or without a request at hand."""

import re

import pytest
from django.template.loader import render_to_string
from django.test import RequestFactory

PAGES = ["400.html", "403.html", "403_csrf.html", "404.html", "413.html", "500.html"]


@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("request_given", [True, False])
def test_a_fault_has_a_page_with_one_heading_and_a_way_on(name, request_given):
    html = render_to_string(name, request=RequestFactory().get("/nowhere/") if request_given else None)
    assert len(re.findall(r"<h1>\s*\S", html)) == 1
    assert re.search(r"<main.*<a [^>]*href=\"/", html, re.DOTALL)


@pytest.mark.parametrize("name", ["400.html", "403.html", "403_csrf.html", "413.html"])
def test_a_refusal_says_that_nothing_was_stored(name):
    assert "Nothing was stored." in render_to_string(name)


def test_the_page_for_the_servers_own_fault_needs_nothing_else(settings):
    # Whatever broke may have broken the addresses, the static files or the database.
    settings.ROOT_URLCONF = "labbench.pages.no_such_module"
    html = render_to_string("500.html")
    assert not re.search(r"""(?:src|href)=["'](?!/["']|data:)""", html)


def test_an_unknown_address_answers_404_in_words(client):
    answer = client.get("/nowhere/")
    assert answer.status_code == 404
    assert "There is no such page" in answer.content.decode()


@pytest.mark.django_db
def test_a_form_without_a_token_is_refused_in_words(client):
    client.handler.enforce_csrf_checks = True
    answer = client.post("/sign-in/", {"username": "x", "password": "y"})
    assert answer.status_code == 403
    assert "The page was open too long" in answer.content.decode()
