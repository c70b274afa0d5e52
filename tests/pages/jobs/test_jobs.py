"""The page of a job: how far it is, cancel, try again, and on to the result."""

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from labbench.analysis.services import request_analysis
from labbench.bench.services import record_inspection
from labbench.bench.staging import TASK
from labbench.jobs.models import Job
from labbench.jobs.services import enqueue
from tests import factories
from tests.factories import NOON

pytestmark = pytest.mark.django_db


@pytest.fixture
def owner(db):
    return factories.person("qa")


@pytest.fixture
def job(owner):
    return enqueue(
        task=TASK, title="Take a sheet", arguments={"study": factories.study(code="S1").pk}, requested_by=owner
    )


def client_of(person):
    client = Client()
    client.force_login(person)
    return client


def ended(job, state, reason=""):
    Job.objects.filter(pk=job.pk).update(state=state, reason=reason, finished_at=timezone.now())


def test_an_open_job_asks_for_itself_again(job, owner):
    shown = client_of(owner).get(reverse("job", args=[job.pk])).text
    assert "waiting for a worker" in shown
    assert f'hx-get="{reverse("job", args=[job.pk])}"' in shown
    assert reverse("cancel-job", args=[job.pk]) in shown


def test_htmx_gets_the_part_and_then_is_sent_to_the_result(job, owner):
    client, asks = client_of(owner), {"HX-Request": "true"}
    assert "<html" not in client.get(reverse("job", args=[job.pk]), headers=asks).text
    ended(job, Job.State.DONE)
    done = client.get(reverse("job", args=[job.pk]), headers=asks)
    assert done["HX-Redirect"] == reverse("study", args=["S1"])


def test_without_script_a_done_job_leads_to_its_result(job, owner):
    ended(job, Job.State.DONE)
    assert client_of(owner).get(reverse("job", args=[job.pk])).url == reverse("study", args=["S1"])


def test_an_analysis_leads_to_the_results(owner):
    study = factories.study(code="S2")
    record_inspection(coupon=factories.coupon(study), by=owner, seen_at=NOON, round_number=1, outcome="intact")
    analysis = request_analysis(study=study, by=owner)
    ended(analysis.job, Job.State.DONE)
    assert client_of(owner).get(reverse("job", args=[analysis.job_id])).url == reverse("study-results", args=["S2"])


def test_a_job_of_nothing_that_is_there_any_more_shows_itself(owner):
    job = enqueue(task="other", title="Other work", arguments={}, requested_by=owner)
    ended(job, Job.State.DONE)
    assert "Other work" in client_of(owner).get(reverse("job", args=[job.pk])).text


def test_a_failed_job_says_why_and_can_be_tried_again(job, owner):
    ended(job, Job.State.FAILED, "row 3, column coupon: C1 is in this study already")
    client = client_of(owner)
    assert "row 3, column coupon: C1 is in this study already" in client.get(reverse("job", args=[job.pk])).text
    client.post(reverse("retry-job", args=[job.pk]))
    job.refresh_from_db()
    assert job.state == Job.State.QUEUED


def test_cancelling(job, owner):
    client_of(owner).post(reverse("cancel-job", args=[job.pk]))
    job.refresh_from_db()
    assert job.state == Job.State.CANCELLED


def test_cancelling_what_is_done_says_so(owner):
    job = enqueue(task="other", title="Other work", arguments={}, requested_by=owner)
    ended(job, Job.State.DONE)
    shown = client_of(owner).post(reverse("cancel-job", args=[job.pk]), follow=True)
    assert "It was done before it could be cancelled." in shown.text


@pytest.mark.parametrize(("role", "status"), [("lead", 302), ("technician", 403), ("guest", 403)])
def test_who_else_may_cancel(job, role, status):
    assert client_of(factories.person(role)).post(reverse("cancel-job", args=[job.pk])).status_code == status
    job.refresh_from_db()
    assert (job.state == Job.State.CANCELLED) == (status == 302)


def test_a_look_does_not_cancel(job, owner):
    assert client_of(owner).get(reverse("cancel-job", args=[job.pk])).status_code == 405
