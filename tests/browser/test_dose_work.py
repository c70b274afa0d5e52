"""A technician repairs under a surveyed lamp and sees the doses; a lab lead switches from lamp names to the measured dose."""

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from tests.browser.test_every_page import RULES

pytestmark = [pytest.mark.browser, pytest.mark.worker]
SLOW = 120_000


def faults_of(page):
    return [found["id"] for found in Axe().run(page, options=RULES).response["violations"]]


def test_six_coupons_repaired_one_after_the_other_with_their_doses(demo, tablet):
    page = demo.sign_in(tablet, "technician")
    page.goto(f"{demo.address}/bench/")
    page.get_by_role("link", name=re.compile(r"\d+ to repair")).first.tap()
    page.locator(".code-grid a").first.tap()
    for number in range(6):
        page.wait_for_url("**/repair/")
        page.locator("label.choice", has_text="2605-A").tap()
        page.locator("label.choice", has_text="TUBE-1").tap()
        page.get_by_label("Cure time").fill("90")
        page.get_by_label("Lamp to glass").fill("")
        # The distance at one touch; what it gives is seen before anything is stored.
        page.get_by_role("button", name=re.compile("Put in the surveyed distance")).tap()
        expect(page.get_by_label("Lamp to glass")).to_have_value("30")
        expect(page.locator("#dose")).to_contain_text("at the coldest place")
        if number == 0:
            page.get_by_label("Irradiance at the glass").fill("3,5")
            overdue = page.locator("select[name=radiometer] option", has_text="RM-2").get_attribute("value")
            page.get_by_label("Radiometer").select_option(overdue)
            expect(page.locator("#dose")).to_contain_text("Calibration of meter RM-2 was due")
            assert faults_of(page) == []
        # Enter in a field stores, and puts in no distance.
        page.get_by_label("Cure time").press("Enter")
        expect(page.get_by_role("heading", name="Recorded")).to_be_visible()
        expect(page.locator("main")).to_contain_text("at the coldest place")
        # The meter of the first coupon read none of the others.
        expect(page.get_by_text("Kept as a deviation – meter calibration overdue")).to_have_count(
            1 if number == 0 else 0
        )
        if number < 5:
            page.locator(".code-grid a").first.tap()
    assert page.strangers == []


def test_the_lead_is_led_from_lamp_names_to_the_dose_and_its_answer(demo, tablet):
    page = demo.sign_in(tablet, "lead")
    page.goto(f"{demo.address}/studies/DO-26-10/")
    page.get_by_role("link", name="Results").tap()
    answer = page.locator("#answer")
    expect(answer).to_contain_text("The cause is not isolated yet")
    expect(answer).to_contain_text("By names only so far.")
    assert faults_of(page) == []
    answer.get_by_role("button", name="The dose in place of lamp and cure time").tap()
    expect(page.locator("#answer")).to_contain_text("The failing variable: dose min", timeout=SLOW)
    expect(page.locator("main")).to_contain_text("Dose min explains the failures better than lamp")
    page.get_by_role("link", name="The answer of the study as planned").tap()
    expect(page.locator("#answer")).to_contain_text("By measured dose min the cause is isolated")
    assert page.strangers == []
