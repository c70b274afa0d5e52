"""The main job as its four users do it: a real server, a real worker, a real browser."""

import re

import pytest
from playwright.sync_api import expect

pytestmark = [pytest.mark.browser, pytest.mark.worker]

# Twenty coupons in two loads: every coupon of resin B fails, no other; the lamp is crossed with the resin.
SHEET = "coupon,factor.resin,factor.lamp,block,rounds_survived,failed_round\n" + "".join(
    f"X{n},{'AB'[n % 2]},L{1 + n // 2 % 2},Load {1 + n // 10},{'3,' if n % 2 == 0 else '0,1'}\n" for n in range(20)
)


def hand_in(page, demo, text, name="autumn.csv"):
    page.goto(f"{demo.address}/studies/import/")
    page.set_input_files("input[type=file]", files=[{"name": name, "mimeType": "text/csv", "buffer": text.encode()}])
    page.get_by_role("button", name="Read the sheet").click()


def test_a_lab_lead_imports_a_sheet_and_reads_which_factor_is_implicated(demo, desk):
    page = demo.sign_in(desk, "lead")
    hand_in(page, demo, SHEET)
    expect(page.get_by_role("heading", name="20 coupons would be added")).to_be_visible()
    page.get_by_label("Code").fill("LEAD-1")
    page.get_by_label("Title").fill("Autumn coupons")
    page.get_by_label("Question").fill("Is it the resin or the lamp?")
    page.get_by_role("button", name="Take in all 20").click()
    # The job runs in the worker; the page follows it and goes on by itself.
    page.wait_for_url("**/studies/LEAD-1/", timeout=60_000)
    page.get_by_role("button", name=re.compile("Analyse")).first.click()
    page.wait_for_url("**/studies/LEAD-1/results/**", timeout=60_000)
    answer = page.locator(".panel.key")
    expect(answer).to_contain_text("resin = B", timeout=60_000)
    expect(page.locator("#main, main")).to_contain_text("10 of 10 under resin B failed")
    expect(page.locator("main svg.main-svg").first).to_be_visible(timeout=15_000)
    assert page.strangers == []


def test_faults_are_shown_at_their_cells_and_nothing_is_stored(demo, desk):
    page = demo.sign_in(desk, "lead")
    hand_in(page, demo, SHEET.replace("X3,B,L2,Load 1,0,1", "X3,B,L2,Load 1,2,1"), name="faulty.csv")
    expect(page.get_by_text("1 is not greater than rounds_survived 2").first).to_be_visible()
    assert page.get_by_role("button", name=re.compile("Take in")).count() == 0


def test_a_technician_records_a_repair_and_an_inspection_on_a_tablet(demo, tablet):
    page = demo.sign_in(tablet, "technician")
    page.goto(f"{demo.address}/bench/")
    page.get_by_role("link", name=re.compile("to repair")).first.click()
    page.locator("main a[href$='/repair/']").first.click()
    code = page.get_by_role("button", name=re.compile("Store the repair of")).inner_text().split()[-1]
    page.locator("label.choice", has_text="2605-A").click()
    page.locator("label.choice", has_text="LED-1").click()
    page.get_by_label("Cure time").fill("90")
    page.get_by_label("Irradiance at the glass").fill("3,2")
    meter = page.locator("select[name=radiometer] option", has_text="RM-1").get_attribute("value")
    page.get_by_label("Radiometer").select_option(meter)
    who = page.locator("label.choice", has_text="First technician")
    if who.is_visible():  # the coupon was drawn for somebody else: it asks who it was
        who.click()
    page.get_by_role("button", name=f"Store the repair of {code}").click()
    expect(page.get_by_role("heading", name="Recorded")).to_be_visible()
    expect(page.locator("main")).to_contain_text(code)
    # Scan it again: the coupon now waits for its rounds.
    page.goto(f"{demo.address}/bench/")
    page.get_by_label("Which coupon is in the hand?").fill(code)
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_contain_text("next: the inspection after round 1 of 3")
    expect(page.locator("main")).to_contain_text(re.compile(r"288\s*mJ/cm²"))
    page.get_by_role("link", name="Record an inspection").click()
    expect(page.locator("main")).to_contain_text("somebody else should look")
    page.locator("label.choice", has_text="intact").click()
    page.get_by_role("button", name=re.compile("Store")).click()
    expect(page.get_by_role("button", name=re.compile("Undo")).first).to_be_visible()
    assert page.strangers == []


def test_a_suppliers_engineer_reads_the_resin_against_the_lamps_and_changes_nothing(demo, desk):
    page = demo.sign_in(desk, "supplier")
    page.get_by_role("link", name="QU-26-09").click()
    page.get_by_role("link", name="Results").first.click()
    expect(page.locator(".panel.key")).to_contain_text("LED-3")
    for lamp in ("LED-1", "LED-2", "LED-3", "TUBE-1"):
        expect(page.locator("main")).to_contain_text(lamp)
    assert page.get_by_role("button", name=re.compile("Analyse")).count() == 0
    assert page.goto(f"{demo.address}/studies/new/").status in {403, 404}


def test_a_qa_lead_finds_a_failed_coupon_and_its_whole_history(demo, desk):
    page = demo.sign_in(desk, "qa")
    page.get_by_role("link", name="Failures").click()
    # Other studies of the demo may have failed since.
    page.get_by_label("study", exact=False).first.select_option(
        label=page.locator("option", has_text="EL-26-11").first.inner_text()
    )
    page.get_by_role("button", name="Show").click()
    page.locator("main table.data tr", has_text="EL-26-11").filter(has_text="cracked out").first.locator(
        "a[href^='/coupons/']"
    ).first.click()
    history = page.locator("ol.timeline").first
    for word in ("lot", "round", "cracked out"):
        expect(history).to_contain_text(re.compile(word, re.I))
