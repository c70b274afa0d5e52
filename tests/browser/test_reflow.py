"""Pages on narrow windows and with long names scroll down only (WCAG 2.2, 1.4.10 Reflow)."""

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.worker, pytest.mark.xdist_group("looks")]
RENAME = """name => {
  const texts = document.createTreeWalker(document.querySelector("main"), NodeFilter.SHOW_TEXT);
  for (let text; (text = texts.nextNode()); ) {
    if (!text.parentElement.closest(".chart-plot, script")) text.data = text.data.replaceAll("2609-C", name);
  }
}"""


@pytest.mark.parametrize(
    ("width", "name"),
    [(320, "2609-C"), (320, "x" * 120), (820, "x" * 120), (1280, "x" * 120)],
    ids=["320", "320-long", "820-long", "1280-long"],
)
def test_results_and_study_fit_the_window_whatever_the_levels_are_called(demo, desk, width, name):
    page = demo.sign_in(desk, "lead")
    for path in ("/studies/EL-26-11/results/", "/studies/EL-26-11/"):
        page.set_viewport_size({"width": width, "height": 900})
        page.goto(f"{demo.address}{path}")
        page.wait_for_load_state("networkidle")
        page.evaluate(RENAME, name)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
        if "results" in path and width > 320:
            # What stands after the name is still in sight.
            cells = page.locator("#answer td.nowrap")
            assert cells.count() > 5
            for cell in cells.all():
                assert cell.evaluate("cell => cell.getBoundingClientRect().right") <= width
