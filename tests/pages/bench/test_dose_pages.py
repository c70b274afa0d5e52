"""The dose while a repair is recorded, and on the coupon's page."""

import re

import pytest
from django.urls import reverse
from django.utils import timezone

from labbench.bench.models import ReceivedDose, Repair
from labbench.lab.models import LampSurvey
from labbench.lab.records import keep
from labbench.studies.models import Coupon
from tests import factories
from tests.analysis.dosed import dosed_study, surveyed_lamp

pytestmark = pytest.mark.django_db
N = "\u202f"


def text_of(answer):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode())).replace(N, " ")


def details(of_lamp, **changes):
    given = {
        "resin_lot": factories.resin_lot().pk, "lamp": of_lamp.pk, "is_cover_on": "off", "cure_time_s": "60", "distance_mm": "30",
        "technician": factories.person("technician").pk, "repaired_at": "2026-11-02T12:00",
    }  # fmt: skip
    return {name: value for name, value in (given | changes).items() if value is not None}


@pytest.fixture
def coupon():
    return factories.coupon()


def test_the_dose_of_what_is_typed_is_shown_before_anything_is_stored(sign_in, coupon):
    lamp = surveyed_lamp("L2")
    shown = text_of(sign_in().get(reverse("dose-preview", args=[coupon.pk]), details(lamp, irradiance_mw_cm2="10")))
    # 4 and 16 mW/cm² for 60 s.
    assert "at the coldest place 240 mJ/cm² 4 mW/cm²" in shown
    assert "mean of the area 600 mJ/cm² 10 mW/cm²" in shown
    assert "at the hottest place 960 mJ/cm² 16 mW/cm²" in shown
    assert "by the reading of the day (100 % of the survey’s mean) 600 mJ/cm²" in shown
    assert "60 s under L2, survey of 23 Oct 2026 at 30 mm, cover off" in shown
    assert not Repair.objects.exists()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"distance_mm": "80"}, "the repair was at 80 mm, and a survey counts within 5 mm"),
        ({"is_cover_on": "on"}, "surveyed with the cover off only; the repair had it on"),
        ({"repaired_at": "2999-01-01T12:00"}, "What this cure gives"),
        ({"cure_time_s": ""}, "Choose lamp and cure time"),
        ({"cure_time_s": "a minute"}, "Choose lamp and cure time"),
        ({"lamp": "999999"}, "Choose lamp and cure time"),
        ({"break_x_mm": "900", "break_y_mm": "0"}, "The break lay outside the surveyed area"),
    ],
)
def test_what_is_missing_or_odd_is_said_in_words(sign_in, coupon, changes, words):
    answer = sign_in().get(reverse("dose-preview", args=[coupon.pk]), details(surveyed_lamp("L2"), **changes))
    assert answer.status_code == 200
    assert words in text_of(answer)


def test_an_overdue_meter_and_a_lamp_without_survey_are_warned_of(sign_in, coupon):
    meter = factories.radiometer(due_on=factories.NOON.date().replace(month=10), code="M-9")
    shown = text_of(
        sign_in().get(
            reverse("dose-preview", args=[coupon.pk]),
            details(factories.lamp(code="NEW"), radiometer=meter.pk, irradiance_mw_cm2="5"),
        )
    )
    assert "Calibration of meter M-9 was due on 2 Oct 2026." in shown
    assert (
        "No dose can be given. Lamp NEW had not been surveyed before the repair. "
        "If the lamp is used all the same, that is kept as a deviation."
    ) in shown
    assert shown.count("had not been surveyed") == 1
    assert "By the reading of the day: 300 mJ/cm² at the one place where the meter was" in shown


def test_without_scripts_a_button_shows_the_dose_and_stores_nothing(sign_in, coupon):
    page = sign_in().post(reverse("record-repair", args=[coupon.pk]), details(surveyed_lamp("L2"), show_dose="1"))
    assert "at the coldest place 240 mJ/cm²" in text_of(page)
    assert not Repair.objects.exists()
    assert "error-summary" not in page.content.decode()


def test_a_place_of_the_break_takes_both_distances(sign_in, coupon):
    page = sign_in().post(reverse("record-repair", args=[coupon.pk]), details(surveyed_lamp("L2"), break_x_mm="3"))
    assert "A place takes both distances." in text_of(page)
    assert not Repair.objects.exists()


def test_nobody_sees_a_dose_who_may_not_record_the_repair(sign_in, coupon):
    address = reverse("dose-preview", args=[coupon.pk])
    assert sign_in("guest").get(address, details(surveyed_lamp("L2"))).status_code == 403
    # Once repaired the page is closed: it would tell an inspector the arm.
    study = dosed_study([("L1", 60.0, False)])
    assert sign_in().get(reverse("dose-preview", args=[study.coupons.get().pk])).status_code == 403


@pytest.fixture
def repaired():
    return dosed_study([("L1", 60.0, False)]).coupons.get()


def correct_survey():
    dose = ReceivedDose.objects.get()
    point = dose.survey.points.order_by("irradiance_mw_cm2").first()
    point.irradiance_mw_cm2 = 0.5
    keep(point, by=factories.person(), reason="typed wrongly")


