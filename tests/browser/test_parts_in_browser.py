"""The parts of the pages in a real browser: what they do, and that nobody is shut out."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.contrib.staticfiles.handlers import StaticFilesHandler
from django.test.testcases import LiveServerThread
from playwright.sync_api import Page, expect

pytestmark = [
    pytest.mark.browser,
    pytest.mark.urls("tests.browser.parts_site"),
    pytest.mark.xdist_group("looks"),
]

WCAG = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


@pytest.fixture
def site(settings):
    """Its address. No database: with a browser in the same thread its connections would stay open after the tests."""
    settings.SESSION_ENGINE = "django.contrib.sessions.backends.signed_cookies"
    server = LiveServerThread("127.0.0.1", StaticFilesHandler)
    server.daemon = True
    server.start()
    server.is_ready.wait()
    if server.error:
        raise server.error
    yield f"http://127.0.0.1:{server.port}"
    server.terminate()


@pytest.fixture
def complaints(page: Page) -> list[str]:
    """What the browser itself objects to: script errors, refusals of the security policy, files not found."""
    said: list[str] = []
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("console", lambda line: said.append(line.text) if line.type == "error" else None)
    return said


@pytest.fixture
def parts(page: Page, site, complaints) -> Page:
    page.goto(site)
    page.wait_for_selector("#plot[data-drawn]")
    return page


def test_the_page_raises_no_complaint_and_asks_no_other_host(page, site, complaints):
    hosts = set()
    page.on("request", lambda request: hosts.add(request.url.split("/")[2]) if request.url.startswith("http") else None)
    page.goto(site)
    page.wait_for_selector("#plot[data-drawn]")
    assert complaints == []
    assert hosts == {site.split("/")[2]}


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(1280, 900), (820, 1180)])
def test_everybody_can_use_the_parts(parts, theme, width, height):
    parts.set_viewport_size({"width": width, "height": height})
    parts.emulate_media(color_scheme=theme, reduced_motion="reduce")
    for submitted in (False, True):
        if submitted:  # with all its faults shown
            parts.get_by_role("button", name="Store").click()
            parts.get_by_role("button", name="Yes, store").click()
            parts.wait_for_selector(".error-summary")
        result = Axe().run(parts, options=WCAG)
        assert result.violations_count == 0, result.generate_report()
        assert parts.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_every_trace_is_drawn_as_the_type_it_asks_for(parts):
    drawn = parts.evaluate("document.querySelector('#plot .chart-plot')._fullData.map((trace) => trace.type)")
    assert drawn == ["scatter"] * 4 + ["bar", "box", "heatmap"]


def test_plots_take_the_colours_of_the_theme_and_follow_it(parts):
    colours = """() => {
      const data = document.querySelector('#plot .chart-plot')._fullData;
      return [data[0].line.color, data[3].line.dash, data[3].marker.symbol,
              document.querySelector('#plot .chart-plot')._fullLayout.shapes[0].line.color];
    }"""
    assert parts.evaluate(colours) == ["rgb(0, 114, 178)", "dash", "diamond", "rgb(161, 58, 0)"]
    parts.get_by_label("dark", exact=True).check(force=True)
    parts.wait_for_selector("#plot[data-drawn=dark]")
    assert parts.evaluate(colours) == ["rgb(86, 180, 233)", "dash", "diamond", "rgb(255, 159, 107)"]


def test_the_chosen_theme_is_kept_and_there_before_the_first_paint(parts):
    parts.get_by_label("dark", exact=True).check(force=True)
    parts.reload(wait_until="commit")
    parts.wait_for_selector("body", state="attached")
    assert parts.evaluate("document.documentElement.dataset.theme") == "dark"


def test_a_plot_is_saved_as_svg(parts):
    with parts.expect_download() as saved:
        parts.get_by_role("button", name="Download the plot").click()
    assert saved.value.suggested_filename == "plot.svg"
    text = saved.value.path().read_text(encoding="utf-8")
    assert text.startswith("<svg")
    assert "lot 8" in text


def test_rows_are_ticked_all_at_once_or_a_stretch_of_them(parts):
    count = parts.locator("output")
    expect(count).to_have_text("none ticked")
    parts.get_by_label("Tick all").check()
    expect(count).to_have_text("4 ticked")
    parts.get_by_label("Tick all").uncheck()
    parts.get_by_label("Tick K1").click()
    parts.get_by_label("Tick K3").click(modifiers=["Shift"])
    expect(count).to_have_text("3 ticked")


def test_a_form_that_asks_first_is_sent_only_after_yes(parts):
    parts.get_by_role("button", name="Store").click()
    parts.get_by_role("button", name="Leave it as it is").click()
    expect(parts.locator("dialog")).to_be_hidden()
    assert parts.locator(".error-summary").count() == 0
    parts.get_by_role("button", name="Store").click()
    parts.get_by_role("button", name="Yes, store").click()
    expect(parts.locator(".error-summary")).to_be_focused()


def test_a_dropped_file_lands_in_the_form(parts):
    parts.evaluate("""() => {
      const files = new DataTransfer();
      files.items.add(new File(["coupon,role"], "coach.csv", { type: "text/csv" }));
      const drop = new DragEvent("drop", { dataTransfer: files, bubbles: true, cancelable: true });
      document.querySelector("[data-dropzone]").dispatchEvent(drop);
    }""")
    assert parts.evaluate("document.querySelector('[data-dropzone] input').files[0].name") == "coach.csv"
    expect(parts.locator("[data-dropzone-text]")).to_have_text("coach.csv – 1 KiB")


def test_a_job_goes_on_by_itself_and_stops_asking_when_done(parts):
    expect(parts.locator(".job .mark")).to_have_text("done", timeout=6000)
    assert parts.locator(".job[hx-get]").count() == 0


def test_a_whole_page_never_lands_inside_a_part(page, site):
    # As when the session has ended: the request for the part is answered with the page to sign in.
    whole = "<!doctype html><title>Sign in</title><h1>Sign in</h1>"
    page.route("**/job/", lambda route: route.fulfill(body=whole, content_type="text/html"))
    page.goto(site)
    with page.expect_navigation(url=site + "/"):
        pass
    assert page.locator("h1").all_inner_texts() == ["Parts"]


def test_silence_of_the_server_is_said(page, site):
    page.route("**/job/", lambda route: route.abort())
    page.goto(site)
    expect(page.get_by_text("The server does not answer.")).to_be_visible(timeout=4000)


def test_messages_stay_until_they_are_closed(parts):
    message = parts.get_by_text("The lamp survey is old.")
    expect(message).to_be_visible()
    parts.get_by_role("button", name="Close this message").click()
    expect(message).to_have_count(0)


PRESSED = """.button, .choice, .main-nav a, .menu > summary, .chart summary, td.check label, select,
             input:not([type=checkbox], [type=radio], [type=hidden])"""


def test_what_is_pressed_with_gloves_on_a_tablet_is_large_enough(parts):
    parts.set_viewport_size({"width": 820, "height": 1180})
    heights = parts.evaluate(
        """(pressed) => [...document.querySelectorAll(pressed)].filter((element) => element.checkVisibility())
          .map((element) => element.getBoundingClientRect().height)""",
        PRESSED,
    )
    assert len(heights) >= 17
    assert min(heights) >= 44


def test_everything_is_there_without_scripts(browser, site):
    page = browser.new_context(java_script_enabled=False).new_page()
    page.goto(site)
    expect(page.get_by_text("The plot needs JavaScript; its numbers are in the table below.")).to_be_visible()
    page.get_by_role("button", name="Store").click()
    expect(page.locator(".error-summary")).to_be_visible()
    page.context.close()
