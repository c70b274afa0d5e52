"""From two variables that changed together to a confirmed cause, and from a question to a locked plan, in a real browser."""

import re

import pytest
from playwright.sync_api import expect

from tests.browser.test_main_job import hand_in

pytestmark = [pytest.mark.browser, pytest.mark.worker]
SLOW = 120_000

# Resin and lamp changed together: every coupon of R1 under L1 fails, none of R2 under L2.
TOGETHER = "coupon,factor.resin,factor.lamp,block,rounds_survived,failed_round\n" + "".join(
    f"T{n},{'R1,L1' if n < 3 else 'R2,L2'},Load 1,{'0,1' if n < 3 else '1,'}\n" for n in range(6)
)


def take_in(page, demo, text, code, title):
    hand_in(page, demo, text, name=f"{code}.csv")
    page.get_by_label("Code").fill(code)
    page.get_by_label("Title").fill(title)
    page.get_by_label("Question").fill("Which of them is it?")
    page.get_by_role("button", name=re.compile("Take in all")).click()
    page.wait_for_url(f"**/studies/{code}/", timeout=SLOW)


def plan_settings(page, demo, code, **numbers):
    page.goto(f"{demo.address}/studies/{code}/plan/")
    for label, number in numbers.items():
        page.get_by_label(label.replace("_", " ")).first.fill(str(number))
    page.get_by_role("button", name="Store what a plan keeps to").click()
    expect(page.get_by_text("Stored. Compare the plans again")).to_be_visible(timeout=SLOW)


def analysed(page, demo, code):
    """The answer, once the worker has it."""
    page.goto(f"{demo.address}/studies/{code}/results/")
    page.get_by_role("button", name=re.compile("Analyse")).first.click()
    expect(page.locator("#analysis .panel.key")).to_be_visible(timeout=SLOW)
    expect(page.locator("#analysis")).to_contain_text("nothing it is computed from has changed since", timeout=SLOW)
    return page.locator("#answer")


def accept_next_load(page):
    """Press for the next load; its list of repairs as code -> resin."""
    page.get_by_role("link", name="Add these coupons to the study").click()
    page.get_by_role("button", name=re.compile("Add .* coupon")).click()
    page.wait_for_url("**/allocations/*/", timeout=SLOW)
    page.get_by_role("button", name="Lock it").click()
    expect(page.get_by_role("heading", name="Locked")).to_be_visible(timeout=SLOW)
    rows = page.locator("table.repair-list tbody tr")
    heads = page.locator("table.repair-list thead th").all_inner_texts()
    resin = heads.index("Resin")
    found = {}
    for row in rows.all():
        cells = row.locator("th, td").all_inner_texts()
        found[cells[1].strip()] = cells[resin].strip()
    # On paper: the list with a column to tick, and none of the buttons.
    page.emulate_media(media="print")
    expect(page.locator("th.only-print").first).to_be_visible()
    expect(page.get_by_role("link", name="Studies").first).to_be_hidden()
    page.emulate_media(media="screen")
    return found


def repair_all(page, demo, codes):
    """Each coupon by the code in the hand."""
    for code in codes:
        page.goto(f"{demo.address}/bench/")
        page.get_by_label("Which coupon is in the hand?").fill(code)
        page.keyboard.press("Enter")
        page.get_by_role("link", name="Record the repair").click()
        page.locator("label.choice", has_text="2605-A").first.click()
        page.locator("label.choice", has_text="LED-1").first.click()
        page.get_by_label("Cure time").fill("90")
        page.get_by_role("button", name=f"Store the repair of {code}").click()
        expect(page.get_by_role("heading", name="Recorded")).to_be_visible(timeout=SLOW)


