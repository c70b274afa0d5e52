"""A technician takes a load through three rounds in a sped-up clock, with a late transfer and a freezer that fails."""

import os
import re
import time
from datetime import datetime, timedelta

import pytest
from playwright.sync_api import expect

from tests.browser.demo_lab import answers, free_port
from tests.browser.test_every_page import faults_of
from tests.factories import NOON
from tests.installation import installed

pytestmark = [pytest.mark.browser, pytest.mark.worker]

PASSPHRASE = "a-phrase-of-this-test-only"
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


class SoakDay:
    """The lab's address, its clock, and what the technician does."""

    def __init__(self, installation, folder):
        self.installation, self.folder = installation, folder
        self.set(NOON)
        self.address = f"http://127.0.0.1:{free_port()}"
        self.pictures = 0
        self.faults = []

    def set(self, at: datetime) -> None:
        written = self.folder / "clock.new"
        written.write_text(f"{at.isoformat()} {time.time()}")
        os.replace(written, self.folder / "clock.txt")

    def open(self, page) -> None:
        self.page = page
        page.goto(f"{self.address}/sign-in/")
        page.get_by_label("Username").fill("technician")
        page.get_by_label("Password").fill(PASSPHRASE)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url("**/studies/")

    def today(self, at: datetime) -> None:
        self.set(at)
        self.page.goto(f"{self.address}/today/")

    def press(self, name: str) -> None:
        self.page.get_by_role("button", name=re.compile(name)).first.click()

    def says(self, words: str) -> None:
        expect(self.page.locator("main")).to_contain_text(re.compile(words))

    def look(self, name: str) -> None:
        """A picture to look at, and what axe finds."""
        self.pictures += 1
        self.page.screenshot(path=self.folder / f"{self.pictures:02d}-{name}.png", full_page=True)
        self.faults += faults_of(self.page, name, screen=str(self.page.viewport_size["width"]))

    def inspect(self, round_number: int, cracked: str = "") -> None:
        self.page.get_by_role("link", name=f"Inspect after round {round_number}").first.click()
        rows = self.page.locator("fieldset.load-row")
        for row in rows.all():
            outcome = "cracked out" if cracked and cracked in row.inner_text() else "intact"
            row.locator("label.choice", has_text=outcome).click()
        self.page.get_by_role("button", name=f"Store the inspections after round {round_number}").click()
        self.says(f"Stored after round {round_number}")

    def deviations(self) -> list[str]:
        count = self.installation.row("SELECT count(*) FROM bench_deviation")
        kinds = [
            self.installation.row(f"SELECT kind FROM bench_deviation ORDER BY happened_at LIMIT 1 OFFSET {n}")[0]
            for n in range(count[0])
        ]
        return kinds


@pytest.fixture
def day(tmp_path):
    (tmp_path / "clock.txt").write_text(f"{NOON.isoformat()} {time.time()}")
    with installed(tmp_path, settings="tests.browser.clocked_settings") as installation:
        lab = SoakDay(installation, tmp_path)
        installation.manage("shell", "-c", f"from tests.browser.soak_day_lab import put_up; put_up({PASSPHRASE!r})")
        installation.start("serve", "--port", lab.address.rsplit(":", 1)[1])
        installation.wait(lambda: answers(lab.address), "the first answer", seconds=120)
        yield lab


