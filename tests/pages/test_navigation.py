"""The top bar says which room a page belongs to."""

import re

import pytest
from django.template import engines
from django.test import RequestFactory
from django.urls import path

BAR = """{% load navigation %}{% nav_link "studies" "Studies" "analyses" %} {% nav_link "bench" "Bench" "coupons" %}"""

urlpatterns = [
    path("studies/", lambda request: None, name="studies"),
    path("bench/", lambda request: None, name="bench"),
]

pytestmark = pytest.mark.urls("tests.pages.test_navigation")


@pytest.mark.parametrize(
    ("address", "current"),
    [
        ("/studies/", [("page", "Studies")]),
        ("/studies/coach-14/results/", [("true", "Studies")]),
        ("/analyses/3/", [("true", "Studies")]),
        ("/coupons/7/", [("true", "Bench")]),
        ("/benches/", []),
        ("/", []),
    ],
)
def test_the_room_of_a_page_is_marked(address, current):
    html = engines["django"].from_string(BAR).render({}, RequestFactory().get(address))
    assert re.findall(r'aria-current="(\w+)">(\w+)<', html) == current


def test_a_page_without_a_request_has_its_links_all_the_same():
    html = engines["django"].from_string(BAR).render({})
    assert re.findall(r'<a href="([^"]+)">', html) == ["/studies/", "/bench/"]