def run_load(page, demo, code, load, fails):
    """Start the load, look at every coupon after its only round, finish."""
    page.goto(f"{demo.address}/studies/{code}/")
    page.get_by_role("link", name=load, exact=True).first.click()
    page.get_by_role("button", name="Start the load").click()
    page.get_by_role("link", name=re.compile("Inspect all after round 1")).click()
    for coupon, is_failing in fails.items():
        group = page.locator("fieldset", has_text=f"{coupon} after round 1")
        group.locator("label.choice", has_text="cracked out" if is_failing else "intact").first.click()
    page.get_by_role("button", name="Store the inspections after round 1").click()
    expect(page.locator("main")).to_contain_text("Stored after round 1", timeout=SLOW)
    page.get_by_role("button", name="Finish the load").click()
    expect(page.locator("main")).to_contain_text("is done now", timeout=SLOW)


def test_a_lab_lead_isolates_and_confirms_a_cause_load_by_load(demo, desk, browser):
    lead = demo.sign_in(desk, "lead")
    tablet = browser.new_context(viewport={"width": 820, "height": 1180}, has_touch=True)
    bench = demo.sign_in(tablet, "technician")
    take_in(lead, demo, TOGETHER, "ISO-1", "Resin or lamp")
    plan_settings(lead, demo, "ISO-1", Coupon_places_in_a_load=8, Reference_repairs_in_each_load=0)
    answer = analysed(lead, demo, "ISO-1")
    expect(answer).to_contain_text("The cause is not isolated yet")
    expect(lead.locator("#apart")).to_contain_text("not at all")
    for load in ("Load 2", "Load 3"):
        resins = accept_next_load(lead)
        assert len(resins) == 8
        assert set(resins.values()) == {"R1", "R2"}
        repair_all(bench, demo, resins)
        run_load(bench, demo, "ISO-1", load, {code: resin == "R1" for code, resin in resins.items()})
        answer = analysed(lead, demo, "ISO-1")
        expect(answer).to_contain_text("The failing variable: resin = R1")
        if load == "Load 2":
            expect(answer).to_contain_text("It is not confirmed yet")
    expect(answer).to_contain_text(
        "New coupons have confirmed it: in Load 3 alone 4 of 4 with it failed, 0 of 4 without it"
    )
    expect(answer).to_contain_text("Cleared: lamp")
    expect(lead.locator("#next")).to_contain_text("None needed: the cause is isolated and confirmed.")
    # The way there: both were suspected alike, then one.
    expect(lead.locator("#causes")).to_contain_text("Isolated after Load 2: resin = R1; Load 3 alone confirms it.")
    assert lead.strangers == []
    assert bench.strangers == []
    tablet.close()


def test_a_lab_lead_compares_plans_and_puts_one_up(demo, desk):
    page = demo.sign_in(desk, "lead")
    take_in(page, demo, TOGETHER, "PLN-1", "Plan the next ones")
    plan_settings(page, demo, "PLN-1", Coupon_places_in_a_load=6, Loads_the_lab_is_ready_to_run=2)
    opened = page.locator("#plans details", has=page.get_by_label("Studies played per plan"))
    if opened.get_attribute("open") is None:
        opened.locator("summary").click()
    page.get_by_label("Studies played per plan").fill("20")
    page.get_by_label("Coupons of the D-optimal subset").fill("10")
    page.get_by_role("button", name="Compare the plans").click()
    table = page.locator("table.plan-table")
    expect(table).to_be_visible(timeout=SLOW)
    for plan in ("One-factor swaps", "Full factorial", "D-optimal subset of 10", "Sequential plan"):
        expect(table).to_contain_text(plan)
    expect(table).to_contain_text("Two factors, one enough:")
    page.get_by_role("link", name=re.compile("Use this plan ?: Full factorial")).click()
    page.get_by_role("button", name="Put it up").click()
    page.wait_for_url("**/allocations/*/", timeout=SLOW)
    expect(page.locator("table.repair-list tbody tr").first).to_be_visible()
    page.get_by_role("button", name="Lock it").click()
    expect(page.get_by_role("heading", name="Locked")).to_be_visible(timeout=SLOW)
    assert page.get_by_role("button", name="Undo it").count() == 0
    page.emulate_media(media="print")
    expect(page.locator("th.only-print").first).to_be_visible()
    assert page.strangers == []
