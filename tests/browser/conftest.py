"""A Chromium of the system, without its own network traffic."""

import shutil

import pytest

from tests.browser.demo_lab import DESK, TABLET, running_demo


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args):
    path = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if not path:
        pytest.skip("no Chromium on this machine")
    return {
        **browser_type_launch_args,
        "executable_path": path,
        "args": [
            "--no-sandbox",
            "--disable-gpu",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--no-first-run",
        ],
    }


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    """The demo, loaded and analysed once for all tests; what a test changes it changes in a study or coupon of its own."""
    with running_demo(tmp_path_factory.mktemp("demo")) as lab:
        yield lab


@pytest.fixture
def desk(browser):
    context = browser.new_context(viewport=DESK)
    yield context
    context.close()


@pytest.fixture
def tablet(browser):
    context = browser.new_context(viewport=TABLET, has_touch=True)
    yield context
    context.close()