@pytest.mark.parametrize("screen", ["tablet", "desk"])
def test_a_load_goes_through_three_rounds_with_a_late_transfer_and_a_failed_freezer(day, screen, request):
    page = request.getfixturevalue(screen).new_page()
    errors = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    # The tablet's clock is a quarter of an hour and some years off; nothing may go by it.
    page.clock.install(time=datetime(2024, 1, 1, 8, 0))
    day.open(page)

    day.today(NOON)
    day.says("By the server it is 12:0")
    day.look("before")
    day.press("Start it, into F-1")
    day.says("Tray 1 is running now; it is in F-1")

    day.today(NOON + 3 * HOUR)
    expect(page.locator("[data-until]").first).to_contain_text(re.compile(r"least soak reached in (5 h|4 h 59 min)"))
    expect(page.locator("[data-clock-off]")).to_be_visible()
    # Too early: asked, and left where it is.
    day.press("Out of F-1 and into O-1")
    day.says("Move Tray 1 all the same")
    day.says("for 3 h .*at least 8 h")
    day.look("too-early")
    page.get_by_role("link", name=re.compile("It was not moved")).click()

    day.today(NOON + 16 * HOUR)
    day.press("Out of F-1 and into O-1")
    day.says("came out of F-1 and went into O-1 at 04:0")

    # Out of the oven in time, but 25 minutes at the door.
    day.today(NOON + 18 * HOUR + 5 * MINUTE)
    page.locator(".move-form summary").first.click()
    # The list refreshes itself; what is being typed stays.
    typed = page.get_by_label(re.compile("When it was moved")).first
    typed.fill("2026-11-03T06:05")
    day.set(NOON + 18 * HOUR + 6 * MINUTE)
    with page.expect_response("**/today/work/"):
        page.evaluate("htmx.trigger('#todays-work', 'todays-work')")
    expect(page.locator("[data-server-clock]")).to_have_text(re.compile("06:06"))
    expect(typed).to_have_value("2026-11-03T06:05")
    day.press("Only out of O-1")
    day.says("came out of O-1 at 06:05")
    day.today(NOON + 18 * HOUR + 30 * MINUTE)
    day.says("too long at the door by 15")
    day.look("at-the-door")
    day.press("Into B-1")
    day.says("Why did it happen")
    day.says("was 25 min between O-1 and B-1")
    day.look("why")
    page.get_by_label("The reason").fill("the bench was not cleared")
    day.press("Keep the reason")
    assert day.deviations() == ["late_transfer"]

    day.today(NOON + 20 * HOUR)
    day.inspect(1)
    day.today(NOON + 24 * HOUR)
    day.press("Out of B-1 and into F-1")
    day.says("went into F-1 at 12:0")

    # The freezer fails five hours into the second round; found two hours later.
    day.today(NOON + 31 * HOUR)
    page.get_by_role("link", name=re.compile("Record a failure.*F-1")).click()
    page.get_by_label("Failed from").fill("2026-11-03T17:00")
    page.get_by_label("What was seen").fill("Breaker of the freezer tripped; air at −2 °C")
    day.press("F-1 has failed")
    day.says("1 load was in it and marked")
    day.says("it had 5.h of at least 8.h; it lacks 3.h")
    day.look("failed")
    day.press("The whole step again")
    day.says("Tray 1 goes on in F-2")
    assert day.deviations() == ["late_transfer", "chamber"]

    day.today(NOON + 39 * HOUR + MINUTE)
    day.look("goes-on")
    day.press("Out of F-2 and into O-1")
    day.says("went into O-1 at 03:0")
    day.today(NOON + 41 * HOUR + 2 * MINUTE)
    day.press("Out of O-1 and into B-1")
    day.today(NOON + 42 * HOUR)
    # Nobody has looked yet: asked before the third round begins.
    day.press("Out of B-1 and into F-1")
    day.says("F-1 failed at 3 Nov 2026, 17:00 and has not been seen to work again")
    page.get_by_role("link", name=re.compile("It failed: what now.*F-1")).click()
    day.press("It works again")
    day.says("F-1 works again")
    day.today(NOON + 42 * HOUR)
    day.press("Out of B-1 and into F-1")
    day.says("Round 3 of Tray 1 began with 4 of 4 coupons not looked at after round 2")
    day.look("not-looked-at")
    page.get_by_role("link", name=re.compile("It was not moved")).click()
    day.inspect(2, cracked="12")
    day.today(NOON + 42 * HOUR + 5 * MINUTE)
    day.press("Out of B-1 and into F-1")
    day.says("went into F-1")
    # Taken back, and done again: nothing is lost or doubled.
    day.press("Undo the last move of Tray 1|Undo.*Tray 1")
    day.says("is taken back")
    day.press("Out of B-1 and into F-1")

    for hours, press in ((51, "Out of F-1 and into O-1"), (53.5, "Out of O-1 and into B-1"), (54.5, "Out of B-1")):
        day.today(NOON + hours * HOUR)
        day.press(press)
    day.today(NOON + 55 * HOUR)
    day.inspect(3)
    day.today(NOON + 55 * HOUR)
    day.press("Finish it")
    day.says("Tray 1 is done now")
    page.goto(f"{day.address}/loads/1/")
    day.says("the bench was not cleared")
    day.look("done")
    assert day.deviations() == ["late_transfer", "chamber"]
    assert day.installation.row("SELECT count(*) FROM bench_booking WHERE ended_at IS NULL") == (0,)
    assert errors == []
    assert day.faults == []
