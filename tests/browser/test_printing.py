"""What a page leaves on paper."""

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.worker, pytest.mark.xdist_group("looks")]
PAPER_PX = 703  # 186 mm: A4 without the margins of print.css


@pytest.mark.parametrize("path", ["/studies/EL-26-11/results/", "/studies/EL-26-11/"])
def test_a_page_fits_on_paper_with_its_plots_whole_and_nothing_folded(demo, desk, path):
    page = demo.sign_in(desk, "lead")
    page.goto(f"{demo.address}{path}")
    page.wait_for_load_state("networkidle")
    folded = page.locator("main details:not([open])").count()
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    page.set_viewport_size({"width": PAPER_PX, "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth") <= PAPER_PX
    for plot in page.locator(".chart-plot").all():
        assert plot.evaluate("plot => plot.querySelector('.main-svg').getBoundingClientRect().right") <= PAPER_PX
    for hidden in (".button", ".top", "main form.filters", ".chart details"):
        assert page.locator(hidden).locator("visible=true").count() == 0, hidden
    opened = page.locator("main details[open]:not(.chart *, form *)")
    for details in opened.all():
        assert details.locator("> :not(summary)").first.is_visible()
    assert page.locator("main details:not([open], .chart *)").count() == 0
    page.emulate_media(media="screen")
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    assert page.locator("main details:not([open])").count() == folded
