"""Plans of the chambers from stored rows: asked for, proposed, accepted, taken back."""

from datetime import timedelta

import pytest
from django.utils import timezone

from labbench.bench.booking_changes import undo_change
from labbench.bench.chamber_plans import accept_plan, request_plan
from labbench.bench.models import Booking
from tests import factories
from tests.bench import chamber_lab as lab

pytestmark = pytest.mark.django_db


def planned(**wanted):
    """The plan of a request that has run."""
    job = request_plan(by=factories.person(), seconds=1, **wanted)
    job.refresh_from_db()
    return job


@pytest.fixture
def small_lab(eager_queue, django_capture_on_commit_callbacks):
    lab.chambers()
    lab.staffed()
    study = factories.study(profile=lab.profile(), rounds_planned=2)
    return study


def run(django_capture_on_commit_callbacks, **wanted):
    with django_capture_on_commit_callbacks(execute=True):
        job = request_plan(by=factories.person(), seconds=1, **wanted)
    job.refresh_from_db()
    assert (job.state, job.reason) == ("done", "")
    return job.chamber_plan


def test_a_plan_is_proposed_accepted_and_taken_back(small_lab, django_capture_on_commit_callbacks):
    loads = [lab.load(small_lab, f"Load {number}") for number in (1, 2, 3)]
    plan = run(django_capture_on_commit_callbacks)
    plan.refresh_from_db()
    assert plan.result["status"] in {"optimal", "feasible"}
    assert not Booking.objects.exists()
    lead = factories.person()
    change = accept_plan(plan=plan, by=lead)
    assert Booking.objects.count() == 3 * 6
    assert {booking.load_id for booking in Booking.objects.all()} == {load.pk for load in loads}
    assert Booking.history.filter(history_type="+", history_user=lead).count() == 18
    undo_change(change=change, by=lead)
    assert not Booking.objects.exists()
