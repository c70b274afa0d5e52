"""The catalogue and the administration with the whole demo in them."""

from datetime import UTC, datetime

import pytest
from django.urls import reverse
from django.utils import timezone

from labbench.lab.models import Chamber, Person, ProcedureVersion, ResinLot, ThermalProfile
from tests import factories
from tests.demo.loaded import demo_loaded
from tests.pages.catalogue.test_admin import RECORDS
from tests.pages.catalogue.test_catalogue import page_of

pytestmark = pytest.mark.django_db


@pytest.fixture(scope="module")
def demo(django_db_setup, django_db_blocker):
    with django_db_blocker.unblock(), demo_loaded():
        yield


@pytest.fixture(autouse=True)
def on_that_day(demo, monkeypatch):
    monkeypatch.setattr(timezone, "now", lambda: datetime(2026, 11, 25, 10, tzinfo=UTC))


@pytest.fixture
def reader(client):
    client.force_login(Person.objects.get(username="supplier"), backend="labbench.lab.sign_in.RoleBackend")
    return client


@pytest.fixture
def administrator(client):
    keeper = factories.person("lead", username="keeper", is_superuser=True)
    client.force_login(keeper, backend="labbench.lab.sign_in.RoleBackend")
    return client


def test_what_needs_attention_comes_first_and_in_order(reader):
    answer = reader.get(reverse("catalogue"))
    rows = [(row.name, row.what, row.is_overdue) for row in answer.context["attention"]]
    assert rows == [
        ("Lamp TUBE-2", "survey too old since", True),
        ("Meter RM-2", "calibration was due", True),
        ("P600 lot P-098", "expired", True),
        ("Chamber C-1", "calibration was due", True),
        ("Lamp LED-3", "survey too old since", True),
        ("Lamp LED-3", "reaches 1.20\u202fmW/cm² in about 110\u202fh", False),
        ("V90 lot 0426", "low stock, 20\u202fml left", False),
        ("V90 lot 0426", "expires", False),
        ("Chamber F-2", "calibration due", False),
    ]


def test_a_lot_tells_where_it_was_used_and_how_it_held(reader):
    lot = ResinLot.objects.get(code="2609-C")
    answer = reader.get(reverse("resin-lot", args=[lot.pk]))
    (row,) = answer.context["used"]
    assert (row["coupon__study__code"], row["repairs"], row["is_hidden"]) == ("EL-26-11", 22, 0)
    assert row["cracked_out"] == lot.repairs.filter(coupon__failed_round__isnull=False).count() > 0


def test_who_inspects_the_study_blind_is_not_told_how_the_lot_held(client):
    client.force_login(Person.objects.get(username="technician"), backend="labbench.lab.sign_in.RoleBackend")
    answer = client.get(reverse("resin-lot", args=[ResinLot.objects.get(code="2609-C").pk]))
    assert [row["is_hidden"] for row in answer.context["used"]] == [1]
    assert answer.context["repairs"].paginator.count == 0


def test_an_old_procedure_version_points_to_the_newest(reader):
    old, new = ProcedureVersion.objects.filter(procedure__code="REP-01").order_by("number")
    assert "This is not the newest version" in page_of(reader, "procedure-version", old.pk)
    text = page_of(reader, "procedure-version", new.pk)
    assert "This is not the newest version" not in text
    assert "Vacuum 8 min, pressure 6 min." in text


def test_a_profile_names_common_practice(reader):
    text = page_of(reader, "profile", ThermalProfile.objects.get().pk)
    assert "common practice, no published source" in text
    assert "−23.3" in text


def test_a_chamber_shows_closures_and_loads(reader):
    text = page_of(reader, "chamber", Chamber.objects.get(code="F-2").pk)
    assert "defrosting, new door seal" in text
    loads = page_of(reader, "chamber", Chamber.objects.get(code="F-1").pk)
    assert "Load 3" in loads


def test_every_list_and_page_opens(administrator):
    failed = []
    for model in RECORDS:
        name = f"{model._meta.app_label}_{model._meta.model_name}"
        pages = [reverse(f"admin:{name}_changelist")]
        row = model._default_manager.first()
        if row is not None:
            pages.append(reverse(f"admin:{name}_change", args=[row.pk]))
            if hasattr(model, "history"):
                pages.append(reverse(f"admin:{name}_history", args=[row.pk]))
        for page in pages:
            if (status := administrator.get(page).status_code) != 200:
                failed.append((page, status))
    assert failed == []


def test_an_approved_version_stays(client):
    client.force_login(Person.objects.get(username="lead"), backend="labbench.lab.sign_in.RoleBackend")
    for version in ProcedureVersion.objects.filter(procedure__code="REP-01"):
        page = client.get(reverse("admin:lab_procedureversion_change", args=[version.pk])).content.decode()
        assert 'name="_save"' not in page
