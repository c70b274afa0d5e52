"""The timeline of the chambers in a real browser: dragged with the mouse, refused, taken back, gone through with the keyboard."""

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.worker]

LOAD = "WI-26-12 Load 2, freeze, round 1"


def booking(page, name=LOAD):
    return page.locator(f"a.booking[aria-label^='{name}']")


def drag(page, link, dx, dy):
    """Take a booking in its middle and let it go elsewhere."""
    link.scroll_into_view_if_needed()
    box = link.locator("rect").first.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + dx / 2, y + dy / 2, steps=5)
    page.mouse.move(x + dx, y + dy, steps=5)
    with page.expect_response(lambda answer: "/move/" in answer.url):
        page.mouse.up()


def test_a_booking_is_dragged_refused_moved_and_taken_back(demo, desk):
    page = demo.sign_in(desk, "lead")
    errors = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.goto(f"{demo.address}/chambers/?zoom=week&on=2026-12-07")
    before = booking(page).get_attribute("data-start")
    oven = page.locator("svg[aria-label^='O-1']").bounding_box()
    freezer = page.locator("svg[aria-label^='F-1']").bounding_box()
    drag(page, booking(page), 0, oven["y"] - freezer["y"])
    page.get_by_text("needs a freezer, and O-1 is an oven").wait_for()
    assert booking(page).get_attribute("data-start") == before
    # A quarter of a day later is night: the soak before which nothing lies moves, but nobody would be there.
    drag(page, booking(page), freezer["width"] / 28, 0)
    page.get_by_text("This is a wish of the lab").wait_for()
    assert booking(page).get_attribute("data-start") == before
    page.get_by_label("Reason").fill("The night shift puts it in")
    page.get_by_role("button", name="Move this booking").click()
    page.wait_for_load_state("networkidle")
    assert booking(page).get_attribute("data-start") > before
    page.get_by_role("button", name="Take back the last change").click()
    page.wait_for_load_state("networkidle")
    assert booking(page).get_attribute("data-start") == before
    assert errors == []


def test_arrow_keys_go_from_booking_to_booking_and_enter_opens(demo, desk):
    page = demo.sign_in(desk, "technician")
    page.goto(f"{demo.address}/chambers/?zoom=week&on=2026-12-07")
    assert page.locator("a.booking[tabindex='0']").count() == 1
    booking(page).focus()
    page.keyboard.press("ArrowRight")
    focused = page.evaluate("document.activeElement.getAttribute('aria-label')")
    assert focused.startswith("WI-26-12 Load 2, freeze, round 2")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name="WI-26-12 Load 2: freeze, round 2").wait_for()
