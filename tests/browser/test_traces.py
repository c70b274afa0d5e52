"""A logger's file in the browser: handed in with a load, its columns confirmed, its plot zoomed by keys, buttons and dragging."""

import re

import pytest
from playwright.sync_api import expect

from tests.bench import traced
from tests.browser.test_every_page import faults_of

pytestmark = [pytest.mark.browser, pytest.mark.worker]

SEEN = "document.querySelector('.chart-plot')._fullLayout.xaxis.range.map(text => Date.parse(text.replace(' ', 'T') + 'Z'))"


def open_load(page, demo, name):
    page.goto(f"{demo.address}/studies/EL-26-11/")
    page.locator("#loads").get_by_role("link", name=name, exact=True).click()


def seen_hours(page):
    low, high = page.evaluate(SEEN)
    return (high - low) / 3_600_000


def zoomed(page, act):
    """Do something that shows another part, and wait for its points."""
    with page.expect_response(re.compile("/points/")) as answer:
        act()
    assert answer.value.status == 200
    expect(page.locator("[data-trace-status]")).not_to_be_empty()
    return answer.value.json()


def test_the_demos_trace_is_zoomed_by_keys_buttons_and_dragging(demo, desk):
    page = demo.sign_in(desk, "technician")
    open_load(page, demo, "Load 2")
    page.locator("#traces").get_by_role("link", name="recorder-r3.csv").click()
    page.wait_for_selector("figure[data-drawn]")
    assert "8 of 9 soaks are met" in page.locator(".panel.key h2").inner_text()
    page.wait_for_selector("[data-trace-tools]:not([hidden])")
    whole = seen_hours(page)
    part = zoomed(page, lambda: page.get_by_role("button", name="Show round 3, heat in the plot").click())
    assert part["is_every_reading"]
    assert seen_hours(page) < 4
    plot = page.locator(".chart-plot")
    plot.focus()
    before = seen_hours(page)
    zoomed(page, lambda: page.keyboard.press("+"))
    assert seen_hours(page) == pytest.approx(before / 2, rel=0.01)
    low = page.evaluate(SEEN)[0]
    zoomed(page, lambda: page.keyboard.press("ArrowRight"))
    assert page.evaluate(SEEN)[0] > low
    zoomed(page, lambda: page.get_by_role("button", name="Whole trace").click())
    assert seen_hours(page) == pytest.approx(whole, rel=0.01)
    box = page.locator(".nsewdrag").first.bounding_box()

    def drag():
        page.mouse.move(box["x"] + box["width"] * 0.4, box["y"] + 40)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + 44, steps=4)
        page.mouse.up()

    zoomed(page, drag)
    assert seen_hours(page) == pytest.approx(whole / 5, rel=0.05)
    # The axis stays one of times, and what is drawn has the shapes that were asked for.
    assert page.evaluate("document.querySelector('.chart-plot')._fullLayout.xaxis.type") == "date"
    assert page.locator(".chart .notice.danger").count() == 0
    assert page.strangers == []


def test_a_technician_hands_in_a_file_on_a_tablet(demo, tablet, tmp_path):
    page = demo.sign_in(tablet, "technician")
    open_load(page, demo, "Load 1")
    page.get_by_role("link", name="Take in a logger file").click()
    faults = faults_of(page, "take in", screen="tablet")
    file = tmp_path / "logger.csv"
    file.write_bytes(traced.text(traced.made(3)))
    page.set_input_files("input[type=file]", file)
    page.get_by_role("button", name="Read its columns").click()
    page.wait_for_url("**/columns/")
    faults += faults_of(page, "columns", screen="tablet")
    shown = page.locator("#as-understood thead")
    assert "B" in shown.inner_text()
    # What is understood follows what is chosen, before anything is stored.
    page.locator("select[name=use_3]").select_option("not_read")
    expect(shown).not_to_contain_text("B")
    page.get_by_role("button", name="These are the columns: evaluate").click()
    page.wait_for_selector("figure[data-drawn]", timeout=60_000)
    faults += faults_of(page, "trace", screen="tablet")
    # The invented chambers are warmer than the demo's profile asks, and the coupons are no longer in the oven when it ends.
    # Its times are not those of the load: it may be read, and proves nothing of it.
    heading = page.locator(".panel.key h2").inner_text()
    assert re.fullmatch(r"The file does not count for Load 1: \d of 9 soaks are met in it", heading)
    assert faults == []
    open_load(page, demo, "Load 1")
    page.get_by_role("link", name="Take in a logger file").click()
    page.set_input_files("input[type=file]", file)
    page.get_by_role("button", name="Read its columns").click()
    page.wait_for_url(re.compile(r"/traces/\d+/$"))
    assert "This file is with Load 1 already" in page.locator(".messages").inner_text()
    page.goto(f"{page.url}take-out/")
    page.get_by_label("Reason").fill("A trial.")
    page.get_by_role("button", name="Take it out").click()
    page.wait_for_url("**/loads/**")


def touched(session, kind, *points):
    session.send(
        "Input.dispatchTouchEvent",
        {"type": kind, "touchPoints": [{"x": x, "y": y, "id": number} for number, (x, y) in enumerate(points)]},
    )


def test_two_fingers_draw_the_plot_apart_and_one_scrolls_the_page(demo, tablet):
    page = demo.sign_in(tablet, "technician")
    open_load(page, demo, "Load 2")
    page.locator("#traces").get_by_role("link", name="recorder-r3.csv").click()
    page.wait_for_selector("[data-trace-tools]:not([hidden])")
    page.locator(".chart-plot").scroll_into_view_if_needed()
    whole, box = seen_hours(page), page.locator(".nsewdrag").first.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    session = tablet.new_cdp_session(page)

    def pinch():
        touched(session, "touchStart", (x - 40, y), (x + 40, y))
        for step in range(1, 9):
            touched(session, "touchMove", (x - 40 - 10 * step, y), (x + 40 + 10 * step, y))
        touched(session, "touchEnd")

    zoomed(page, pinch)
    assert seen_hours(page) == pytest.approx(whole / 3, rel=0.02)
    assert page.evaluate("visualViewport.scale") == 1
    before = page.evaluate("scrollY")
    touched(session, "touchStart", (x, y))
    for step in range(1, 9):
        touched(session, "touchMove", (x, y - 15 * step))
    touched(session, "touchEnd")
    page.wait_for_function(f"scrollY > {before} + 50")
    assert seen_hours(page) == pytest.approx(whole / 3, rel=0.02)
