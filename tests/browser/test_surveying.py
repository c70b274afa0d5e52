"""A lamp surveyed on a tablet with the number pad, by keys alone at the desk, and without scripts."""

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from tests.browser.test_every_page import RULES

pytestmark = [pytest.mark.browser, pytest.mark.worker]
# 25 readings of three digits and a point: nobody presses more than two keys a second with gloves on.
MOST_PRESSES = 25 * 5
SECONDS_A_PRESS = 1.0
LIMIT_S = 180


def set_up(page, demo, lamp="TUBE-1", touch=False):
    page.goto(f"{demo.address}/surveys/new/")
    press = (lambda found: found.tap()) if touch else (lambda found: found.click())
    press(page.locator("label.choice", has_text=lamp))
    press(page.locator("label.choice", has_text="RM-1"))
    press(page.locator("label.choice", has_text="a grid"))
    page.get_by_label("Lamp to glass").fill("30")
    press(page.locator("label.choice", has_text="rectangle"))
    page.get_by_label("Width or diameter").fill("100")
    page.get_by_label("Height").fill("100")
    page.get_by_label("From column to column").fill("20")
    page.get_by_label("From column to column").blur()
    expect(page.locator("#survey-check")).to_contain_text("25 points")
    page.get_by_role("button", name="Begin reading").click()
    page.wait_for_url(re.compile(r"/survey-drafts/\d+/$"))
    expect(page.get_by_text("0 of 25 read")).to_be_visible()


def readings():
    return [f"{3 + number % 5 / 10 + number / 100:.2f}" for number in range(25)]


def test_twenty_five_points_by_touch_in_under_three_minutes(demo, tablet):
    page = demo.sign_in(tablet, "technician")
    set_up(page, demo, touch=True)
    presses = 0
    for value in readings():
        for key in value:
            page.locator(f'[data-key="{key}"]').tap()
        page.locator("[data-entry-enter]").tap()
        presses += len(value) + 1
    assert presses <= MOST_PRESSES
    assert presses * SECONDS_A_PRESS < LIMIT_S
    expect(page.locator("[data-entry-where]")).to_contain_text("All 25 points are read")
    # A point is touched and corrected; the last change undone.
    page.locator('.place[data-place="12"] .touch').tap()
    for key in "9.5":
        page.locator(f'[data-key="{key}"]').tap()
    expect(page.locator("[data-entry-enter]")).to_have_text("Replace 3.32")
    page.locator("[data-entry-enter]").tap()
    page.locator("[data-entry-undo]").tap()
    expect(page.locator("[data-entry-where]")).to_contain_text("Point 13: x 0\u202fmm, y 0\u202fmm · read 3.32")
    expect(page.locator("[data-entry-unsaved]")).to_be_hidden()
    # As the meter shows it, also where the last digits are noughts.
    expect(page.locator('.place[data-place="0"] text')).to_have_text("3.00")
    expect(page.locator('.place[data-place="10"] text')).to_have_text("3.10")
    # Nothing is lost when the tablet goes dark.
    page.wait_for_load_state("networkidle")
    page.reload()
    expect(page.get_by_text("25 of 25 read")).to_be_visible()
    violations = Axe().run(page, options=RULES).response["violations"]
    assert [found["id"] for found in violations] == []
    page.get_by_role("button", name="Look at the map").tap()
    expect(page.locator("figure.survey-map")).to_contain_text("over 25 places")
    page.get_by_role("button", name="Store this survey").tap()
    page.wait_for_url(re.compile(r"/surveys/\d+/$"))
    expect(page.locator("main")).to_contain_text("grid 5 × 5, 20 mm")
    assert page.strangers == []


def test_the_same_by_keys_alone_with_repeats_and_a_server_that_does_not_answer(demo, desk):
    page = demo.sign_in(desk, "technician")
    set_up(page, demo, lamp="LED-3")
    expect(page.locator("[data-entry-value]")).to_be_focused()
    for value in readings()[:3]:
        page.keyboard.type(value.replace(".", ","))
        page.keyboard.press("Enter")
    expect(page.get_by_text("3 of 25 read")).to_be_visible()
    # Read again at the same point: + stores and stays, Enter stores one more and goes on.
    page.keyboard.type("3.41")
    page.keyboard.press("+")
    page.keyboard.type("3.43")
    expect(page.locator("[data-entry-enter]")).to_have_text("Store reading 2, next point")
    page.keyboard.press("Enter")
    expect(page.locator("#id_place_3")).to_have_value("3.41 3.43")
    page.keyboard.press("ArrowUp")
    expect(page.locator("[data-entry-where]")).to_contain_text("y −20")
    page.keyboard.press("ArrowDown")
    page.keyboard.type("7x")
    page.keyboard.press("Enter")
    expect(page.locator("[data-entry-error]")).to_contain_text("is not a reading")
    page.keyboard.press("Backspace")
    page.keyboard.press("Backspace")
    # The line is down: the reading waits in the browser and is sent when the server answers again, also after a reload.
    page.wait_for_load_state("networkidle")
    page.route("**/reading/", lambda route: route.abort())
    page.keyboard.type("3.5")
    page.keyboard.press("Enter")
    expect(page.locator("[data-entry-unsaved]")).to_contain_text("1 reading not stored yet")
    # Nor does the table leave without it.
    page.get_by_role("button", name="Look at the map").click()
    expect(page.locator("[data-entry-unsaved]")).to_be_visible()
    assert page.url.split("/")[-3] == "survey-drafts"
    page.reload()
    expect(page.get_by_text("5 of 25 read")).to_be_visible()
    expect(page.locator("[data-entry-unsaved]")).to_contain_text("1 reading not stored yet")
    page.unroute("**/reading/")
    expect(page.locator("[data-entry-unsaved]")).to_be_hidden(timeout=15_000)
    page.wait_for_load_state("networkidle")
    page.evaluate("localStorage.clear()")
    page.reload()
    expect(page.locator("#id_place_4")).to_have_value("3.5")


def test_without_scripts_the_table_is_there(demo, browser):
    context = browser.new_context(java_script_enabled=False, viewport={"width": 820, "height": 1180})
    page = demo.sign_in(context, "technician")
    page.goto(f"{demo.address}/surveys/new/?lamp=2")
    page.get_by_label("the 25 points of the last survey").check()
    page.get_by_label("RM-1").check()
    page.get_by_role("button", name="Begin reading").click()
    expect(page.locator("[data-entry]")).to_be_hidden()
    page.get_by_text("All readings as a table").click()
    for number, value in enumerate(readings()[:4]):
        page.locator(f"#id_place_{number}").fill(value)
    page.get_by_role("button", name="Look at the map, then store").click()
    expect(page.locator("main")).to_contain_text("21 of the 25 points laid out were not read.")
    context.close()
