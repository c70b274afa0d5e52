"""The running demo, as `manage.py demo` starts it: real database, queue, worker and server, on what this test run names."""

from __future__ import annotations

import socket
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from playwright.sync_api import BrowserContext, Page, Request

from tests.installation import Installation, installed

DESK = {"width": 1280, "height": 900}
TABLET = {"width": 820, "height": 1180}


@dataclass
class DemoLab:
    """Where it answers, who may sign in."""

    installation: Installation
    address: str

    def passphrase(self, username: str) -> str:
        lines = (self.installation.folder / "demo-sign-in.txt").read_text().splitlines()
        return next(line.split()[1] for line in lines if line.startswith(f"{username} "))

    def sign_in(self, context: BrowserContext, username: str) -> Page:
        """A page of somebody who has signed in; whatever it asks another host is kept in `page.strangers`."""
        page = context.new_page()
        page.strangers = []  # type: ignore[attr-defined]

        def note(request: Request) -> None:
            if not request.url.startswith((self.address, "data:", "blob:")):
                page.strangers.append(request.url)  # type: ignore[attr-defined]

        page.on("request", note)
        page.goto(f"{self.address}/sign-in/")
        page.get_by_label("Username").fill(username)
        page.get_by_label("Password").fill(self.passphrase(username))
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url("**/studies/")
        return page


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def answers(address: str) -> bool:
    try:
        return urllib.request.urlopen(f"{address}/health", timeout=2).status == 200
    except (urllib.error.URLError, TimeoutError, ConnectionError):
        return False


@contextmanager
def running_demo(folder: Path) -> Iterator[DemoLab]:
    with installed(folder) as installation:
        address = f"http://127.0.0.1:{free_port()}"
        installation.start("demo", "--port", address.rsplit(":", 1)[1])
        installation.wait(lambda: answers(address), "the demo's first answer", seconds=300)
        installation.wait(lambda: "sign in" in installation.logs(), "the way to sign in", seconds=60)
        yield DemoLab(installation, address)
