"""The interface for scripts: JSON, also where the answer is no."""

import pytest
from django.urls import reverse

from labbench.formats.coupon_sheet import read_coupon_sheet
from labbench.studies.services import set_level
from tests import factories
from tests.reports.analysed import analysed, mixed_rows, stored

pytestmark = pytest.mark.django_db


@pytest.fixture
def guest(client):
    client.force_login(factories.person("guest"))
    return client


def study_with(coupons, **details):
    made = factories.study(**details)
    resin = factories.factor(made)
    rows = [factories.coupon(made) for _ in range(coupons)]
    set_level(coupons=rows, factor=resin, level=resin.levels.first(), by=factories.person())
    return made


ADDRESSES = [
    "/api/",
    "/api/studies/",
    "/api/studies/X/",
    "/api/studies/X/sheet.csv",
    "/api/analyses/1/",
    "/api/nothing/here",
]


@pytest.mark.parametrize("address", ADDRESSES)
def test_without_a_session_the_answer_is_401_in_json(client, address):
    answer = client.get(address)
    assert (answer.status_code, answer["Content-Type"]) == (401, "application/json")
    assert "Sign in first" in answer.json()["error"]


@pytest.mark.parametrize(
    "address",
    ["/api/studies/none/", "/api/studies/none/coupons/", "/api/analyses/999/", f"/api/analyses/{2**70}/", "/api/what"],
)
def test_what_is_not_there_is_404_in_json(guest, address):
    answer = guest.get(address)
    assert (answer.status_code, answer["Content-Type"]) == (404, "application/json")


@pytest.mark.parametrize("method", ["post", "put", "delete"])
def test_it_only_reads(guest, method):
    answer = getattr(guest, method)("/api/studies/")
    assert (answer.status_code, answer["Allow"]) == (405, "GET, HEAD")
    assert answer["Content-Type"] == "application/json"


def test_posting_without_a_token_is_still_json():
    from django.test import Client

    strict = Client(enforce_csrf_checks=True)
    strict.force_login(factories.person("guest"))
    assert strict.post("/api/studies/").status_code == 405


def test_studies_are_listed_and_described(guest):
    made = study_with(2, code="EL-1")
    row = guest.get("/api/studies/").json()["rows"][0]
    assert (row["code"], row["coupons"]) == ("EL-1", 2)
    described = guest.get(row["url"]).json()
    assert described["factors"] == [{"factor": "resin", "kind": "categorical", "levels": ["A", "B"]}]
    assert described["question"] == made.question


def test_coupons_come_in_pages(guest):
    study_with(3, code="EL-1")
    first = guest.get("/api/studies/EL-1/coupons/", {"per_page": 2}).json()
    assert (first["count"], first["pages"], len(first["rows"])) == (3, 2, 2)
    assert first["rows"][0]["levels"] == {"resin": "A"}
    assert len(guest.get("/api/studies/EL-1/coupons/", {"per_page": 2, "page": 2}).json()["rows"]) == 1


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"page": "0"}, "page must be a whole number from 1"),
        ({"page": "²"}, "page must be a whole number from 1"),
        ({"page": "9"}, "page 9 is beyond the last, 1"),
        ({"per_page": "501"}, "per_page must be a whole number from 1 to 500"),
    ],
)
def test_a_bad_page_is_named(guest, asked, words):
    study_with(1, code="EL-1")
    answer = guest.get("/api/studies/EL-1/coupons/", asked)
    assert (answer.status_code, answer.json()["error"]) == (400, words)


@pytest.mark.parametrize("coupons", [1, 3])
def test_coupons_take_a_fixed_number_of_queries(guest, coupons, django_assert_num_queries):
    study_with(coupons, code="EL-1")
    with django_assert_num_queries(6):
        guest.get("/api/studies/EL-1/coupons/")


def test_the_sheet_reads_back(guest):
    study_with(2, code="EL-1")
    answer = guest.get("/api/studies/EL-1/sheet.csv")
    assert answer["Content-Type"].startswith("text/csv")
    reading = read_coupon_sheet(answer.content)
    assert len(reading.sheet.coupons) == 2


def test_the_result_is_the_document(guest):
    made = analysed(mixed_rows())
    listed = guest.get(f"/api/studies/{made.study.code}/analyses/").json()["rows"][0]
    assert (listed["analysis"], listed["state"], listed["inputs_sha256"]) == (made.pk, "done", made.inputs_sha256)
    assert guest.get(listed["url"]).json()["parameters"] == made.parameters
    assert guest.get(listed["result"]).json() == made.result
    job = guest.get(listed["job"]).json()
    assert (job["state"], job["analysis"]) == ("done", listed["url"])


def test_an_unfinished_analysis_says_how_far_it_is(guest):
    made = stored("coupon\n", None, coupons=0, state="queued")
    answer = guest.get(reverse("api-result", args=[made.pk]))
    assert (answer.status_code, answer.json()["error"]) == (404, "This analysis has no result: its job is waiting.")


def test_who_inspects_blind_gets_no_levels(client):
    made = analysed(mixed_rows(), study=study_with(1, code="EL-1", is_blind=True))
    client.force_login(factories.person("technician"))
    assert client.get("/api/studies/EL-1/coupons/").json()["rows"][0]["levels"] is None
    for address in ("/api/studies/EL-1/sheet.csv", "/api/studies/EL-1/analyses/", f"/api/analyses/{made.pk}/result/"):
        answer = client.get(address)
        assert (answer.status_code, answer["Content-Type"]) == (403, "application/json")
        assert "without knowing the levels" in answer.json()["error"]
