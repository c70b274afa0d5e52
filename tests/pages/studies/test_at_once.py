"""Two requests at the same moment: one job, one study, no code twice."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.urls import reverse

from labbench.jobs.models import Job
from labbench.studies.models import Coupon, Study
from tests import factories

pytestmark = pytest.mark.django_db(transaction=True)

SHEET = b"coupon,factor.resin,rounds_survived\nC1,A,3\nC2,B,2\n"


def at_once(client, *requests):
    """Post all of (address, data) at the same moment from the same session."""
    barrier = Barrier(len(requests))

    def post(request):
        own = Client()
        own.cookies = client.cookies
        try:
            barrier.wait(timeout=30)
            return own.post(*request)
        finally:
            connection.close()

    with ThreadPoolExecutor(len(requests)) as pool:
        return list(pool.map(post, requests))


@pytest.fixture
def lead():
    client = Client()
    client.force_login(factories.person("lead"))
    return client


def handed_in(client, address):
    return client.post(address, {"sheet": SimpleUploadedFile("sheet.csv", SHEET)}).url


def test_a_sheet_confirmed_twice_is_taken_in_once(lead, eager_queue):
    study = factories.study()
    sheet = handed_in(lead, reverse("import-sheet", args=[study.code]))
    answers = at_once(lead, (sheet, {}), (sheet, {}))
    assert {answer.url for answer in answers} == {reverse("job", args=[Job.objects.get().pk])}
    assert study.coupons.count() == 2


def test_a_new_study_confirmed_twice_is_one_study(lead, eager_queue):
    sheet = handed_in(lead, reverse("import-new"))
    data = {"code": "COACH-9", "title": "Twice", "question": "Which?"}
    answers = at_once(lead, (sheet, data), (sheet, data))
    assert {answer.url for answer in answers} == {reverse("job", args=[Job.objects.get().pk])}
    assert Study.objects.get().coupons.count() == 2


def test_the_same_code_added_twice_is_one_coupon_and_a_message(lead):
    study = factories.study()
    request = (reverse("add-coupons", args=[study.code]), {"how": "typed", "codes": "K1", "role": "test"})
    answers = at_once(lead, request, request)
    assert sorted(answer.status_code for answer in answers) == [200, 302]
    assert "Already in this study: K1." in next(answer.text for answer in answers if answer.status_code == 200)
    assert Coupon.objects.count() == 1