def test_the_coupon_shows_what_its_repair_got_and_computes_it_again_at_one_press(sign_in, repaired):
    client, address = sign_in("lead"), reverse("coupon", args=[repaired.pk])
    shown = text_of(client.get(address))
    assert "What the repair got" in shown
    assert "at the coldest place 60 mJ/cm²" in shown
    assert "Compute it again" not in shown
    correct_survey()
    shown = text_of(client.get(address))
    assert "Computed from an earlier state of the survey. The survey was corrected since." in shown
    assert "at the coldest place 60 mJ/cm²" in shown
    done = client.post(reverse("recompute-dose", args=[repaired.pk]), follow=True)
    assert "The dose is computed anew" in text_of(done)
    assert "at the coldest place 30 mJ/cm²" in text_of(done)
    assert "Dose computed again" in text_of(done)
    assert "The stored dose is the one that the surveys give now." in text_of(
        client.post(reverse("recompute-dose", args=[repaired.pk]), follow=True)
    )


def test_a_repair_without_a_dose_says_why(sign_in, repaired):
    ReceivedDose.objects.all().delete()
    client, address = sign_in("lead"), reverse("coupon", args=[repaired.pk])
    assert "Compute the dose" in text_of(client.get(address))
    survey = repaired.repair.lamp.surveys.get()
    survey.withdrawn_at = factories.NOON
    survey.save()
    shown = text_of(client.get(address))
    assert "No dose can be given. Lamp L1 had not been surveyed before the repair." in shown
    assert "Compute the dose" not in shown


def test_an_inspector_of_a_blind_study_sees_no_dose_and_others_may_not_compute(sign_in, repaired):
    technician = sign_in()
    assert "What the repair got" not in text_of(technician.get(reverse("coupon", args=[repaired.pk])))
    correct_survey()
    assert technician.post(reverse("recompute-dose", args=[repaired.pk])).status_code == 403
    assert sign_in("guest").post(reverse("recompute-dose", args=[repaired.pk])).status_code == 403
    assert Coupon.objects.get().repair.received_dose.dose_min_mj_cm2 == pytest.approx(60)


def test_the_surveyed_distance_is_offered_at_one_press_and_only_put_into_the_field(sign_in, coupon):
    client, lamp = sign_in(), surveyed_lamp("L2")
    offer = "Put in the surveyed distance: 30 mm"
    shown = text_of(client.get(reverse("dose-preview", args=[coupon.pk]), details(lamp, distance_mm="")))
    assert offer in shown
    assert "The distance from lamp to glass is empty; without it there is no dose" in shown
    # A lamp is enough; the cure time may still be missing.
    without_time = details(lamp, distance_mm="", cure_time_s="")
    assert offer in text_of(client.get(reverse("dose-preview", args=[coupon.pk]), without_time))
    page = client.post(reverse("record-repair", args=[coupon.pk]), details(lamp, distance_mm="", take_distance="1"))
    assert re.search(r'<input[^>]*name="distance_mm"[^>]*value="30"', page.content.decode())
    assert "Lamp to glass as surveyed; nothing is stored yet." in text_of(page)
    assert "at the coldest place 240 mJ/cm²" in text_of(page)
    assert offer not in text_of(page)
    assert "error-summary" not in page.content.decode()
    assert not Repair.objects.exists()


def test_a_distance_left_empty_is_stored_empty_and_a_typed_one_is_not_replaced(sign_in, coupon):
    client, lamp = sign_in(), surveyed_lamp("L2")
    address = reverse("record-repair", args=[coupon.pk])
    page = client.post(address, details(lamp, distance_mm="80", take_distance="1"))
    assert re.search(r'<input[^>]*name="distance_mm"[^>]*value="80"', page.content.decode())
    client.post(address, details(lamp, distance_mm=""))
    assert Repair.objects.get().distance_mm is None


@pytest.mark.parametrize("changes", [{"is_cover_on": "on"}, {"repaired_at": "2026-01-02T12:00"}, {"lamp": "999999"}])
def test_no_distance_is_offered_where_no_survey_would_count(sign_in, coupon, changes):
    given = details(surveyed_lamp("L2"), distance_mm="", **changes)
    assert "surveyed distance" not in text_of(sign_in().get(reverse("dose-preview", args=[coupon.pk]), given))
    page = sign_in().post(reverse("record-repair", args=[coupon.pk]), given | {"take_distance": "1"})
    assert "Lamp to glass as surveyed" not in text_of(page)
    assert not Repair.objects.exists()


def test_a_survey_names_the_doses_computed_from_it_and_where_they_are_brought_up_to_date(sign_in, repaired):
    page = reverse("survey", args=[repaired.repair.received_dose.survey_id])
    code = repaired.study.code
    assert f"Doses computed from it {code} Study {code}: 1 dose " in text_of(sign_in().get(page))
    correct_survey()
    LampSurvey.objects.update(changed_at=timezone.now())
    assert "1 dose, out of date 1" in text_of(sign_in().get(page))
    assert "compute them again" not in text_of(sign_in().get(page))
    lead = sign_in("lead")
    assert f'href="{reverse("choose-analysis", args=[code])}">compute them again' in lead.get(page).content.decode()
    lead.post(reverse("recompute-doses", args=[code]))
    assert "out of date" not in text_of(lead.get(page))


def test_whoever_repaired_sees_the_dose_in_a_blind_study_too(sign_in, repaired):
    technician = sign_in(person=repaired.repair.technician)
    assert "What the repair got" in text_of(technician.get(reverse("coupon", args=[repaired.pk])))
