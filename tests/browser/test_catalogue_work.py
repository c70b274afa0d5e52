"""The catalogue kept by its own pages: a lamp followed, a procedure revised, a cure computed, by keyboard where it is typed."""

import re

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.worker]


def test_a_lead_revises_a_procedure_and_sees_what_changed(demo, desk):
    page = demo.sign_in(desk, "lead")
    page.goto(f"{demo.address}/procedures/new/")
    page.get_by_label("Code").fill("CLE-01")
    page.get_by_label("Title").fill("Cleaning a break")
    page.keyboard.press("Enter")
    page.get_by_label("Text").fill("1. Blow out.\n2. Dry 5 min.")
    page.get_by_role("button", name="Store the draft").click()
    page.get_by_role("button", name="Approve this version").click()
    page.get_by_role("button", name="Approve", exact=True).click()
    page.get_by_text("it stays as it is from now on").wait_for()
    page.get_by_role("link", name="Write a new version").click()
    page.get_by_label("Text").fill("1. Blow out.\n2. Dry 10 min.")
    page.get_by_label("What changed, and why").fill("still damp")
    page.get_by_role("button", name="Store the draft").click()
    assert page.locator(".text-changes del").inner_text().endswith("2. Dry 5 min.")
    assert page.locator(".text-changes ins").inner_text().endswith("2. Dry 10 min.")


def test_a_technician_follows_a_lamp(demo, tablet):
    page = demo.sign_in(tablet, "technician")
    page.goto(f"{demo.address}/catalogue/")
    page.get_by_role("link", name="Lamp LED-3").first.click()
    page.wait_for_selector("figure#fading[data-drawn]")
    assert "Reaches" in page.locator("#life").inner_text()
    page.get_by_role("link", name="Read the counter").click()
    page.get_by_label("Counter shows").fill("2900,5")
    page.keyboard.press("Enter")
    assert "Hours run never fall within a life of LED-3" in page.locator(".error-summary").inner_text()
    page.get_by_label("Counter shows").fill("2951")
    page.keyboard.press("Enter")
    page.get_by_text("The hours were stored.").wait_for()
    assert re.search(r"Hours of this life\s+2\s951\sh", page.locator("#life").inner_text())
    page.get_by_role("link", name="Take out counter read").first.click()
    page.get_by_label("Why").fill("read again")
    page.get_by_role("button", name="Take it out").click()
    page.get_by_text("Taken out; the history keeps it.").wait_for()


def test_a_cure_is_computed_from_survey_and_resin(demo, tablet):
    page = demo.sign_in(tablet, "technician")
    page.goto(f"{demo.address}/cure/")
    page.get_by_label("Lamp survey").select_option(index=1)
    page.get_by_label("Resin").select_option(label="V40")
    page.get_by_role("button", name="Fill in").click()
    page.wait_for_selector("figure#dose-chart[data-drawn]")
    assert "for the coldest point" in page.locator("#dose").inner_text()
    page.locator("#dose").get_by_label("Cover and tint let pass").fill("50")
    before = page.locator("#dose .figure-big b").inner_text()
    page.keyboard.press("Enter")
    page.wait_for_url("**dose-pass_percent=50**")
    assert page.locator("#dose .figure-big b").inner_text() != before
