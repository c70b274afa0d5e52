"""The administration: every record's list and page open, changes need a reason, people are the administrator's."""

import pytest
from django.apps import apps
from django.contrib import admin
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from labbench.lab.models import Person
from tests import factories

pytestmark = pytest.mark.django_db

OURS = {"lab", "studies", "bench", "analysis", "reports", "jobs"}
RECORDS = [m for m in apps.get_models() if m._meta.app_label in OURS and not m.__name__.startswith("Historical")]


def signed_in(client, person):
    client.force_login(person, backend="labbench.lab.sign_in.RoleBackend")
    return client


@pytest.fixture
def administrator(client):
    return signed_in(client, factories.person("lead", username="keeper", is_superuser=True))


def test_every_record_is_registered():
    assert {m for m in RECORDS if m not in admin.site._registry} == set()


def test_a_list_makes_the_same_number_of_queries_however_long(administrator):
    study = factories.study()
    factories.coupon(study)
    counts = []
    for _ in range(2):
        with CaptureQueriesContext(connection) as queries:
            administrator.get(reverse("admin:studies_coupon_changelist"))
        counts.append(len(queries))
        for _ in range(5):
            factories.coupon(study)
    assert counts[0] == counts[1]


def lamp_form(lamp, **changes):
    return {
        "code": lamp.code,
        "description": "",
        "emitter_kind": lamp.emitter_kind,
        "hours_run_h": "12",
        "least_irradiance_at": "coldest",
        "note": "",
        **changes,
    }


def test_a_change_without_a_reason_is_refused(client):
    signed_in(client, factories.person("lead", username="keeper-of-lamps"))
    lamp = factories.lamp()
    answer = client.post(reverse("admin:lab_lamp_change", args=[lamp.pk]), lamp_form(lamp))
    assert "This field is required." in answer.content.decode()
    lamp.refresh_from_db()
    assert lamp.hours_run_h == 0


def test_a_change_is_remembered_with_who_and_why(client):
    lead = factories.person("lead", username="keeper-of-lamps")
    signed_in(client, lead)
    lamp = factories.lamp()
    client.post(
        reverse("admin:lab_lamp_change", args=[lamp.pk]), lamp_form(lamp, change_reason="Read from the hour counter.")
    )
    entry = lamp.history.first()
    assert (entry.hours_run_h, entry.history_user, entry.history_change_reason) == (
        12,
        lead,
        "Read from the hour counter.",
    )
    assert (
        "Read from the hour counter." in client.get(reverse("admin:lab_lamp_history", args=[lamp.pk])).content.decode()
    )


def test_a_rule_of_the_record_is_told(client):
    signed_in(client, factories.person("lead", username="keeper-of-lamps"))
    lamp = factories.lamp()
    answer = client.post(
        reverse("admin:lab_lamp_change", args=[lamp.pk]), lamp_form(lamp, peak_wavelength_nm="5", change_reason="x")
    )
    assert "lamp_wavelength_200_to_800_nm" in answer.content.decode()
    lamp.refresh_from_db()
    assert lamp.peak_wavelength_nm is None


@pytest.mark.parametrize("role", ["technician", "qa", "guest"])
def test_only_leads_enter(client, role):
    signed_in(client, factories.person(role, username=f"some-{role}"))
    assert client.get(reverse("admin:lab_lamp_changelist")).status_code == 302


def test_people_are_not_the_leads_to_keep(client):
    signed_in(client, factories.person("lead", username="keeper-of-lamps"))
    assert client.get(reverse("admin:lab_person_changelist")).status_code == 403
    assert "People" not in client.get(reverse("admin:index")).content.decode()


def test_the_administrator_gives_a_role(administrator):
    answer = administrator.post(
        reverse("admin:lab_person_add"),
        {
            "username": "newcomer",
            "first_name": "Third technician",
            "role": "technician",
            "usable_password": "true",
            "password1": "bench-and-glass-26",
            "password2": "bench-and-glass-26",
        },
    )
    assert answer.status_code == 302, answer.context["adminform"].form.errors
    made = Person.objects.get(username="newcomer")
    assert (made.role, made.is_staff, made.check_password("bench-and-glass-26")) == ("technician", False, True)


def test_bench_records_are_looked_up_not_changed(administrator):
    coupon = factories.coupon()
    page = reverse("admin:studies_coupon_change", args=[coupon.pk])
    assert administrator.post(page, {"code": "other"}).status_code == 403
    assert administrator.get(reverse("admin:bench_repair_add")).status_code == 403
