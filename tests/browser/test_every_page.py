"""Every page of the demo as axe sees it (WCAG 2.2 AA), and what no page may do: ask another host, report an error, scroll sideways."""

import re

import pytest
from axe_playwright_python.sync_playwright import Axe

pytestmark = [pytest.mark.browser, pytest.mark.worker, pytest.mark.xdist_group("looks")]

RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
# Pages that no link of another page leads to, or that need a number that is found on the way.
START = (
    "/studies/",
    "/bench/",
    "/failures/",
    "/deviations/",
    "/catalogue/",
    "/surveys/",
    "/surveys/compare/?survey=1&survey=2",
    "/meters/",
    "/methods/",
    "/studies/new/",
    "/studies/import/",
    "/password/",
)
# Files, the administration (its own look), and what signs out.
LEFT_OUT = re.compile(
    r"^/(admin|api|static|sign-out)|\.(csv|xlsx|json|pdf|parquet)(\?|$)|/(file|photo|export|download)[/?]?"
)
# Loaded, its plots drawn, and no part of it on its way.
AT_REST = """() => document.readyState === "complete" && !document.querySelector(".htmx-request")
  && [...document.querySelectorAll("figure[data-chart-source]")]
    .every(figure => figure.dataset.drawn || !document.getElementById(figure.dataset.chartSource))"""
LOOKED_AT = set()
NUMBERS = re.compile(r"\d+|[0-9a-f]{8}-[0-9a-f-]{27}")


def kind(path: str) -> str:
    """Pages that differ by their number only are one kind."""
    return NUMBERS.sub("#", re.sub(r"/studies/(?!new/|import/)[^/]+/", "/studies/#/", path.split("?")[0]))


def faults_of(page, path, *, screen):
    """What is wrong with the page that is open. Axe looks once at a kind of page on a screen: others are shown no more of it."""
    page.wait_for_function(AT_REST)
    found = []
    if (screen, kind(path)) not in LOOKED_AT:
        LOOKED_AT.add((screen, kind(path)))
        violations = Axe().run(page, options=RULES).response["violations"]
        found += [f"{path}: {violation['id']}: {violation['nodes'][0]['html'][:160]}" for violation in violations]
    if page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth + 1"):
        found.append(f"{path}: scrolls sideways")
    wide = page.eval_on_selector_all(
        ".table-scroll:has(> table.compact)",
        "all => all.filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.getAttribute('aria-label'))",
    )
    return found + [f"{path}: the table “{label}” scrolls sideways" for label in wide]


@pytest.mark.parametrize(
    ("username", "screen"), [("lead", "desk"), ("technician", "tablet"), ("supplier", "tablet"), ("qa", "desk")]
)
def test_every_page_can_be_used_by_everybody(demo, request, username, screen):
    context = request.getfixturevalue(screen)
    page = demo.sign_in(context, username)
    errors = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda message: message.type == "error" and errors.append(message.text))
    reached, faults, waiting = set(), [], list(START)
    while waiting:
        path = waiting.pop(0)
        if kind(path) in reached:
            continue
        answer = page.goto(demo.address + path)
        if answer.status == 403:
            continue
        assert answer.status == 200, f"{path}: {answer.status}"
        reached.add(kind(path))
        faults += faults_of(page, path, screen=screen)
        links = page.eval_on_selector_all("a[href]", "links => links.map(a => a.getAttribute('href'))")
        waiting += [link.split("#")[0] for link in links if link.startswith("/") and not LEFT_OUT.search(link)]
    print(f"{username}: {len(reached)} kinds of pages: {', '.join(sorted(reached))}")
    assert len(reached) > 8
    assert faults == []
    assert [e for e in errors if "403" not in e] == []
    assert page.strangers == []
