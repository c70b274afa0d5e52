"""A technician of a blind study is not shown which arm a coupon is of, wherever they look."""

from datetime import date

import pytest

from labbench.bench.loads import start_load
from labbench.bench.services import correct, create_load, record_deviation
from labbench.studies.services import add_factor, add_level, set_level
from tests import factories
from tests.factories import NOON
from tests.pages.bench.conftest import text_of
from tests.reports.analysed import stored

pytestmark = pytest.mark.django_db
# Everything that would give the arm away.
SECRETS = ("SECRETLOT", "SECRETLAMP", "Secret resin", "SECRETLEVEL", "777", "SECRETREASON", "expired on")


@pytest.fixture
def blind_coupon(repaired, looked):
    lead = factories.person()
    study = factories.study(is_blind=True)
    lot = factories.resin_lot(
        code="SECRETLOT",
        expires_on=date(2026, 10, 1),
        resin=factories.resin_lot().resin.__class__.objects.create(name="Secret resin"),
    )
    factor = add_factor(study=study, name="arm", source="text", by=lead)
    coupon = factories.coupon(study, code="B1")
    set_level(coupons=[coupon], factor=factor, level=add_level(factor=factor, name="SECRETLEVEL", by=lead), by=lead)
    repaired(coupon, resin_lot=lot, lamp=factories.lamp(code="SECRETLAMP"), cure_time_s=777.0)
    correct(record=coupon.repair, by=lead, reason="SECRETREASON", changes={"glass_c": 21.0})
    load = create_load(study=study, name="Tray", by=lead, coupons=[coupon])
    start_load(load=load, by=lead)
    looked(coupon, outcome="crack_growth", crack_growth_mm=3.0)
    verdict = {"factor": "SECRETLEVEL", "verdict": {"state": "implicated"}}
    stored("coupon\nB1\n", {"factors": [verdict]}, coupons=1, study=study, by=lead)
    record_deviation(study=study, by=lead, kind="chamber", happened_at=NOON, description="door stood open", load=load)
    return coupon


def pages(coupon):
    load, code = coupon.load_place.load_id, coupon.study.code
    return [
        f"/coupons/{coupon.pk}/",
        f"/coupons/{coupon.pk}/inspection/",
        f"/coupons/{coupon.pk}/strength/",
        f"/coupons/{coupon.pk}/deviation/",
        f"/bench/recorded/repair/{coupon.repair.pk}/",
        f"/bench/recorded/inspection/{coupon.inspections.get().pk}/",
        f"/loads/{load}/",
        f"/loads/{load}/inspect/?round_number=2",
        "/bench/",
        "/deviations/",
        "/failures/failures.csv",
        "/studies/",
        f"/studies/{code}/",
        f"/studies/{code}/?sort=level_1",
        f"/studies/{code}/plan/",
        f"/studies/{code}/results/",
        f"/studies/{code}/analyses/",
        f"/api/studies/{code}/",
        f"/api/studies/{code}/coupons/",
        "/api/studies/",
    ]


def shown(client, address):
    answer = client.get(address, follow=True)
    assert answer.status_code == 200
    return b"".join(answer).decode()


def test_the_arm_is_on_no_page_of_a_technician(sign_in, blind_coupon):
    client = sign_in()
    leaks = {
        address: [secret for secret in SECRETS if secret in shown(client, address)] for address in pages(blind_coupon)
    }
    assert leaks == {address: [] for address in pages(blind_coupon)}


def test_files_analyses_and_reports_of_a_blind_study_are_refused(sign_in, blind_coupon):
    code, analysis = blind_coupon.study.code, blind_coupon.study.analyses.get()
    refused = [
        f"/studies/{code}/coupons.csv",
        f"/studies/{code}/study.xlsx",
        f"/api/studies/{code}/sheet.csv",
        f"/api/studies/{code}/analyses/",
        f"/api/analyses/{analysis.pk}/",
        f"/api/analyses/{analysis.pk}/result/",
        f"/api/jobs/{analysis.job_id}/",
        f"/analyses/{analysis.pk}/result.json",
        f"/analyses/{analysis.pk}/sheet.csv",
    ]
    client = sign_in()
    assert {address: client.get(address).status_code for address in refused} == dict.fromkeys(refused, 403)


def test_an_empty_sheet_of_a_blind_study_does_not_name_its_factors(sign_in, blind_coupon):
    address = f"/studies/{blind_coupon.study.code}/import/empty.csv"
    assert "factor.arm" not in shown(sign_in(), address)
    assert "factor.arm" in shown(sign_in("lead"), address)


def test_a_reader_who_is_not_blind_sees_the_last_verdict(sign_in, blind_coupon):
    for address in ("/studies/", f"/studies/{blind_coupon.study.code}/"):
        assert "SECRETLEVEL implicated" in shown(sign_in("lead"), address)
        assert "SECRETLEVEL" not in shown(sign_in(), address)


def test_the_failures_of_a_blind_study_can_not_be_sifted_by_lot(sign_in, blind_coupon):
    client, lot = sign_in(), blind_coupon.repair.resin_lot_id
    assert list(client.get(f"/failures/?lot={lot}").context["table"].data) == []
    assert client.get(f"/failures/?lot={lot}").context["counts"][1][2]["rows"] == []
    assert len(sign_in("qa").get(f"/failures/?lot={lot}").context["table"].data) == 1


def test_who_leads_reviews_or_reads_sees_all_of_it(sign_in, blind_coupon):
    for role in ("lead", "qa", "guest"):
        html = shown(sign_in(role), f"/coupons/{blind_coupon.pk}/")
        assert [secret for secret in SECRETS if secret not in html] == []


def test_inspecting_shows_the_repair_to_nobody(sign_in, blind_coupon):
    html = shown(sign_in("lead"), f"/coupons/{blind_coupon.pk}/inspection/")
    assert [secret for secret in SECRETS if secret in html] == []


def test_a_closed_study_is_open_to_all(sign_in, blind_coupon):
    study = blind_coupon.study
    study.state = "closed"
    study.save()
    html = shown(sign_in(), f"/coupons/{blind_coupon.pk}/")
    assert [secret for secret in SECRETS if secret not in html] == []


def test_whoever_repaired_is_warned_before_looking(sign_in, repaired):
    client = sign_in()
    coupon = repaired(factories.coupon(factories.study(is_blind=True)), by=client.person)
    assert "somebody else should look" in text_of(client.get(f"/coupons/{coupon.pk}/inspection/"))
    assert "somebody else should look" not in text_of(sign_in().get(f"/coupons/{coupon.pk}/inspection/"))


def test_once_repaired_the_repair_page_no_longer_tells_the_arm(sign_in, blind_coupon):
    html = shown(sign_in(), f"/coupons/{blind_coupon.pk}/repair/")
    assert [secret for secret in SECRETS if secret in html] == []
    posted = text_of(sign_in().post(f"/coupons/{blind_coupon.pk}/repair/", {}))
    assert "SECRETLEVEL" not in posted
