"""One coupon's page: what is next, and its whole history."""

import re
from datetime import date

import pytest

from labbench.bench.loads import start_load
from labbench.bench.services import correct, create_load, record_strength, take_out
from tests import factories
from tests.factories import NOON
from tests.pages.bench.conftest import text_of

pytestmark = pytest.mark.django_db


def test_a_coupon_of_a_closed_study_offers_no_record_and_says_why(sign_in):
    coupon = factories.coupon(factories.study(code="EL-7", state="closed"))
    client = sign_in()
    html = text_of(client.get(f"/coupons/{coupon.pk}/"))
    assert "EL-7 is closed; a lab lead can open it again." in html
    assert "Record the repair" not in html
    assert "withdraw it" not in html
    for page in ("repair", "inspection", "strength"):
        html = text_of(client.get(f"/coupons/{coupon.pk}/{page}/", follow=True))
        assert "EL-7 is closed; a lab lead can open it again." in html


def titles(client, coupon):
    return [entry.title for entry in client.get(f"/coupons/{coupon.pk}/").context["entries"]]


def test_the_next_action_follows_the_stage(sign_in, repaired, looked):
    client, study = sign_in(), factories.study(rounds_planned=1)
    coupon = factories.coupon(study)
    steps = []
    for act in (lambda: None, lambda: repaired(coupon), lambda: looked(coupon)):
        act()
        html = text_of(client.get(f"/coupons/{coupon.pk}/"))
        steps.append(re.search(r'class="button big" href="/coupons/\d+/(\w+)/"', html)[1])
    assert steps == ["repair", "inspection", "strength"]


def test_the_history_holds_everything_with_the_state_of_that_day(sign_in, repaired, looked):
    lead = factories.person()
    coupon = factories.coupon(factories.study(is_blind=False))
    meter = factories.radiometer(code="M1", due_on=date(2026, 10, 15))
    repaired(coupon, radiometer=meter, irradiance_mw_cm2=3.5)
    load = create_load(study=coupon.study, name="Tray 1", by=lead, coupons=[coupon])
    start_load(load=load, by=lead)
    wrong = looked(coupon, 1, "discolouration")
    take_out(record=wrong, by=lead, reason="wrong coupon")
    looked(coupon, 1)
    record_strength(coupon=coupon, by=lead, tested_at=NOON, method="reported", stress_mpa=41.5)
    correct(record=coupon.repair, by=lead, reason="other lot", changes={"resin_lot": factories.resin_lot(code="NEW")})
    client = sign_in("qa")
    assert sorted(titles(client, coupon)) == sorted(
        [
            "Repaired",
            "Deviation: meter calibration overdue",
            "Looked at after round 1",
            "Broken in the strength test",
            "Placed in Tray 1",
            "Prepared",
            "Taken out: inspection",
            "Corrected: repair",
        ]
    )
    html = " ".join(text_of(client.get(f"/coupons/{coupon.pk}/")).split())
    assert "M1 (calibrated 1 Jun 2026, due 15 Oct 2026 – overdue that day)" in html
    assert "<dt>radiant exposure by that reading</dt> <dd>315 mJ/cm²</dd>" in html
    assert "<dt>outcome</dt> <dd>discolouration</dd>" in html
    assert f'href="/resin-lots/{coupon.repair.resin_lot_id}/"' in html


def test_what_people_typed_is_escaped(sign_in, repaired, looked):
    coupon = repaired(factories.coupon(code="<b>K</b>", note="<i>n</i>"), note="<script>1</script>")
    looked(coupon, outcome="void", failure_mode="<u>m</u>", note="<script>2</script>")
    html = text_of(sign_in("lead").get(f"/coupons/{coupon.pk}/"))
    assert not re.search(r"<script>\d|<u>m|<b>K|<i>n", html)
    assert "&lt;script&gt;1" in html


@pytest.mark.parametrize("rows", [1, 3])
def test_the_history_asks_the_same_number_of_questions(sign_in, django_assert_num_queries, repaired, looked, rows):
    lead, coupon = factories.person(), factories.coupon(factories.study(is_blind=False, rounds_planned=9))
    repaired(coupon)
    for number in range(rows):
        correct(record=coupon.repair, by=lead, reason="again", changes={"resin_lot": factories.resin_lot()})
        look = looked(coupon, number + 1)
        correct(record=look, by=lead, reason="other eyes", changes={"inspector": factories.person()})
    client = sign_in("lead")
    client.get(f"/coupons/{coupon.pk}/")
    with django_assert_num_queries(31):
        client.get(f"/coupons/{coupon.pk}/")
